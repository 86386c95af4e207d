"""The value types of tone, and density windows made with them."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.quality import DROPOUT, HIGH_DENSITY, LOW_DENSITY
from calib.tone.apply import density_window, quality_of_dn
from calib.tone.dropouts import Dropouts
from calib.tone.known_film import groups_of
from calib.tone.model import PatchTable, StripTone


def tone(rising: bool = True, **changed: object) -> StripTone:
    table = np.linspace(0, 2.55, 256, dtype=np.float32) if rising else np.linspace(2.55, 0, 256, dtype=np.float32)
    parts = {
        "density_of_dn": table,
        "dn_span": (10, 240),
        "rising": rising,
        "column_density": np.array([0.1, -0.1, 0.0]),
        "line_density": np.array([0.02, 0.0, -0.02, 0.0]),
        "noise_density": np.full(256, 0.03, dtype=np.float32),
        "curve_sigma": np.full(256, 0.001, dtype=np.float32),
        "column_sigma": np.zeros(3),
        "line_sigma": np.zeros(4),
    }
    return StripTone(**(parts | changed))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"density_of_dn": np.zeros(100, np.float32)}, r"shape \(256,\) or \(65536,\), not \(100,\)"),
        ({"noise_density": np.zeros(65536, np.float32)}, "noise_density must have the shape of density_of_dn"),
        ({"column_density": np.array([0.0, np.nan, 0.0])}, "column_density must be finite"),
        ({"dn_span": (10, 256)}, "dn_span must lie within the table"),
        ({"dn_span": (20, 10)}, "dn_span must lie within the table"),
    ],
)
def test_a_tone_that_makes_no_sense_is_refused(changed: dict[str, object], message: str) -> None:
    """Wrong shapes, NaN and spans off the table are named at once, not found pixels later."""
    with pytest.raises(ValueError, match=message):
        tone(**changed)  # type: ignore[arg-type]


def test_patch_rows_must_be_of_one_length() -> None:
    """A table with a short column is refused."""
    columns = {name: np.zeros(2) for name in PatchTable.__dataclass_fields__ if name != "reason"}
    with pytest.raises(ValueError, match="dn must have 2 rows, not 3"):
        PatchTable(**(columns | {"dn": np.zeros(3)}), reason=("", ""))  # type: ignore[arg-type]


@pytest.mark.parametrize("rising", [True, False])
def test_bits_beyond_the_span_say_which_end_of_density_it_is(rising: bool) -> None:
    """Low DN are low density where density rises with DN, and high density where it falls."""
    quality = quality_of_dn(tone(rising))
    below, above = (LOW_DENSITY, HIGH_DENSITY) if rising else (HIGH_DENSITY, LOW_DENSITY)
    assert (quality[:10] == below).all()
    assert (quality[10:241] == 0).all()
    assert (quality[241:] == above).all()


@given(st.integers(0, 4), st.integers(0, 4), st.sampled_from([slice(None), slice(0, 1), slice(1, 3), slice(2, 3)]))
def test_a_window_is_a_part_of_the_whole(first: int, stop: int, samples: slice) -> None:
    """The same samples give the same density, sigma and bits whatever window they are read in."""
    first, stop = min(first, stop), max(first, stop)
    dn = np.arange(12, dtype=np.uint8).reshape(4, 3) * 22
    raster = SimpleNamespace(read=lambda a, b: dn[a:b])
    lost = Dropouts(np.array([[1, 0, 2]], dtype=np.int32), 4, 3)
    whole = density_window(raster, tone(), lost, 0, 4)  # type: ignore[arg-type]
    part = density_window(raster, tone(), lost, first, stop, samples)  # type: ignore[arg-type]
    np.testing.assert_array_equal(part.density, whole.density[first:stop, samples])
    np.testing.assert_array_equal(part.sigma, whole.sigma[first:stop, samples])
    np.testing.assert_array_equal(part.quality, whole.quality[first:stop, samples])
    assert (whole.quality[1, :2] & DROPOUT).all()
    assert whole.density[2, 1] == pytest.approx(dn[2, 1] / 100 + 0.1 + 0.02, abs=1e-6)


def test_patches_at_both_ends_are_two_groups_whatever_their_order() -> None:
    """A wedge in two parts is searched in two parts."""
    y_mm = np.array([[5.0, 5.2], [-5.0, -4.8], [5.2, 5.4], [-4.8, -4.6]])
    np.testing.assert_array_equal(groups_of(y_mm), [1, 0, 1, 0])
