"""What a run says of itself: `checks` of its fits, `records` for fits.nc, `contents` gathered for the `page`."""
