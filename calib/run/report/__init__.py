"""Report of a run: `checks` of its fits, `records` for fits.nc, and the `contents` of the `page`."""
