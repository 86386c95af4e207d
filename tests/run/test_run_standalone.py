"""The stand-alone calls in Python: what is no image is said in one line, and no label is taken for another."""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from test_run_shutter import ALONE

import calib
from calib.frame.standalone import MappedImageDescription, read_alone

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
