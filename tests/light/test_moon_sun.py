"""Where the Sun stands over the Moon: against published values and two libraries that share nothing with erfa."""

from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone
from importlib import resources
from itertools import pairwise

import astronomy
import erfa
import numpy as np
import pytest
from check_tables import rows_of
from skyfield.api import load, load_file
from skyfield.jpllib import SpiceKernel
from skyfield.timelib import Time

from calib import moon
from calib.errors import CalibError

EPOCHS = rows_of("subsolar")
ORIENTATIONS = rows_of("orientation")


def utc_of(jd_tt: float) -> datetime:
    """The instant of universal time of a terrestrial Julian date."""
    utc = erfa.taiutc(*erfa.tttai(jd_tt, 0.0))
    year, month, day, clock = erfa.d2dtf("UTC", 6, *utc)
    return datetime(year, month, day, *(int(clock[part]) for part in "hms"), int(clock["f"]), UTC)


def sun_altitude(jd_tt: float, lon_deg: float, lat_deg: float) -> float:
    sun = moon.subsolar_point(utc_of(jd_tt))
    lat, sun_lat = np.radians([lat_deg, sun.lat_deg])
    away = np.radians(lon_deg - sun.lon_deg)
    return np.degrees(np.arcsin(np.sin(lat) * np.sin(sun_lat) + np.cos(lat) * np.cos(sun_lat) * np.cos(away)))


def test_radius_is_the_published_one() -> None:
    """Archinal et al. 2018."""
    assert moon.RADIUS_KM == 1737.4


@pytest.mark.parametrize("row", ORIENTATIONS, ids=lambda row: row["epoch_tdb"])
def test_orientation_is_the_published_series(row: dict[str, str]) -> None:
    axes = moon.orientation(float(row["jd_tdb"]) - 2451545.0)
    assert axes.pole_ra_deg == pytest.approx(float(row["pole_ra_deg"]), abs=1e-6)
    assert axes.pole_dec_deg == pytest.approx(float(row["pole_dec_deg"]), abs=1e-6)
    assert axes.meridian_deg % 360.0 == pytest.approx(float(row["meridian_mod_360_deg"]), abs=1e-6)


@pytest.mark.parametrize("row", EPOCHS, ids=lambda row: row["epoch_tt"])
def test_subsolar_point_of_the_same_series(row: dict[str, str]) -> None:
    """1e-4 deg: the table's ephemeris and erfa's agree to 1e-5; the clock reading is a microsecond."""
    sun = moon.subsolar_point(utc_of(float(row["jd_tt"])))
    assert sun.lon_deg == pytest.approx(float(row["lon_deg"]), abs=1e-4)
    assert sun.lat_deg == pytest.approx(float(row["lat_deg"]), abs=1e-4)
    assert sun.distance_au * erfa.DAU / 1e3 == pytest.approx(float(row["distance_km"]), abs=20.0)


@pytest.mark.parametrize("row", EPOCHS, ids=lambda row: row["epoch_tt"])
def test_subsolar_point_of_integrated_librations(row: dict[str, str]) -> None:
    """What the contract promises, 0.005 deg, against librations that were integrated and not developed in a series."""
    sun = moon.subsolar_point(utc_of(float(row["jd_tt"])))
    assert sun.lon_deg == pytest.approx(float(row["libration_lon_deg"]), abs=0.005)
    assert sun.lat_deg == pytest.approx(float(row["libration_lat_deg"]), abs=0.005)


@pytest.mark.parametrize("row", EPOCHS, ids=lambda row: row["epoch_tt"])
def test_the_earth_stands_where_the_librations_put_it(row: dict[str, str]) -> None:
    """Sub-Earth point seen from the geocentre: the Moon, and its axes, as the light left them 1.3 s before."""
    jd = float(row["jd_tt"])
    light_days = np.linalg.norm(erfa.moon98(jd, 0.0)["p"]) * erfa.AULT / erfa.DAYSEC
    toward_earth = -erfa.moon98(jd, -light_days)["p"]
    x, y, z = moon.rotation_to_moon(jd - light_days - 2451545.0) @ toward_earth
    assert np.degrees(np.arctan2(y, x)) == pytest.approx(float(row["earth_lon_deg"]), abs=0.001)
    assert np.degrees(np.arctan2(z, np.hypot(x, y))) == pytest.approx(float(row["earth_lat_deg"]), abs=0.001)


def test_the_sun_over_a_crater() -> None:
    """Meeus 1998, Astronomical Algorithms, examples 53.a to 53.c: 1992 April 12, a crater at 20 W, 9.7 N."""
    sun = moon.subsolar_point(utc_of(2448724.5))
    assert sun.lon_deg == pytest.approx(67.90, abs=0.01)
    assert sun.lat_deg == pytest.approx(1.46, abs=0.012)
    assert sun_altitude(2448724.5, -20.0, 9.7) == pytest.approx(2.318, abs=0.005)
    sunrise = 2448724.5 - 12.0 + 11.80692
    assert sun_altitude(sunrise - 0.0005, -20.0, 9.7) < 0.0 < sun_altitude(sunrise + 0.0005, -20.0, 9.7)


