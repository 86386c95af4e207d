"""Output files of a run: rasters, NetCDF, STAC item, provenance and the report."""
