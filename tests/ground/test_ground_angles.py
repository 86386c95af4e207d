"""Incidence, emission and phase of map pixels on the sphere, against PROJ's geodesics and the spherical law of cosines.

Outside values: pyproj.Geod on a sphere (Karney 2013, Algorithms for geodesics, J. Geodesy 87:43) gives arcs and
azimuths; nothing of the toolkit's own vectors or lattices is in them. The subsolar point of one test is that of
astronomy-engine. The bound is that of the products, 0.001 deg.
"""

from datetime import UTC, datetime
from pathlib import Path

import astronomy
import numpy as np
import pyproj
import pytest

from calib.frame.description import MapRequest, Scan
from calib.ground.grid import choose_grid
from calib.ground.locate import block, block_ground, locator
from calib.ground.sphere import moon_to_ground
from calib.moon import SubsolarPoint, subsolar_point
from calib.quality import OUTSIDE

MOON = pyproj.Geod(a=1737400.0, b=1737400.0)
SCAN = Scan(
    strips="s/*.tif", pitch_mm=2.664, first_center_mm=-9.3, first_line_mm=-7.75, line_mm=0.0085, sample_mm=0.009,
    reversed="none", tolerance_mm=0.4,
)  # fmt: skip
NADIR_IN_FRAME = {"tilt": 0.4, "lon": -77.0, "lat": 19.0}
SCENES = {
    "near nadir, low Sun": (NADIR_IN_FRAME, MapRequest(pixel_m=3.0), (-150.0, 1.0)),
    "Sun behind the camera: phase 0 in the frame": (NADIR_IN_FRAME, MapRequest(pixel_m=5.0), (-76.98, 19.01)),
    "oblique": ({"tilt": 50.0, "azimuth": 40.0, "swing": 77.0}, MapRequest(pixel_m=25.0), (-30.0, 1.3)),
    "oblique, phase 0": ({"tilt": 35.0, "azimuth": 270.0}, MapRequest(pixel_m=12.0), (-43.4, 18.9)),
    "limb in view": ({"tilt": 66.0, "azimuth": 250.0, "focal_length_mm": 60.0}, MapRequest(pixel_m=250.0), (0.0, 0.0)),
    "pole": ({"lat": 89.95, "tilt": 2.0}, MapRequest(pixel_m=4.0), (60.0, -1.5)),
    "antimeridian": ({"lon": 179.99, "lat": -60.5}, MapRequest(pixel_m=4.0), (-130.0, 0.5)),
    "whole disc": (
        {"altitude": 4000.0, "focal_length_mm": 20.0, "size_mm": (30.0, 30.0)},
        MapRequest(crs="+proj=ortho +lat_0=10 +lon_0=-70 +R=1737400", pixel_m=4000.0),
        (-60.0, 1.0),
    ),
}  # fmt: skip


def bearing_and_arc(lon, lat, to):
    """Azimuth at places towards one other place, and the arc between them; radians."""
    azimuth, _, metres = MOON.inv(lon, lat, np.full_like(lon, to[0]), np.full_like(lat, to[1]))
    return np.radians(azimuth), metres / 1737400.0


def outside_angles(lon, lat, camera_km, subsolar):
    """Incidence, emission and phase in degrees; the half-angle form of the cosine law keeps its digits near 0."""
    below = moon_to_ground(camera_km)
    distance = np.linalg.norm(camera_km) / 1737.4
    to_sun, incidence = bearing_and_arc(lon, lat, subsolar)
    to_camera, arc = bearing_and_arc(lon, lat, (float(below.lon_deg), float(below.lat_deg)))
    emission = np.arctan2(distance * np.sin(arc), distance * np.cos(arc) - 1.0)
    half = np.sin((incidence - emission) / 2) ** 2
    half += np.sin(incidence) * np.sin(emission) * np.sin((to_sun - to_camera) / 2) ** 2
    return np.degrees([incidence, emission, 2 * np.arcsin(np.sqrt(np.clip(half, 0, 1)))])


