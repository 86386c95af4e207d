"""A density image to reflectance: plain, labelled, in blocks; only the curve and a factor are applied."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr

from calib.light.curve import exposure_of, film_curve
from calib.light.image import reflectance_image

CURVE = film_curve((-3.0, -2.0, -1.0, 0.0), (0.2, 0.5, 1.4, 2.0))
IMAGE = np.linspace(0.1, 2.1, 60 * 40).reshape(60, 40)


def test_reflectance_is_exposure_times_factor_and_nan_beyond_the_curve() -> None:
    factor = np.linspace(0.5, 0.7, 40)
    found = reflectance_image(IMAGE, CURVE, factor)
    inside = (IMAGE >= 0.2) & (IMAGE <= 2.0)
    np.testing.assert_array_equal(np.isfinite(found), inside)
    np.testing.assert_allclose(found, exposure_of(CURVE, IMAGE) * factor, rtol=1e-15)
    assert reflectance_image(np.array([0.5, 1.4]), CURVE, 10.0) == pytest.approx([0.1, 1.0], rel=1e-12)


def test_single_precision_stays_single() -> None:
    single = IMAGE.astype(np.float32)
    found = reflectance_image(single, CURVE, 1.0)
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, exposure_of(CURVE, single), rtol=1e-7)


def test_a_labelled_image_keeps_its_labels() -> None:
    density = xr.DataArray(
        IMAGE, dims=("y", "x"), coords={"y": np.arange(60.0)}, attrs={"film": "a", "units": "density"}, name="density"
    )
    found = reflectance_image(density, CURVE, 2.0)
    assert found.name == "reflectance"
    assert found.attrs == {"film": "a", "units": "1", "long_name": "radiance factor"}
    np.testing.assert_array_equal(found["y"], density["y"])
    np.testing.assert_array_equal(found.values, reflectance_image(IMAGE, CURVE, 2.0))


def test_blocks_change_no_bit_and_stay_lazy() -> None:
    whole = reflectance_image(IMAGE, CURVE, 2.0)
    for chunks in ((7, 40), (60, 13)):
        blocks = xr.DataArray(da.from_array(IMAGE, chunks), dims=("y", "x"))
        found = reflectance_image(blocks, CURVE, 2.0)
        assert isinstance(found.data, da.Array)
        np.testing.assert_array_equal(found.values, whole)
