"""The stand-alone calls in Python: what is no image is said in one line, and no label is taken for another."""

import tracemalloc
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import rasterio
import xarray as xr
from affine import Affine
from alone import ALONE

import calib
from calib.errors import InputError
from calib.frame.standalone import DensityImageDescription, MappedImageDescription, read_alone
from calib.run.image.labelled import read_image
from calib.run.image.unband import unband_file

IMAGE = calib.on_film(np.linspace(0.3, 1.5, 48).reshape(6, 8), 0.5)
UNEVEN = IMAGE.assign_coords(x=IMAGE.x.to_numpy() ** 3)

WRONG = [
    (IMAGE.to_numpy(), TypeError, "must be labelled, as calib.on_film makes it, not ndarray"),
    (IMAGE.astype(complex), TypeError, "must hold real numbers, not complex128"),
    (IMAGE.rename(x="sample"), ValueError, "must have the dimensions y and x, not y, sample"),
    (IMAGE.expand_dims("band"), ValueError, "must have the dimensions y and x, not band, y, x"),
    (IMAGE.drop_vars("x"), ValueError, "must have two coordinates x or more"),
    (IMAGE[:1], ValueError, "must have two coordinates y or more"),
    (UNEVEN, ValueError, "coordinates x must be evenly spaced"),
    (IMAGE.assign_coords(y=np.full(6, np.nan)), ValueError, "coordinates y must be evenly spaced"),
    (IMAGE.assign_coords(y=np.zeros(6)), ValueError, "coordinates y must be evenly spaced"),
]


@pytest.mark.parametrize(("image", "error", "said"), WRONG, ids=[case[2] for case in WRONG])
def test_what_is_no_image_on_the_film_is_said_in_one_line(image: xr.DataArray, error: type, said: str) -> None:
    """Before anything is asked of the description."""
    for call in (lambda: calib.reflectance_of_image(image, None), lambda: calib.image_to_map(image, None, None, None)):
        with pytest.raises(error, match=f"{said}[^\\n]*$"):
            call()


@pytest.mark.parametrize(
    ("image", "error", "said"),
    [
        (np.ones((2, 40, 40)), ValueError, "two dimensions, not 3"),
        (np.ones((40, 40), complex), TypeError, "real numbers, not complex128"),
        ("a file", ValueError, "two dimensions, not 0"),
    ],
)
def test_what_is_no_image_is_not_freed_of_banding(image: np.ndarray, error: type, said: str) -> None:
    """The imaginary part was dropped, and xarray spoke of dimensions on data and dims."""
    with pytest.raises(error, match=said):
        calib.unband(image)


@pytest.mark.parametrize("as_float", [True, False])
def test_a_file_is_freed_of_banding_as_its_values_are_and_never_held_whole(tmp_path: Path, as_float: bool) -> None:
    """A full frame took 35 bytes a pixel. What has no value keeps it, or is said to have none."""
    chance = np.random.default_rng(8)
    image = chance.normal(1000, 50, (2400, 700)) + chance.normal(0, 20, 700)
    image = np.rint(image).astype(np.uint16)
    image[300:500, 100:200] = 0
    kind = {"driver": "GTiff", "dtype": "uint16", "nodata": 0, "transform": Affine.scale(2)}
    with rasterio.open(tmp_path / "b.tif", "w", height=2400, width=700, count=1, **kind) as file:
        file.write(image, 1)
    tracemalloc.start()
    found = unband_file(tmp_path / "b.tif", tmp_path / "u.tif", tmp_path / "p.tif", period=None, as_float=as_float)
    assert tracemalloc.get_traced_memory()[1] < image.nbytes
    tracemalloc.stop()
    whole = calib.unband(image, mask=image != 0)
    np.testing.assert_array_equal(found.pattern, whole.pattern)
    with rasterio.open(tmp_path / "u.tif") as file:
        made, expected = file.read(1), whole.image.to_numpy()
    if as_float:
        np.testing.assert_array_equal(made, expected.astype(np.float32))
    else:
        np.testing.assert_array_equal(made, np.where(image == 0, 0, np.rint(expected)))


def test_a_mask_of_another_shape_is_said() -> None:
    with pytest.raises(ValueError, match=r"mask must have the image's shape \(40, 50\), not \(50, 40\)"):
        calib.unband(np.ones((40, 50)), mask=np.ones((50, 40), bool))


@pytest.mark.parametrize(("values", "size"), [(np.ones(5), 0.1), (np.ones((5, 5)), 0.0), (np.ones((5, 5)), np.nan)])
def test_an_array_is_put_on_the_film_if_it_is_an_image(values: np.ndarray, size: float) -> None:
    with pytest.raises(ValueError, match="must"):
        calib.on_film(values, size)