def sun_by_other_libraries(moment: Time, kernel: SpiceKernel) -> tuple[float, float, float]:
    """Sub-solar longitude and latitude (deg), distance (au): no code of erfa's in it.

    skyfield places the Sun, with its own light time and aberration (ephemeris of Folkner et al. 2009);
    astronomy-engine turns the axes.
    """
    seen = kernel["moon"].at(moment).observe(kernel["sun"])
    direction = seen.apparent().position.au
    axes = astronomy.RotationAxis(astronomy.Body.Moon, astronomy.Time.FromTerrestrialTime(moment.tt - 2451545.0))
    pole = np.array([axes.north.x, axes.north.y, axes.north.z])
    node = np.cross([0.0, 0.0, 1.0], pole)
    node /= np.linalg.norm(node)
    lon = np.degrees(np.arctan2(direction @ np.cross(pole, node), direction @ node)) - axes.spin
    return lon, np.degrees(np.arcsin(direction @ pole / np.linalg.norm(direction))), float(seen.distance().au)


def test_other_libraries_agree_from_1960_to_1980() -> None:
    """250 dates. 2e-4 deg: skyfield is given the clock reading as rotation time (UT1), whose table is independent
    of the leap seconds; the two scales are kept within 0.9 s, 1.3e-4 deg of longitude."""
    timescale = load.timescale(builtin=True)
    with closing(load_file(str(resources.files("skyfield_data") / "data" / "de421.bsp"))) as kernel:
        for days in np.linspace(0.0, 365.25 * 20, 250):
            time = datetime(1960, 1, 2, tzinfo=UTC) + timedelta(days=days)
            seconds = time.second + time.microsecond * 1e-6
            moment = timescale.ut1(time.year, time.month, time.day, time.hour, time.minute, seconds)
            lon, lat, distance = sun_by_other_libraries(moment, kernel)
            sun = moon.subsolar_point(time)
            assert (lon - sun.lon_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=2e-4)
            assert sun.lat_deg == pytest.approx(lat, abs=2e-4)
            assert sun.distance_au == pytest.approx(distance, abs=2e-7)


def test_the_point_is_apparent_not_geometric() -> None:
    """Aberration by the Moon's motion moves the point by 0.0057 deg of longitude: more than is promised."""
    jd = 2441105.0
    earth, _ = erfa.epv00(jd, 0.0)
    geometric = moon.rotation_to_moon(jd - 2451545.0) @ -(earth["p"] + erfa.moon98(jd, 0.0)["p"])
    lon = np.degrees(np.arctan2(geometric[1], geometric[0]))
    assert lon - moon.subsolar_point(utc_of(jd)).lon_deg == pytest.approx(0.0057, abs=0.0004)


def test_terrestrial_time_counts_the_leap_seconds() -> None:
    """TT - UTC (Bulletin C of the Earth rotation service): 32.184 s + 10 at the start of 1972, + 11 from 1 July."""
    for month, expected in ((1, 42.184), (7, 43.184)):
        day, fraction = moon.terrestrial_time(datetime(1972, month, 1, tzinfo=UTC))
        utc = erfa.dtf2d("UTC", 1972, month, 1, 0, 0, 0.0)
        assert ((day - utc[0]) + (fraction - utc[1])) * 86400.0 == pytest.approx(expected, abs=1e-4)


def test_time_zones_name_the_same_instant() -> None:
    at = datetime(1971, 6, 2, 11, 42, 7, 250000, UTC)
    assert moon.subsolar_point(at) == moon.subsolar_point(at.astimezone(timezone(timedelta(hours=9))))


def test_the_point_moves_smoothly_through_the_antimeridian() -> None:
    """Longitudes stay in [-180, 180) and fall by 12.2 deg a day wherever they are."""
    times = [datetime(1971, 6, 1, tzinfo=UTC) + timedelta(hours=6 * n) for n in range(120)]
    lons = [moon.subsolar_point(time).lon_deg for time in times]
    assert min(lons) >= -180.0
    assert max(lons) < 180.0
    assert min(lons) < -176.0
    assert max(lons) > 176.0
    for before, after in pairwise(lons):
        assert (after - before + 180.0) % 360.0 - 180.0 == pytest.approx(-3.05, abs=0.1)


def test_a_year_to_come_needs_no_leap_seconds_and_no_warning() -> None:
    assert 0.98 < moon.subsolar_point(datetime(2060, 1, 1, tzinfo=UTC)).distance_au < 0.99


@pytest.mark.parametrize(
    ("time", "message"),
    [
        (datetime(1971, 6, 2), "1971-06-02T00:00:00: found no time zone, expected universal time"),
        (datetime(1959, 12, 31, tzinfo=UTC), "expected a year from 1960 to 2099"),
        (datetime(2100, 1, 1, tzinfo=UTC), "expected a year from 1960 to 2099"),
    ],
)
def test_times_without_an_answer_are_refused(time: datetime, message: str) -> None:
    with pytest.raises(CalibError, match=message):
        moon.subsolar_point(time)
