"""Map projections: published examples, PROJ's codes, edges, the antimeridian, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.coordinates import GroundPoints, MapPoints
from calib.ground.projection import Projection, project, read_projection, unproject
from calib.ground.sphere import up

EQUIRECTANGULAR = "IAU_2015:30110"
KINDS = [
    EQUIRECTANGULAR,
    "IAU_2015:30130",
    "IAU_2015:30120",
    "IAU_2015:30190",
    "+proj=tmerc +lon_0=-75 +R=1737400",
    "+proj=ortho +lat_0=40 +lon_0=-100 +R=1737400",
    "+proj=laea +lat_0=-30 +lon_0=170 +R=1737400",
    "+proj=eqc +lat_ts=18.3 +lon_0=-77.3 +R=1737400 +units=m +no_defs",
]


def points(lon, lat):
    lon, lat = np.atleast_1d(np.asarray(lon, float)), np.atleast_1d(np.asarray(lat, float))
    return GroundPoints(lon, lat, np.zeros(lon.shape))


def made(text):
    projection = read_projection(text)
    assert isinstance(projection, Projection), projection
    return projection


def test_published_examples(published):
    """Snyder (1987), Appendix A: 16 projections, printed to 7 decimals of the radius; both ways.

    The two perspective examples are of the Earth's radius and height and do not scale.
    """
    for row in published("snyder_examples"):
        if row["id"] in ("CART-17", "CART-18"):
            continue
        projection = made(row["proj_string_without_R"] + " +R=1737400")
        lon, lat = float(row["lon_deg_E"]), float(row["lat_deg_N"])
        place = project(projection, points(lon, lat))
        scale = float(row["R_example"]) / 1737400
        found = (place.easting_m[0] * scale, place.northing_m[0] * scale)
        expected = (float(row["x_expected"]), float(row["y_expected"]))
        np.testing.assert_allclose(found, expected, atol=6e-8 * float(row["R_example"]), err_msg=row["id"])
        back = unproject(projection, place)
        np.testing.assert_allclose([back.lon_deg[0], back.lat_deg[0]], [lon, lat], atol=1e-9, err_msg=row["id"])


def test_published_codes(published):
    """33 places in 14 codes against formulas written separately (printed to 1e-4 m)."""
    for row in published("iau2015_codes"):
        place = project(made("IAU_2015:" + row["iau2015_code"]), points(row["lon_deg_E"], row["lat_deg"]))
        expected = float(row["x_independent_m"]), float(row["y_independent_m"])
        np.testing.assert_allclose((place.easting_m[0], place.northing_m[0]), expected, atol=1e-4)


def test_which_maps_have_no_edge():
    assert made(EQUIRECTANGULAR).period == pytest.approx(2 * np.pi * 1737400, abs=1e-6)
    assert made("IAU_2015:30190").period == pytest.approx(2 * np.pi * 1737400, abs=1e-6)
    assert made(KINDS[-1]).period == pytest.approx(2 * np.pi * 1737400 * np.cos(np.radians(18.3)), abs=1e-6)
    assert made("IAU_2015:30100").period == pytest.approx(360)
    assert [made(kind).period for kind in KINDS[1:3] + KINDS[4:7]] == [0] * 5


@given(st.sampled_from(KINDS), st.floats(-180, 180), st.floats(-90, 90))
def test_project_and_back_is_the_same_place(kind, lon, lat):
    """Wherever a projection shows a place, it is found again to a tenth of a millimetre."""
    projection = made(kind)
    place = project(projection, points(lon, lat))
    if not np.isfinite(place.easting_m + place.northing_m).all():
        return
    if np.hypot(place.easting_m, place.northing_m).max() > 1e8:
        return  # a stereographic map of the far pole: no digits are left there
    back = unproject(projection, place)
    if kind == KINDS[2] and (abs(lat) > 89.9999 or abs(lon) > 179.999999):
        return  # the points where a sinusoidal map shrinks or is cut
    # PROJ loses digits at the rim of an orthographic map, and near the equator of a transverse Mercator map
    separation = np.linalg.norm(up(back.lon_deg, back.lat_deg) - up(np.array([lon]), np.array([lat])))
    assert separation * 1737400 < (0.1 if "ortho" in kind or "tmerc" in kind else 1e-4)


@given(st.floats(-540, 540), st.floats(-89, 89), st.integers(-2, 2))
def test_a_turn_around_the_moon_is_the_same_place(lon, lat, turns):
    """On a map without an edge x and x + circumference are one place, also beyond half the circumference."""
    projection = made(EQUIRECTANGULAR)
    place = project(projection, points(lon, lat), near_east=lon * 30323.35)
    assert abs(place.easting_m[0] - lon * 30323.350424149) < 1e-3
    back = unproject(projection, MapPoints(place.easting_m + turns * projection.period, place.northing_m))
    assert (back.lon_deg[0] - lon + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)
    assert back.lat_deg[0] == pytest.approx(lat, abs=1e-9)


def test_off_the_edge_of_the_map_there_is_nothing():
    """Beyond the pole of an equirectangular map, outside an orthographic disc, off the lens of a sinusoidal one."""
    far = MapPoints(np.array([0.0]), np.array([1.6e6 * np.pi]))
    assert np.isnan(unproject(made(EQUIRECTANGULAR), far).lat_deg).all()
    outside = MapPoints(np.array([1.3e6]), np.array([1.3e6]))
    assert np.isnan(unproject(made("IAU_2015:30165"), outside).lat_deg).all()
    beside = MapPoints(np.array([4.0e6]), np.array([2.0e6]))
    assert np.isnan(unproject(made("IAU_2015:30120"), beside).lat_deg).all()


def test_the_far_side_of_an_orthographic_map_is_not_shown():
    place = project(made("IAU_2015:30165"), points(120.0, 0.0))
    assert np.isnan(place.easting_m).all()


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("EPSG:4326", "radii 6378137 m"),
        ("+proj=eqc +R=1738000", "radii 1738000 m"),
        ("+proj=eqc +R=1737400 +units=km", "unit"),
        ("+proj=eqc +R=1737400 +pm=10", "prime meridian at 10"),
        ("nothing at all", "cannot read"),
        ("", "cannot read"),
    ],
)
def test_what_is_not_a_map_of_the_moon_is_refused(text, reason):
    refused = read_projection(text)
    assert isinstance(refused, str)
    assert reason in refused
