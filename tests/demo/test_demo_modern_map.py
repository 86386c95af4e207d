"""The modern map shows the frame's ground where it is, under its own Sun, at its own pixel, seen from above."""

from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from calib_demo.catalogue import scenario
from calib_demo.modern_map import ModernMap, modern_map, write_modern_map
from calib_demo.truth import Truth
from scipy import ndimage

OWN_SUN = scenario("small").sun.subsolar_deg
OTHER_SIDE = (137.2 - 55.0, -1.2)


@pytest.fixture(scope="module")
def truth(shrunk) -> Truth:  # type: ignore[no-untyped-def]
    made: Truth = shrunk("small")
    return made


def places(values: np.ndarray, transform, crs: str) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[no-untyped-def]
    """Longitude and latitude of pixel centres."""
    rows, columns = values.shape
    x, y = np.meshgrid(
        transform.c + transform.a * (np.arange(columns) + 0.5), transform.f + transform.e * (np.arange(rows) + 0.5)
    )
    to_map = pyproj.Transformer.from_crs(pyproj.CRS(crs).geodetic_crs, crs, always_xy=True)
    lon, lat = to_map.transform(x, y, direction="INVERSE")
    return np.asarray(lon), np.asarray(lat)


def fine(picture: np.ndarray) -> np.ndarray:
    return picture - ndimage.gaussian_filter(picture, 8.0)


def likeness(a: np.ndarray, b: np.ndarray) -> float:
    known = np.isfinite(a + b)
    return float(np.corrcoef(a[known], b[known])[0, 1])


@pytest.fixture(scope="module")
def own(truth: Truth):  # type: ignore[no-untyped-def]
    return modern_map(truth, ModernMap(OWN_SUN, 1.1, noise=0.0, margin=0.02))


@pytest.fixture(scope="module")
def other(truth: Truth):  # type: ignore[no-untyped-def]
    return modern_map(truth, ModernMap(OTHER_SIDE, 1.1, noise=0.0, margin=0.02))


def test_under_the_same_sun_it_is_the_frames_ground_in_its_place(truth: Truth, own) -> None:  # type: ignore[no-untyped-def]
    """It agrees with the truth's reflectance at its own longitudes and latitudes, and a pixel beside it does not."""
    values, transform, crs = own
    true = truth.reflectance_of(*places(values, transform, crs))
    inside = ndimage.binary_erosion(np.isfinite(true), iterations=24)
    a, b = (np.where(inside, fine(np.nan_to_num(picture)), np.nan) for picture in (values, true))
    assert likeness(a, b) > 0.97
    assert likeness(np.roll(a, 1, axis=1), b) < 0.95
    assert likeness(np.roll(a, -1, axis=0), b) < 0.95


def test_under_the_opposite_sun_relief_is_inside_out(own, other) -> None:  # type: ignore[no-untyped-def]
    a, b = (np.where(np.isfinite(p), fine(np.nan_to_num(p)), np.nan)[150:-150, 150:-150] for p in (own[0], other[0]))
    assert likeness(a, b) < -0.3


def test_larger_pixels_are_means_of_the_ground_in_them(truth: Truth, other) -> None:  # type: ignore[no-untyped-def]
    one, place, _ = other
    four, wide, _ = modern_map(truth, ModernMap(OTHER_SIDE, 4.4, noise=0.0, margin=0.02))
    assert (wide.c, wide.f) == pytest.approx((place.c, place.f))
    rows, columns = (n // 4 for n in one.shape)
    mean = one[: 4 * rows, : 4 * columns].reshape(rows, 4, columns, 4).mean(axis=(1, 3))
    known = np.isfinite(mean) & np.isfinite(four[:rows, :columns])
    assert known.mean() > 0.5
    assert np.std((mean - four[:rows, :columns])[known]) < 0.15 * np.std(mean[known])


def test_it_reaches_beyond_the_frame_and_ends_in_nothing(truth: Truth) -> None:
    values, transform, crs = modern_map(truth, ModernMap(OTHER_SIDE, 5.0, margin=0.4))
    true = truth.reflectance_of(*places(values, transform, crs))
    assert (np.isfinite(values) & np.isnan(true)).sum() > 0.5 * np.isfinite(true).sum()
    assert np.isfinite(values[np.isfinite(true)]).all()
    assert not np.isfinite(values).all()


def test_the_file_is_georeferenced_and_the_same_every_time(truth: Truth, tmp_path: Path) -> None:
    wanted = ModernMap(OTHER_SIDE, 4.0, margin=0.02, crs="+proj=stere +lat_0=-11 +lon_0=137 +R=1737400 +units=m")
    for name in ("a.tif", "b.tif"):
        write_modern_map(truth, wanted, tmp_path / name)
    with rasterio.open(tmp_path / "a.tif") as file:
        assert (file.count, file.dtypes[0], file.transform.a) == (1, "float32", 4.0)
        assert pyproj.CRS(file.crs.to_wkt()).ellipsoid.semi_major_metre == 1737400.0
        assert np.isnan(file.nodata)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()


def test_near_a_pole_the_map_is_polar(shrunk) -> None:  # type: ignore[no-untyped-def]
    polar: Truth = shrunk("polar-terrain")
    values, transform, crs = modern_map(polar, ModernMap((-81.0, 1.2), 12.0, noise=0.0, margin=0.02))
    assert crs == "IAU_2015:30130"
    true = polar.reflectance_of(*places(values, transform, crs))
    assert likeness(values, true) > 0.6
