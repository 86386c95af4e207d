"""The rasters of a run, made and written block by block: `film`, `map` and `angles`, and the modules they share."""