def test_an_image_lies_where_its_labels_say_in_whatever_order_they_stand(tmp_path: Path) -> None:
    """Columns were taken for rows where x is the first dimension."""
    path = tmp_path / "image.toml"
    path.write_text(ALONE)
    described, _ = read_alone(path, MappedImageDescription)
    image = calib.on_film(np.random.default_rng(1).random((60, 100)), 0.2)
    upright, turned = (calib.image_to_map(each, described, path, None) for each in (image, image.transpose("x", "y")))
    assert np.isfinite(upright).any()
    xr.testing.assert_identical(upright, turned)


def stored(path: Path, values: np.ndarray, **told: object) -> Path:
    """A raster (bands, rows, columns) whose pixels of 0.1 mm lie about the middle of the format."""
    bands, rows, columns = values.shape
    place = Affine(0.1, 0.0, -0.05 * columns, 0.0, 0.1, -0.05 * rows)
    shape = {"count": bands, "height": rows, "width": columns, "dtype": values.dtype.name}
    with rasterio.open(path, "w", driver="GTiff", transform=place, nodata=told.get("nodata"), **shape) as file:
        file.write(values)
        file.scales, file.offsets = [told.get("scale", 1.0)] * bands, [told.get("offset", 0.0)] * bands
    return path


def test_a_raster_is_what_its_values_stand_for(tmp_path: Path) -> None:
    """No-data of -9999 was smeared into the map about it, and thousandths were taken for whole densities."""
    values = np.arange(1000, 1040, dtype=np.int16).reshape(1, 5, 8)
    values[0, 2, 3] = -9999
    path = stored(tmp_path / "i.tif", values, nodata=-9999, scale=0.001, offset=0.25)
    for image in (read_image(path, None), read_image(path, 0.1)):
        found = image.to_numpy()
        assert np.isnan(found[2, 3])
        np.testing.assert_allclose(
            np.delete(found.ravel(), 19), np.delete(values.ravel(), 19) * 0.001 + 0.25, rtol=1e-6
        )


@pytest.mark.parametrize(
    ("values", "said"),
    [(np.ones((3, 4, 5), np.uint8), "3 bands"), (np.ones((1, 4, 5), np.complex64), "complex numbers")],
)
def test_of_what_is_no_single_picture_nothing_is_guessed(values: np.ndarray, said: str, tmp_path: Path) -> None:
    """Of a picture in colours the red was taken, and complex numbers ended in a traceback."""
    with pytest.raises(InputError, match=f"{said}, expected one band of real numbers"):
        read_image(stored(tmp_path / "i.tif", values), None)


def test_what_no_raster_library_reads_is_named_once(tmp_path: Path) -> None:
    """The library's own sentence names the file, too; with a long path the line ended before it said what is wrong."""
    path = tmp_path / ("a_long_name" * 8 + ".tif")
    path.write_text("no raster")
    unband = partial(unband_file, path, tmp_path / "out.tif", tmp_path / "pattern.tif", period=None, as_float=False)
    for read in (unband, partial(read_image, path, None)):
        with pytest.raises(InputError, match=r"tif: found a file not recognized .* format, expected a raster"):
            read()


def test_film_beyond_the_format_has_no_reflectance(tmp_path: Path) -> None:
    """No light of the Moon fell there, and a fall-off that is stated for the format may be below nought: so were values
    of unexposed film, silently."""
    how = tmp_path / "how.toml"
    how.write_text(
        "shutter_s = 0.02\nsun = { subsolar_deg = [0.0, 0.0], distance_au = 1.0 }\n"
        "characteristic = { log_exposure = [-1.5, 0.0, 1.5], density = [0.2, 1.1, 2.1] }\n"
        "camera = { focal_length_mm = 80.0, principal_point_mm = [0.0, 0.0], format_mm = [4.0, 2.0], f_number = 4.0, "
        "transmittance = 0.8, falloff = [-0.15, 0.0] }\n"
    )
    made = calib.reflectance_of_image(
        calib.on_film(np.full((30, 60), 1.0, np.float32), 0.1), read_alone(how, DensityImageDescription)[0]
    )
    within = (np.abs(made.x) < 2.0) & (np.abs(made.y) < 1.0)
    np.testing.assert_array_equal(np.isfinite(made), within.transpose("y", "x"))
    assert float(made.min()) > 0


def test_an_image_without_its_banding_stands_for_what_it_did(tmp_path: Path) -> None:
    """Scale and offset were lost, so that densities became thousands; what was taken out is a difference."""
    values = np.random.default_rng(2).integers(900, 1100, (1, 64, 64)).astype(np.int16)
    path = stored(tmp_path / "i.tif", values, scale=0.001, offset=0.25)
    unband_file(path, tmp_path / "o.tif", tmp_path / "p.tif", period=None, as_float=False)
    for name, offset in (("o.tif", 0.25), ("p.tif", 0.0)):
        with rasterio.open(tmp_path / name) as file:
            assert (file.scales[0], file.offsets[0]) == (0.001, offset)
