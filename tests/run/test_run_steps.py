"""The job in Python: lazy, labelled, and the same numbers as the products on disk."""

import re
from collections.abc import Callable
from importlib.metadata import version

import numpy as np
import pytest
import rasterio
from rounded import rounded_by_sigma

import calib
from calib.quality import BITS

IMAGE = calib.on_film(np.ones((4, 4)), 0.01)


def test_film_and_map_are_lazy_and_equal_the_products(calibrated) -> None:  # type: ignore[no-untyped-def]
    """The products are the same numbers, rounded by their own sigma."""
    fits, out = calibrated.result.fits, calibrated.result.out
    film, lunar = calib.film_frame(fits), calib.lunar_map(fits)
    assert all(hasattr(layer.data, "dask") for layer in (*film.data_vars.values(), *lunar.data_vars.values()))
    for data, name, path in ((film, "density", "film/density.tif"), (lunar, "reflectance", "map/reflectance.tif")):
        with rasterio.open(out / path) as file:
            expected = rounded_by_sigma(data[name].values, data.sigma.values)
            assert np.array_equal(expected, file.read(1), equal_nan=True)
            x, y = file.xy(3, 5)
        assert np.isclose(float(data.x[5]), x)
        assert np.isclose(float(data.y[3]), y)


def test_units_stand_with_the_numbers(calibrated) -> None:  # type: ignore[no-untyped-def]
    film, lunar = calib.film_frame(calibrated.result.fits), calib.lunar_map(calibrated.result.fits)
    assert film.x.attrs["units"] == "mm"
    assert lunar.x.attrs["units"] == "m"
    assert "crs_wkt" in lunar.attrs
    assert lunar.reflectance.attrs["units"] == "1"
    assert all("long_name" in layer.attrs for layer in (*film.variables.values(), *lunar.variables.values()))


def test_the_mask_of_quality_tells_its_bits_as_cf_has_it(calibrated) -> None:  # type: ignore[no-untyped-def]
    """CF conventions 1.11, section 3.5: flag_masks and flag_meanings, the masks in the type of the data."""
    for data in (calib.film_frame(calibrated.result.fits), calib.lunar_map(calibrated.result.fits)):
        masks, meanings = (data.quality.attrs[name] for name in ("flag_masks", "flag_meanings"))
        assert masks.dtype == data.quality.dtype
        assert dict(zip(masks.tolist(), meanings.split(), strict=True)) == {bit.value: bit.name for bit in BITS}


def test_a_frame_is_opened_by_its_folder(calibrated) -> None:  # type: ignore[no-untyped-def]
    frame = calib.open_frame(calibrated.package)
    assert frame.name == calibrated.result.fits.frame.name
    assert len(frame.strips) == len(calibrated.truth.strips)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: calib.fit("frame.toml"), "frame: found str, expected a frame, as calib.open_frame gives it"),
        (lambda: calib.film_frame("frame.toml"), "fits: found str, expected the fits of a frame"),
        (lambda: calib.lunar_map(None), "fits: found NoneType, expected the fits of a frame"),
        (lambda: calib.on_film([[1.0]], 0.01), "values: found list, expected an array"),
        (lambda: calib.reflectance_of_image(IMAGE, {}), "described: found dict, expected a calib.frame.standalone.De"),
        (lambda: calib.image_to_map(IMAGE, {}, None, None), "described: found dict, expected a calib.frame.standalone"),
    ],
)
def test_an_argument_of_the_wrong_type_is_named(call: Callable[[], object], said: str) -> None:
    """`calib.fit` of a path once failed with an AttributeError from deep inside."""
    with pytest.raises(TypeError, match=re.escape(said)):
        call()


def test_the_names_of_the_package_are_listed_and_there() -> None:
    """They are loaded when they are first used; completion and `help` see them before."""
    assert set(calib.__all__) <= set(dir(calib))
    assert all(callable(getattr(calib, name)) for name in calib.__all__)
    assert calib.__version__ == version("calib")
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        calib.nothing  # noqa: B018  # asking is what is tried
