"""What `calib check` says of a frame package: what it holds, where it looks, what its products will be."""

from pathlib import Path

import numpy as np

from calib.camera.exterior import pose_of
from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.frame.summary import summary
from calib.ground.dem import view_over
from calib.ground.footprint import footprint_ring
from calib.ground.grid import MapGrid, choose_grid
from calib.ground.region import terrain_warnings, visible_region
from calib.ground.view import View
from calib.light.geometry import sun_direction
from calib.moon import SubsolarPoint
from calib.run.sunlight import light_facts, sun_of

Facts = tuple[tuple[str, str], ...]
FLOAT_RASTERS, MASK_RASTERS = 3, 1  # of the map


def given_view(frame: Frame) -> View:
    """The camera where the description puts it, over the terrain it names."""
    return view_over(frame.camera, pose_of(frame.pointing), frame.dem, frame.path)


def given_grid(frame: Frame) -> MapGrid:
    """The map grid with the pointing as given; says at once whether the camera sees the Moon at all.

    Raises:
        InputError: the camera misses the Moon, the terrain or the map that is asked for cannot be.
    """
    return choose_grid(given_view(frame), frame.map, frame.scan, frame.path)


def look_at(path: Path) -> tuple[Facts, tuple[str, ...]]:
    """Facts (label, text) and warnings of a frame package, from its description and the headers of its files.

    Raises:
        InputError: the package has a mistake.
    """
    frame = read_frame(path)
    view = given_view(frame)
    grid = choose_grid(view, frame.map, frame.scan, frame.path)
    sun = sun_of(frame)
    facts = (*summary(frame), *light_facts(frame, sun, view), *_ground(view, grid), *_products(frame, grid))
    damage = tuple(f"{strip.called}: {strip.damage}" for strip in frame.strips if strip.damage)
    return facts, (*frame.warnings, *damage, *ground_warnings(view, sun))


def ground_warnings(view: View, sun: Sun) -> tuple[str, ...]:
    """What is to be said of the ground under a frame: its terrain, and whether the Sun shines on it at all."""
    region = visible_region(view)
    if region is None:
        return ()
    to_sun = sun_direction(SubsolarPoint(*sun.subsolar_deg, sun.distance_au))
    places = np.concatenate([region.ring, region.inside])
    dark = bool((places @ to_sun <= 0).all())
    night = ("the Sun is below the horizon of all the ground in the frame",) if dark else ()
    return (*terrain_warnings(view, region), *night)


def _ground(view: View, grid: MapGrid) -> Facts:
    ring = footprint_ring(view)
    rows = [("map grid", f"{grid.crs}, {grid.rows} x {grid.columns} pixels of {grid.pixel_m:.6g} m")]
    if ring is not None:
        lon = np.degrees(np.unwrap(np.radians(ring.lon_deg)))
        lon = lon - 360.0 * np.round(lon.mean() / 360.0)
        east, north = (f"{values.min():.4f} to {values.max():.4f} deg" for values in (lon, ring.lat_deg))
        rows.append(("footprint", f"longitude {east}, latitude {north}"))
    return tuple(rows)


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
