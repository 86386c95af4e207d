"""What a run leaves behind: rasters, NetCDF, STAC item, provenance and the report."""
