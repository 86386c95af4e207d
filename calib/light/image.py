"""Converts a single density image to reflectance, as a plain or a labelled array."""

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from calib.light.curve import FilmCurve, exposure_of

_AT_ONCE = 1 << 20  # elements converted together, to limit temporary memory for large images


def reflectance_image(
    density: np.ndarray | xr.DataArray, curve: FilmCurve, factor: ArrayLike | xr.DataArray
) -> np.ndarray | xr.DataArray:
    """Radiance factor of a density image: exposure by the characteristic curve, times `factor` (per lux second).

    density : one dimension or more. A labelled array, also one of dask blocks, keeps labels and attributes, with name,
    long name and units of reflectance.
    factor : a number, or an array that broadcasts against `density`: see `radiometry.reflectance_per_exposure`.
    Returns the same kind of array, float32 for float32 density, else float64; NaN beyond the curve's ends.
    """
    dtype = np.dtype(np.float32 if density.dtype == np.float32 else np.float64)

    def by_rows(image: np.ndarray, scale: np.ndarray) -> np.ndarray:
        image, scale = np.broadcast_arrays(image, scale)
        out = np.empty(image.shape, dtype)
        rows = max(1, _AT_ONCE // max(1, int(np.prod(image.shape[1:]))))
        for first in range(0, len(image), rows):
            part = slice(first, first + rows)
            out[part] = exposure_of(curve, image[part]) * scale[part]
        return out

    if not isinstance(density, xr.DataArray):
        return by_rows(np.asarray(density), np.asarray(factor))
    result = xr.apply_ufunc(by_rows, density, factor, dask="parallelized", output_dtypes=[dtype])
    named = result.rename("reflectance")
    named.attrs = {**density.attrs, "long_name": "radiance factor", "units": "1"}
    named.attrs.pop("standard_name", None)
    return named
