"""item.json: checked by the STAC schemas and the library's own readers of the extensions, without a network."""

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pyproj
import pystac
import pytest
from pystac.extensions.classification import ClassificationExtension
from pystac.extensions.file import FileExtension
from pystac.extensions.projection import ProjectionExtension
from pystac.extensions.view import ViewExtension
from pystac.validation import validate_dict

from calib.light.geometry import CenterLight
from calib.products.fits_pointing import PlaceUncertainty
from calib.products.footprint import geojson
from calib.products.stac import Asset, MapItem, MapPlace, write_item
from calib.quality import BITS, OBLIQUE


def known(major: list[float], minor: list[float], azimuth: list[float]) -> PlaceUncertainty:
    """Error ellipses of a centre and corners; those without an ellipse are off the Moon."""
    on = np.isfinite(np.array(major))
    lon, lat = np.where(on, [21.4, 21.2, 0.0], np.nan), np.where(on, [3.1, 3.4, 0.0], np.nan)
    film = np.array([0.0, -10.5, 10.5]), np.array([0.0, -6.0, -6.0])
    ellipses = (np.array(part) for part in (major, minor, azimuth))
    return PlaceUncertainty(("centre", "upper left", "upper right"), *film, lon, lat, *ellipses)


def item(**changes) -> MapItem:
    values = {
        "frame": "tern2-0143",
        "mid_time": datetime(1971, 6, 2, 11, 42, 7, 250000, tzinfo=UTC),
        "footprint_lon_deg": np.array([10.0, 12, 12, 10]),
        "footprint_lat_deg": np.array([5.0, 5, 7, 7]),
        "place": MapPlace(
            pyproj.CRS("IAU_2015:30110").to_wkt(), "IAU_2015:30110", (300, 200), (2.0, 0, 1001.0, 0, -2.0, 5001.0), 2.0
        ),
        "center": CenterLight(65.0, 3.0, 62.0, 271.5),
        "uncertainty": known([312.4567, 401.0, np.nan], [120.0, 130.0, np.nan], [200.0, 17.0, np.nan]),
        "assets": (
            Asset("reflectance", "map/reflectance.tif", "Reflectance", ("data", "reflectance"), unit="1"),
            Asset("quality", "map/quality.tif", "Quality bits", ("metadata", "data-mask"), is_mask=True),
            Asset("fits", "fits.nc", "Fits", ("metadata",)),
        ),
        "version": "0.1.0",
    }
    return MapItem(**values | changes)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "map").mkdir()
    for asset in item().assets:
        (tmp_path / asset.href).write_bytes(asset.key.encode())
    return tmp_path


def written(folder, what: MapItem) -> dict:
    sums = {a.href: hashlib.sha256(a.key.encode()).hexdigest() for a in what.assets}
    write_item(folder / "item.json", what, sums)
    return json.loads((folder / "item.json").read_text())


def judged(table: dict) -> None:
    """Validate by the core schemas, which the library includes. Those of the extensions need a network; the library's
    readers check these (next test)."""
    validate_dict(table | {"stac_extensions": []})


def test_the_core_schema_accepts_the_item_and_would_reject_a_broken_one(folder):
    table = written(folder, item())
    judged(table)
    with pytest.raises(pystac.errors.STACValidationError, match="geometry"):
        judged({key: value for key, value in table.items() if key != "geometry"})
    assert table["stac_version"] == "1.1.0"
    assert table["properties"]["datetime"] == "1971-06-02T11:42:07.250000Z"


def test_the_readers_of_the_extensions_return_the_values(folder):
    read = pystac.Item.from_dict(written(folder, item()))
    # Each reader rejects an item that does not list the exact URL of its schema.
    projection, view = ProjectionExtension.ext(read), ViewExtension.ext(read)
    assert projection.code == "IAU_2015:30110"
    assert projection.shape == [300, 200]
    assert projection.transform == [2.0, 0, 1000.0, 0, -2.0, 5002.0]
    assert projection.bbox == [1000.0, 5002.0 - 600, 1400.0, 5002.0]
    assert pyproj.CRS(projection.wkt2) == pyproj.CRS("IAU_2015:30110")
    assert pyproj.CRS.from_json_dict(projection.projjson) == pyproj.CRS("IAU_2015:30110")
    assert (view.sun_elevation, view.sun_azimuth, view.incidence_angle) == (25.0, 271.5, 3.0)
    said = read.properties  # photometry: incidence is that of the Sun
    assert (said["calib:incidence_angle_deg"], said["calib:emission_angle_deg"]) == (65.0, 3.0)
    file = FileExtension.ext(read.assets["fits"])
    assert file.size == 4
    assert file.checksum == "1220" + hashlib.sha256(b"fits").hexdigest()
    bits = ClassificationExtension.ext(read.assets["quality"]).bitfields
    assert [1 << bit.offset for bit in bits] == [bit.value for bit in BITS]
    assert (bits[-1].name, bits[-1].length, 1 << bits[-1].offset) == ("very_oblique", 1, OBLIQUE)


