"""A density image to reflectance, with no frame around it: on plain arrays and on labelled ones."""

from collections.abc import Callable

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from calib.coordinates import Array
from calib.light.curve import FilmCurve, exposure_of, slope_of

_AT_ONCE = 1 << 20  # elements turned into exposure together, so that a large image needs no large scratch space


def reflectance_image(
    density: np.ndarray | xr.DataArray, curve: FilmCurve, factor: ArrayLike | xr.DataArray
) -> np.ndarray | xr.DataArray:
    """Radiance factor of a density image: exposure by the characteristic curve, times `factor` (per lux second).

    density : any shape; of a labelled array (also one of dask blocks) name, labels and attributes are kept right.
    factor : a number, or an array that broadcasts against `density`: see `radiometry.reflectance_per_exposure`.
    Returns the kind of array that came in, in float32 for float32 density, else float64; NaN beyond the curve's ends.
    """
    name = "reflectance", "radiance factor"
    return _apply(lambda block, scale: exposure_of(curve, block) * scale, density, (factor,), name)


def sigma_image(
    density: np.ndarray | xr.DataArray,
    sigma_density: ArrayLike | xr.DataArray,
    curve: FilmCurve,
    factor: ArrayLike | xr.DataArray,
) -> np.ndarray | xr.DataArray:
    """1-sigma of `reflectance_image` for a density error of `sigma_density` (broadcasts): to first order.

    sigma(rho) = rho ln 10 |d log10 H / d D| sigma(D). Infinite at an end knot where the curve is flat.
    """

    def sigma(block: Array, sigma_block: Array, scale: Array) -> Array:
        return exposure_of(curve, block) * scale * np.log(10.0) * np.abs(slope_of(curve, block)) * sigma_block

    name = "sigma", "1-sigma random uncertainty of the radiance factor"
    return _apply(sigma, density, (sigma_density, factor), name)


def _apply(
    function: Callable[..., Array],
    density: np.ndarray | xr.DataArray,
    others: tuple[ArrayLike | xr.DataArray, ...],
    name: tuple[str, str],
) -> np.ndarray | xr.DataArray:
    """The function on blocks of rows of a plain array, or through xarray on a labelled one."""
    dtype = np.dtype(np.float32 if density.dtype == np.float32 else np.float64)

    def by_rows(image: np.ndarray, *more: np.ndarray) -> np.ndarray:
        shape = np.broadcast_shapes(image.shape, *(np.shape(m) for m in more))
        operands = [np.broadcast_to(a, shape) for a in (image, *more)]
        out = np.empty(shape, dtype)
        if not shape:
            out[()] = function(*operands)
            return out
        rows = max(1, _AT_ONCE // max(1, int(np.prod(shape[1:]))))
        for first in range(0, shape[0], rows):
            part = slice(first, first + rows)
            out[part] = function(*(operand[part] for operand in operands))
        return out

    if not isinstance(density, xr.DataArray):
        return by_rows(np.asarray(density), *(np.asarray(other) for other in others))
    result = xr.apply_ufunc(by_rows, density, *others, dask="parallelized", output_dtypes=[dtype])
    named = result.rename(name[0])
    named.attrs = {**density.attrs, "long_name": name[1], "units": "1"}
    named.attrs.pop("standard_name", None)
    return named
