"""A density image to reflectance, with no frame around it: on plain arrays and on labelled ones."""

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from calib.light.curve import FilmCurve, exposure_of

_AT_ONCE = 1 << 20  # elements turned into exposure together, so that a large image needs no large scratch space


def reflectance_image(
    density: np.ndarray | xr.DataArray, curve: FilmCurve, factor: ArrayLike | xr.DataArray
) -> np.ndarray | xr.DataArray:
    """Radiance factor of a density image: exposure by the characteristic curve, times `factor` (per lux second).

    density : one dimension or more; of a labelled array (also one of dask blocks) name, labels and attributes are
    kept right.
    factor : a number, or an array that broadcasts against `density`: see `radiometry.reflectance_per_exposure`.
    Returns the kind of array that came in, in float32 for float32 density, else float64; NaN beyond the curve's ends.
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