def test_the_item_has_ellipse_and_body_and_is_reproducible(folder):
    first = written(folder, item())
    content = (folder / "item.json").read_bytes()
    assert written(folder, item()) == first
    assert (folder / "item.json").read_bytes() == content
    assert first["properties"]["calib:position_uncertainty"]["semi_major_m"] == 312.5
    assert first["properties"]["calib:position_uncertainty"]["azimuth_deg"] == 20.0
    assert "not those of the Earth" in first["properties"]["description"]
    assert str(folder) not in content.decode()


def test_corners_have_ellipses_or_are_marked_as_off_the_moon(folder):
    first, second = written(folder, item())["properties"]["calib:corner_uncertainty"]["corners"]
    assert first == {
        "corner": "upper left", "film_mm": [-10.5, -6.0], "on_moon": True, "lon_deg": 21.2, "lat_deg": 3.4,
        "semi_major_m": 401.0, "semi_minor_m": 130.0, "azimuth_deg": 17.0,
    }  # fmt: skip
    assert second == {"corner": "upper right", "film_mm": [10.5, -6.0], "on_moon": False}


def test_a_centre_off_the_moon_has_no_ellipse(folder):
    off = known([np.nan, 401.0, np.nan], [np.nan, 130.0, np.nan], [np.nan, 17.0, np.nan])
    properties = written(folder, item(uncertainty=off))["properties"]
    assert "calib:position_uncertainty" not in properties
    assert [one["on_moon"] for one in properties["calib:corner_uncertainty"]["corners"]] == [True, False]


def test_a_frame_with_its_centre_off_the_moon_and_a_grid_without_a_code(folder):
    bare = item(center=None, uncertainty=None, place=replace(item().place, code=None))
    table = written(folder, bare)
    judged(table)
    assert table["properties"]["proj:code"] is None
    assert "view:sun_elevation" not in table["properties"]
    assert not any("uncertainty" in key for key in table["properties"])


def area(geometry: dict) -> float:
    """Square degrees, by the shoelace formula; positive if every exterior runs counter-clockwise."""
    parts = geometry["coordinates"] if geometry["type"] == "MultiPolygon" else [geometry["coordinates"]]
    total = 0.0
    for (ring,) in parts:
        assert ring[0] == ring[-1]
        x, y = np.array(ring[:-1]).T
        one = 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
        assert one > 0
        total += one
    return total


@pytest.mark.parametrize("west", [10.0, 170.0, 179.0, 190.0, -185.0, 359.0, -181.5])
@pytest.mark.parametrize("backwards", [False, True])
def test_a_footprint_across_the_antimeridian_keeps_its_area(west, backwards):
    lon, lat = np.array([west, west + 2, west + 2, west]), np.array([5.0, 5, 8, 8])
    if backwards:
        lon, lat = lon[::-1], lat[::-1]
    geometry, bbox = geojson((lon + 180) % 360 - 180, lat)
    assert area(geometry) == pytest.approx(6.0)
    west_there, east_there = (west + 180) % 360 - 180, (west + 182) % 360 - 180
    crosses = west_there > east_there > -180
    assert geometry["type"] == ("MultiPolygon" if crosses else "Polygon")
    if crosses:
        assert bbox == [west_there, 5.0, east_there, 8.0]


@pytest.mark.parametrize(("pole", "start"), [(1, 0.0), (-1, 0.0), (1, 100.0), (-1, -180.0)])
def test_a_footprint_round_a_pole_is_closed_along_it(pole, start):
    lon = (start + np.arange(0, 360, 10)) % 360
    geometry, bbox = geojson(lon, np.full(lon.size, pole * 85.0))
    assert area(geometry) == pytest.approx(360 * 5)
    assert bbox == [-180.0, min(pole * 85.0, pole * 90.0), 180.0, max(pole * 85.0, pole * 90.0)]
