"""Every projection of the sphere is an ordinary one: bounds, lattice and places hold anywhere on the Moon.

Five families, each centred near the frame where it has a centre: equirectangular, polar stereographic, transverse
Mercator, orthographic, sinusoidal. Places are drawn everywhere, also on the poles and on the antimeridian.
"""

from pathlib import Path

import numpy as np
import pyproj
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.coordinates import FilmPoints
from calib.frame.description import MapRequest, Scan
from calib.ground.grid import choose_grid, map_to_pixel, pixel_to_map, sample_distance_m, to_map
from calib.ground.locate import block, locator
from calib.ground.region import visible_region
from calib.ground.sphere import moon_to_ground, up
from calib.ground.view import film_to_ground, film_to_moon
from calib.moon import SubsolarPoint
from calib.quality import OUTSIDE

FRAME = Path("frame.toml")
SCAN = Scan(
    strips="s/*.tif", pitch_mm=2.664, first_center_mm=-9.3, first_line_mm=-7.75, line_mm=0.0085, sample_mm=0.009,
    reversed="none", tolerance_mm=0.4,
)  # fmt: skip
SPHERE = "+R=1737400 +units=m +no_defs"
FAMILIES = {
    "equirectangular": lambda lon, lat: "IAU_2015:30110",
    "polar stereographic": lambda lon, lat: "IAU_2015:30130" if lat > 0 else "IAU_2015:30135",
    "transverse Mercator": lambda lon, lat: f"+proj=tmerc +lon_0={lon:.0f} +lat_0={lat:.0f} {SPHERE}",
    "orthographic": lambda lon, lat: f"+proj=ortho +lon_0={lon:.0f} +lat_0={lat:.0f} {SPHERE}",
    "sinusoidal": lambda lon, lat: f"+proj=sinu +lon_0={lon:.0f} {SPHERE}",
}
LON = st.one_of(st.floats(-180, 180), st.sampled_from([-180.0, 180.0, 179.9999, -179.98, 0.0]))
LAT = st.one_of(st.floats(-90, 90), st.sampled_from([90.0, -90.0, 89.99, -89.98, 0.0]))
POSE = {
    "altitude": st.floats(30, 300), "tilt": st.floats(0, 45), "azimuth": st.floats(0, 360), "swing": st.floats(0, 360),
}  # fmt: skip
PROJ_M = 0.1  # what PROJ's spherical transverse Mercator loses near the equator


@settings(max_examples=10)
@given(st.sampled_from(sorted(FAMILIES)), LON, LAT, st.fixed_dictionaries(POSE), st.integers(0, 10**6))
def test_the_map_of_a_frame_holds_it_and_its_pixels_lie_where_they_should(view, family, lon, lat, pose, seed):
    """Bounds hold all the frame shows; edges are whole pixels; a pixel's film place leads back to the pixel.

    On the way back nothing of the map is used but PROJ itself, by another direction than the lattice's.
    """
    seen = view(lon=lon, lat=lat, **pose)
    region = visible_region(seen)
    pixel_m = float(np.round(7 * sample_distance_m(seen, SCAN, region.center), 3))
    middle = moon_to_ground(region.center)
    crs = FAMILIES[family](float(middle.lon_deg), float(middle.lat_deg))
    grid = choose_grid(seen, MapRequest(crs=crs, pixel_m=pixel_m), SCAN, FRAME)
    assert all(abs(edge / pixel_m - round(edge / pixel_m)) < 1e-6 for edge in grid.bounds_m)

    random = np.random.default_rng(seed)
    film = FilmPoints(random.uniform(-10.5, 10.5, 60), random.uniform(-6, 6, 60))
    row, column = map_to_pixel(grid, to_map(grid, film_to_ground(seen, film)))
    assert np.all((row > -0.5 - PROJ_M / pixel_m) & (row < grid.rows - 0.5 + PROJ_M / pixel_m))
    assert np.all((column > -0.5 - PROJ_M / pixel_m) & (column < grid.columns - 0.5 + PROJ_M / pixel_m))

    where = locator(grid, seen, SubsolarPoint(0.0, 0.0, 1.0), 0.01 * SCAN.line_mm)
    at_row = int(np.clip(round(row[0]), 0, grid.rows - 1))
    at_column = int(np.clip(round(column[0]), 0, grid.columns - 1))
    rows = slice(max(at_row - 12, 0), min(at_row + 12, grid.rows))
    columns = slice(max(at_column - 12, 0), min(at_column + 12, grid.columns))
    found = block(where, rows, columns)
    on = (found.quality & OUTSIDE) == 0
    assert on.any()
    r, c = (index[on] for index in np.mgrid[rows, columns])
    places = pixel_to_map(grid, r.astype(float), c.astype(float))
    crs_given = pyproj.CRS.from_user_input(crs)
    to_lonlat = pyproj.Transformer.from_crs(crs_given, crs_given.geodetic_crs, always_xy=True)
    east = places.easting_m
    if grid.projection.period:  # PROJ itself knows one turn only
        east = (east + grid.projection.period / 2) % grid.projection.period - grid.projection.period / 2
    expected = up(*to_lonlat.transform(east, places.northing_m)) * 1737.4
    lies = film_to_moon(seen, FilmPoints(found.film.x_mm[on], found.film.y_mm[on]))
    slack_m = 0.02 * pixel_m + PROJ_M
    assert np.linalg.norm(lies - expected, axis=-1).max() * 1000 < slack_m * 3  # an oblique line stands for up to 3


@settings(max_examples=8)
@given(
    st.sampled_from(sorted(FAMILIES)), st.floats(-175, 175), st.floats(-89, 89), st.integers(1, 40), st.integers(-3, 3)
)
def test_maps_of_neighbouring_frames_stack(view, family, lon, lat, tenths, step):
    """One projection, one pixel: whatever the frames, the same ground lies at whole pixels' distance in both grids.

    (Across the antimeridian of a map without an edge that would take a pixel that divides the Moon's circumference.)
    """
    crs = FAMILIES[family](lon, lat)
    pixel_m = tenths / 10 + 20.0
    first = choose_grid(view(lon=lon, lat=lat), MapRequest(crs=crs, pixel_m=pixel_m), SCAN, FRAME)
    moved = view(lon=lon + step * 0.01, lat=lat, tilt=3.0)
    second = choose_grid(moved, MapRequest(crs=crs, pixel_m=pixel_m), SCAN, FRAME)
    ground = film_to_ground(moved, FilmPoints(np.zeros(1), np.zeros(1)))
    row_1, column_1 = map_to_pixel(first, to_map(first, ground))
    row_2, column_2 = map_to_pixel(second, to_map(second, ground))
    assert abs(row_1[0] - row_2[0] - (first.top - second.top)) < 1e-6
    assert abs(column_1[0] - column_2[0] - (second.left - first.left)) < 1e-6
