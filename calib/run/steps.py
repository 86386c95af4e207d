"""The job in Python, step by step: open a frame, fit it, then its film and its map as lazy, labelled arrays.

    import calib
    frame = calib.open_frame("frame.toml")
    fits = calib.fit(frame)
    film = calib.film_frame(fits)      # density, sigma, quality on film millimetres
    lunar = calib.lunar_map(fits)      # reflectance, sigma, normal, quality on map metres
    lunar.reflectance.sel(x=slice(1000, 2000), y=slice(9000, 8000)).compute()

Blocks of film and map are computed when they are asked for, each from raw samples by one interpolation.
"""

from collections.abc import Callable, Sequence

import dask
import dask.array as da
import numpy as np
import xarray as xr

from calib.film.assemble import blocks
from calib.frame.read import read_frame
from calib.light.functions import DEFAULT_MODEL
from calib.quality import BITS
from calib.run.arguments import check_type
from calib.run.fitting.fit import FrameFits, fit_frame
from calib.run.rasters.angles import ANGLES, angle_block
from calib.run.rasters.film import film_maker, grid_of
from calib.run.rasters.headers import NORMAL
from calib.run.rasters.map import map_block, map_maker
from calib.run.rasters.map import tiles as map_tiles

FILM_LAYERS = {"density": "f4", "sigma": "f4", "quality": "u2"}
MAP_LAYERS = {"reflectance": "f4", "sigma": "f4", "normal": "f4", "quality": "u2"}
FITS = "the fits of a frame, as calib.fit gives them"
Block = tuple[slice, slice]

open_frame = read_frame
fit = fit_frame


def film_frame(fits: FrameFits) -> xr.Dataset:
    """The assembled film on square pixels of `scan.sample_mm`: a dataset with dimensions `y` (down) and `x` (to the
    right), coordinates in film mm from the centre of the format.

    Variables: `density` (-log10 of the transmittance) and its 1-sigma `sigma`, float32 and NaN where nothing is known;
    `quality`, uint16, the bits of `calib.quality`. All are dask arrays: blocks are made when they are asked for.

    Raises:
        TypeError: `fits` are not the fits of a frame.
    """
    check_type("fits", fits, FrameFits, FITS)
    grid = grid_of(fits)
    made = _lazy(film_maker(fits, grid), blocks(grid))
    coords = {"y": grid.y_mm(np.arange(float(grid.rows))), "x": grid.x_mm(np.arange(float(grid.columns)))}
    data = {name: (("y", "x"), made(name, dtype)) for name, dtype in FILM_LAYERS.items()}
    result = xr.Dataset(data, coords, {"title": f"assembled film of {fits.frame.name}"})
    said = {"density": "density", "sigma": "1-sigma of the density", "x": "film x to the right", "y": "film y down"}
    return _labelled(result, said, {"density": "1", "sigma": "1", "x": "mm", "y": "mm"})


def lunar_map(fits: FrameFits, standard: str = DEFAULT_MODEL, *, angles: bool = False) -> xr.Dataset:
    """The map on the grid that `[map]` of the frame asks for: a dataset with dimensions `y` (falling) and `x`, their
    coordinates in metres of its projection, which the attribute `crs_wkt` names.

    Variables: `reflectance` (radiance factor), its 1-sigma `sigma`, and `normal`, the reflectance brought to incidence
    30, emission 0, phase 30 degrees by the photometric function that `standard` names; float32, NaN where nothing is
    known. `quality`, uint16, the bits of `calib.quality`. With `angles` also `incidence`, `emission` and `phase` of the
    level ground, in degrees. All are dask arrays: blocks are made when they are asked for.

    Raises:
        InputError: the map that the frame asks for cannot be made.
        TypeError: `fits` are not the fits of a frame.
    """
    check_type("fits", fits, FrameFits, FITS)
    maker = map_maker(fits, standard)
    grid = maker.grid
    flat = list(map_tiles(grid))
    across = sum(1 for rows, _ in flat if rows.start == 0)
    rows_of_tiles = [flat[first : first + across] for first in range(0, len(flat), across)]
    made = _lazy(lambda rows, columns: map_block(maker, rows, columns), rows_of_tiles)
    x = (grid.left + 0.5 + np.arange(grid.columns)) * grid.pixel_m
    y = (grid.top - 0.5 - np.arange(grid.rows)) * grid.pixel_m
    data = {name: (("y", "x"), made(name, dtype)) for name, dtype in MAP_LAYERS.items()}
    said = {"reflectance": "radiance factor", "sigma": "1-sigma of the radiance factor", "normal": NORMAL}
    said |= {"x": "map x", "y": "map y"}
    units = {"reflectance": "1", "sigma": "1", "normal": "1", "x": "m", "y": "m"}
    if angles:
        worked_out = _lazy(lambda rows, columns: angle_block(maker.where, rows, columns), rows_of_tiles)
        data |= {name: (("y", "x"), worked_out(name, "f4")) for name in ANGLES}
        units |= dict.fromkeys(ANGLES, "degree")
        said |= ANGLES
    result = xr.Dataset(data, {"y": y, "x": x}, {"title": f"map of {fits.frame.name}", "crs_wkt": grid.wkt})
    return _labelled(result, said, units)


def _lazy(make: Callable[[slice, slice], object], places: Sequence[Sequence[Block]]) -> Callable[[str, str], da.Array]:
    """A function from a layer's name and dtype to its dask array, put together from the blocks that `make` gives.

    `places` are the blocks' (rows, columns), row by row. The layers of a block share the work of making it.
    """
    delayed = dask.delayed(make, pure=False)
    made = [[delayed(*place) for place in row] for row in places]

    def layer(name: str, dtype: str) -> da.Array:
        parts = [
            [
                da.from_delayed(getattr(one, name), (rows.stop - rows.start, columns.stop - columns.start), dtype)
                for one, (rows, columns) in zip(ones, row, strict=True)
            ]
            for ones, row in zip(made, places, strict=True)
        ]
        return da.block(parts)

    return layer


def _labelled(data: xr.Dataset, said: dict[str, str], units: dict[str, str]) -> xr.Dataset:
    """The dataset with names and units as plots show them, and the quality bits described by the CF conventions."""
    for name, unit in units.items():
        data[name].attrs |= {"long_name": said[name], "units": unit}
    masks = np.array([bit.value for bit in BITS], np.uint16)
    meanings = " ".join(bit.name for bit in BITS)
    data["quality"].attrs |= {"long_name": "quality bits", "flag_masks": masks, "flag_meanings": meanings}
    return data
