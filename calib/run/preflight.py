"""Contents of `calib check`: what a frame package holds, where the camera looks, and how large the products will be."""

from pathlib import Path

import numpy as np

from calib.camera.exterior import pose_of
from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.frame.remarks import Remark, worded
from calib.frame.summary import summary
from calib.ground.between_nodes import terrain_shift_m
from calib.ground.dem import view_over
from calib.ground.footprint import footprint_ring
from calib.ground.grid import MapGrid, choose_grid
from calib.ground.region import Region, terrain_warnings, visible_region
from calib.ground.view import View
from calib.light.geometry import sun_direction
from calib.moon import SubsolarPoint
from calib.products.readable import number
from calib.run.sunlight import light_facts, sun_of

Facts = tuple[tuple[str, str], ...]
FLOAT_RASTERS, MASK_RASTERS = 3, 1  # of the map
SHIFTED_PX = 0.5  # 1-sigma shift of the map by unknown heights between terrain nodes, above which there is a warning


def given_view(frame: Frame) -> View:
    """The camera at its described pose, over the described terrain."""
    return view_over(frame.camera, pose_of(frame.pointing), frame.dem, frame.path)


def given_grid(frame: Frame) -> MapGrid:
    """The map grid for the described pointing.

    Raises:
        InputError: the camera misses the Moon, or the terrain or the requested map is not possible.
    """
    return choose_grid(given_view(frame), frame.map, frame.scan, frame.path)


def preflight(path: Path) -> tuple[Facts, tuple[str, ...]]:
    """Facts (label, text) and warnings of a frame package, from its description and the headers of its files.

    Raises:
        InputError: the package has a mistake.
    """
    frame = read_frame(path)
    view = given_view(frame)
    grid = choose_grid(view, frame.map, frame.scan, frame.path)
    sun = sun_of(frame)
    facts = (*summary(frame), *light_facts(frame, sun, view), *_ground(view, grid), *_products(frame, grid))
    damage = worded([Remark(strip.damage, (strip.index,)) for strip in frame.strips if strip.damage], frame.strips)
    return facts, (*frame.warnings, *damage, *ground_warnings(view, sun, grid.pixel_m))


def ground_warnings(view: View, sun: Sun, pixel_m: float) -> tuple[str, ...]:
    """Warnings about the ground under a frame: about its terrain, and if no sunlight falls on it."""
    region = visible_region(view)
    if region is None:
        return ()
    to_sun = sun_direction(SubsolarPoint(*sun.subsolar_deg, sun.distance_au))
    places = np.concatenate([region.ring, region.inside])
    dark = bool((places @ to_sun <= 0).all())
    night = ("the Sun is below the horizon of all the ground in the frame",) if dark else ()
    return (*terrain_warnings(view, region), *_coarse(view, region, pixel_m), *night)


def _coarse(view: View, region: Region, pixel_m: float) -> tuple[str, ...]:
    """A warning if the terrain model is too coarse for the map."""
    shift_m = terrain_shift_m(view, region)
    if view.terrain is None or shift_m <= SHIFTED_PX * pixel_m:
        return ()
    node_m = 1e3 * view.terrain.node_km
    said = f"terrain.dem: its nodes lie {number(node_m)} m apart, which is coarse for this map: "
    return (f"{said}{_shifted(shift_m, pixel_m)}, judging by what is missed without every second node",)


def terrain_facts(view: View, pixel_m: float) -> Facts:
    """The uncertainty of heights between a terrain model's nodes, as a fact; none without a terrain model."""
    region = visible_region(view)
    if view.terrain is None or region is None:
        return ()
    return (("terrain nodes", _shifted(terrain_shift_m(view, region), pixel_m)),)


def _shifted(shift_m: float, pixel_m: float) -> str:
    return f"heights between the nodes move the map by {shift_m:.2g} m, {shift_m / pixel_m:.2g} pixels (1-sigma)"


def _ground(view: View, grid: MapGrid) -> Facts:
    ring = footprint_ring(view)
    rows = [("map grid", f"{grid.crs}, {grid.rows} x {grid.columns} pixels of {grid.pixel_m:.6g} m")]
    if ring is not None:
        lon = np.degrees(np.unwrap(np.radians(ring.lon_deg)))
        lon = lon - 360.0 * np.round(lon.mean() / 360.0)
        east, north = (f"{values.min():.4f} to {values.max():.4f} deg" for values in (lon, ring.lat_deg))
        rows.append(("footprint", f"longitude {east}, latitude {north}"))
    return (*rows, *terrain_facts(view, grid.pixel_m))


def _products(frame: Frame, grid: MapGrid) -> Facts:
    scan = frame.scan
    across = scan.pitch_mm * (len(frame.strips) - 1) + frame.strips[0].n_samples * scan.sample_mm
    columns = round(across / scan.sample_mm)
    rows = round(max(strip.n_lines for strip in frame.strips) * scan.line_mm / scan.sample_mm)
    film_bytes, map_bytes = rows * columns * 6, grid.rows * grid.columns * (4 * FLOAT_RASTERS + 2 * MASK_RASTERS)
    return (
        ("film product", f"about {rows} x {columns} pixels, {film_bytes / 1e6:.0f} MB before compression"),
        ("map products", f"{map_bytes / 1e6:.0f} MB before compression and overviews"),
    )