@pytest.mark.parametrize("name", SCENES)
def test_angles_of_random_pixels(view, name):
    keys, request, subsolar = SCENES[name]
    seen = view(**keys)
    grid = choose_grid(seen, request, SCAN, Path("frame.toml"))
    where = locator(grid, seen, SubsolarPoint(*subsolar, 1.0), 0.01 * 0.0085)
    worst = np.zeros(3)
    random = np.random.default_rng(8)
    for row in random.choice(max(grid.rows // 128, 1), min(max(grid.rows // 128, 1), 4), replace=False) * 128:
        rows, columns = slice(int(row), int(min(row + 128, grid.rows))), slice(0, grid.columns)
        found, ground = block(where, rows, columns), block_ground(where, rows, columns)
        on = np.flatnonzero((found.quality & OUTSIDE) == 0)
        if on.size == 0:
            continue
        on = random.choice(on, min(on.size, 20000), replace=False)
        lon, lat = ground.lon_deg.ravel()[on], ground.lat_deg.ravel()[on]
        expected = outside_angles(lon, lat, seen.pose.position_km, subsolar)
        angles = np.stack([a.ravel()[on] for a in (found.incidence_deg, found.emission_deg, found.phase_deg)])
        worst = np.maximum(worst, np.abs(angles.astype(np.float32) - expected).max(axis=1))
        if "phase 0" in name and row == 0:
            assert expected[2].min() < 5.0
    assert worst.max() > 0  # some pixels were looked at
    assert worst.max() < 0.001


@pytest.mark.parametrize(
    ("keys", "subsolar", "kink"), [(NADIR_IN_FRAME, (-150.0, 1.0), 1), (NADIR_IN_FRAME, (-76.98, 19.01), 2)]
)
def test_where_an_angle_has_a_kink_pixels_are_worked_out_one_by_one(view, keys, subsolar, kink):
    """Emission below the camera and phase opposite the Sun are cones: at their tips no lattice may cut them."""
    seen = view(**keys)
    grid = choose_grid(seen, MapRequest(pixel_m=5.0), SCAN, Path("frame.toml"))
    where = locator(grid, seen, SubsolarPoint(*subsolar, 1.0), 0.01 * 0.0085)
    found = block(where, slice(0, grid.rows), slice(0, grid.columns))
    angle = (found.incidence_deg, found.emission_deg, found.phase_deg)[kink]
    row, column = np.unravel_index(np.nanargmin(angle), angle.shape)
    assert angle[row, column] < 0.01
    near = np.s_[max(row - 40, 0) : row + 40, max(column - 40, 0) : column + 40]
    ground = block_ground(where, slice(0, grid.rows), slice(0, grid.columns))
    on = np.isfinite(angle[near])
    expected = outside_angles(ground.lon_deg[near][on], ground.lat_deg[near][on], seen.pose.position_km, subsolar)
    assert np.abs(angle[near][on] - expected[kink]).max() < 0.001


def test_incidence_by_the_sun_of_an_almanac(view):
    """From the time of the exposure to the incidence of a pixel, with the Sun of astronomy-engine: to 0.01 deg."""
    when = datetime(1971, 6, 21, 9, 31, 12, 500000, tzinfo=UTC)
    time = astronomy.Time.Parse("1971-06-21T09:31:12.500Z")
    moon, axis = astronomy.HelioVector(astronomy.Body.Moon, time), astronomy.RotationAxis(astronomy.Body.Moon, time)
    to_sun, pole = -np.array([moon.x, moon.y, moon.z]), np.array([axis.north.x, axis.north.y, axis.north.z])
    node = np.cross([0.0, 0.0, 1.0], pole)
    node /= np.linalg.norm(node)
    lon = np.degrees(np.arctan2(to_sun @ np.cross(pole, node), to_sun @ node)) - axis.spin
    almanac = (float(lon), float(np.degrees(np.arcsin(to_sun @ pole / np.linalg.norm(to_sun)))))
    seen = view(lon=137.2, lat=-11.4, tilt=6.0)
    grid = choose_grid(seen, MapRequest(pixel_m=20.0), SCAN, Path("frame.toml"))
    where = locator(grid, seen, subsolar_point(when), 1e-4)
    rows, columns = slice(0, grid.rows), slice(0, grid.columns)
    found, ground = block(where, rows, columns), block_ground(where, rows, columns)
    on = (found.quality & OUTSIDE) == 0
    expected = outside_angles(ground.lon_deg[on], ground.lat_deg[on], seen.pose.position_km, almanac)
    assert np.abs(found.incidence_deg[on] - expected[0]).max() < 0.01
    assert np.abs(found.phase_deg[on] - expected[2]).max() < 0.01
