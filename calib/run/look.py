"""What `calib check` says of a frame package: what it holds, where it looks, what its products will be."""

from pathlib import Path

import numpy as np

from calib.camera.exterior import pose_of
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.frame.summary import summary
from calib.ground.dem import read_terrain
from calib.ground.footprint import footprint_ring
from calib.ground.grid import MapGrid, choose_grid
from calib.ground.view import View

Facts = tuple[tuple[str, str], ...]
FLOAT_RASTERS, MASK_RASTERS = 3, 1  # of the map


def given_view(frame: Frame) -> View:
    """The camera where the description puts it, over the terrain it names."""
    terrain = None if frame.dem is None else read_terrain(frame.dem, frame.path)
    return View(frame.camera, pose_of(frame.pointing), terrain)


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
    return (*summary(frame), *_ground(frame), *_products(frame)), frame.warnings


def _ground(frame: Frame) -> Facts:
    grid = given_grid(frame)
    ring = footprint_ring(given_view(frame))
    rows = [("map grid", f"{grid.crs}, {grid.rows} x {grid.columns} pixels of {grid.pixel_m:.6g} m")]
    if ring is not None:
        lon = np.degrees(np.unwrap(np.radians(ring.lon_deg)))
        lon = lon - 360.0 * np.round(lon.mean() / 360.0)
        extent = f"longitude {lon.min():.4f} to {lon.max():.4f}, latitude {ring.lat_deg.min():.4f} to {ring.lat_deg.max():.4f} deg"
        rows.append(("footprint", extent))
    return tuple(rows)


def _products(frame: Frame) -> Facts:
    grid, scan = given_grid(frame), frame.scan
    across = scan.pitch_mm * (len(frame.strips) - 1) + frame.strips[0].n_samples * scan.sample_mm
    columns = round(across / scan.sample_mm)
    rows = round(max(strip.n_lines for strip in frame.strips) * scan.line_mm / scan.sample_mm)
    film_bytes, map_bytes = rows * columns * 6, grid.rows * grid.columns * (4 * FLOAT_RASTERS + 2 * MASK_RASTERS)
    return (
        ("film product", f"about {rows} x {columns} pixels, {film_bytes / 1e6:.0f} MB before compression"),
        ("map products", f"{map_bytes / 1e6:.0f} MB before compression and overviews"),
    )
