"""A strip's sweep: checks of its tables, and conversion to film and back."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from calib.coordinates import FilmPoints, ScanPoints
from calib.sweep.model import StripSweep, nominal_sweep, to_film, to_scan

STEP_MM = 0.0075


def sweep_of(across, along, x_line, y_sample, reverse):
    """A valid sweep from steps and slow motions in units of the nominal pixel."""
    x = np.cumsum(across) * STEP_MM - 3.0
    y = np.cumsum(along) * STEP_MM - 5.0
    slack = 0.35 * STEP_MM * min(across.min(), along.min())
    return StripSweep(
        x_sample_mm=x,
        x_line_mm=x_line * slack,
        y_line_mm=y[::-1] if reverse else y,
        y_sample_mm=y_sample * slack,
        sigma_x_mm=np.ones(len(y)),
        sigma_y_mm=np.ones(len(y)),
    )


def test_tables_are_copied_and_read_only_and_those_of_another_sweep_are_shared():
    mine = np.arange(4.0)
    locked = mine[:]
    locked.flags.writeable = False
    sweep = StripSweep(locked, *np.zeros((1, 3)), np.arange(3.0), np.zeros(4), *np.zeros((2, 3)))
    mine[:] = 7.0
    np.testing.assert_array_equal(sweep.x_sample_mm, np.arange(4.0))
    assert replace(sweep, y_line_mm=np.arange(3.0) * 2).x_sample_mm is sweep.x_sample_mm


@settings(max_examples=60, deadline=None)
@given(
    across=arrays(float, st.integers(2, 40), elements=st.floats(0.3, 3.0)),
    along=arrays(float, st.integers(2, 60), elements=st.floats(0.3, 3.0)),
    reverse=st.booleans(),
    data=st.data(),
)
def test_inverse_of_film_is_scan_for_any_legal_tables(across, along, reverse, data):
    x_line = data.draw(arrays(float, len(along), elements=st.floats(-1, 1)))
    y_sample = data.draw(arrays(float, len(across), elements=st.floats(-1, 1)))
    sweep = sweep_of(across, along, x_line, y_sample, reverse)
    line = data.draw(arrays(float, 8, elements=st.floats(-5, len(along) + 5)))
    sample = data.draw(arrays(float, 8, elements=st.floats(-5, len(across) + 5)))
    back = to_scan(sweep, to_film(sweep, ScanPoints(line, sample)))
    np.testing.assert_allclose(back.line, line, atol=1e-9)
    np.testing.assert_allclose(back.sample, sample, atol=1e-9)


def test_inverse_keeps_a_long_strip_to_a_billionth_of_a_pixel():
    line = np.arange(16000.0)
    sweep = StripSweep(
        x_sample_mm=(np.arange(440.0) + 3 * np.sin(np.arange(440) / 70)) * STEP_MM,
        x_line_mm=4 * np.sin(line / 900) * STEP_MM,
        y_line_mm=(line + 20 * np.sin(line / 500)) * STEP_MM,
        y_sample_mm=0.02 * np.arange(440.0) * STEP_MM,
        sigma_x_mm=np.ones(16000),
        sigma_y_mm=np.ones(16000),
    )
    at = ScanPoints(np.linspace(-30, 16030, 301)[:, None], np.linspace(-30, 470, 41)[None, :])
    back = to_scan(sweep, to_film(sweep, at))
    np.testing.assert_allclose(back.line, at.line + 0 * at.sample, atol=1e-9)
    np.testing.assert_allclose(back.sample, at.sample + 0 * at.line, atol=1e-9)


def test_the_inverse_of_a_place_does_not_depend_on_others_and_nan_stays_nan():
    rng = np.random.default_rng(1)
    sweep = sweep_of(
        rng.uniform(0.3, 3, 30), rng.uniform(0.3, 3, 50), rng.normal(0, 0.03, 50), rng.normal(0, 0.03, 30), True
    )
    film = to_film(sweep, ScanPoints(rng.uniform(-9, 60, 40), rng.uniform(-9, 40, 40)))
    film.x_mm[7], film.y_mm[9] = np.nan, np.inf
    back = to_scan(sweep, film)
    for n in range(40):
        alone = to_scan(sweep, FilmPoints(film.x_mm[n], film.y_mm[n]))
        np.testing.assert_array_equal([alone.line, alone.sample], [back.line[n], back.sample[n]])
    assert np.flatnonzero(~(np.isfinite(back.line) & np.isfinite(back.sample))).tolist() == [7, 9]


@pytest.mark.parametrize("is_reversed", [False, True])
def test_nominal_sweep_is_the_description_of_the_scan(is_reversed):
    scan = SimpleNamespace(
        pitch_mm=2.0, first_center_mm=-4.0, first_line_mm=-6.0, line_mm=0.01, sample_mm=0.02, tolerance_mm=0.4
    )
    strip = SimpleNamespace(index=3, n_lines=101, n_samples=51, is_reversed=is_reversed)
    film = to_film(nominal_sweep(scan, strip), ScanPoints(np.array([0.0, 100.0]), np.array([25.0, 26.0])))
    np.testing.assert_allclose(film.x_mm, [2.0, 2.02])
    np.testing.assert_allclose(film.y_mm, [-5.0, -6.0] if is_reversed else [-6.0, -5.0])


def test_places_broadcast_and_scalars_are_places_too():
    sweep = sweep_of(np.ones(5), np.ones(6), np.zeros(6), np.zeros(5), False)
    film = to_film(sweep, ScanPoints(np.zeros((4, 1)), np.zeros((1, 3))))
    assert film.x_mm.shape[-1] == 3
    assert to_scan(sweep, FilmPoints(np.float64(0.0), np.float64(0.0))).line.shape == ()


@pytest.mark.parametrize(
    ("field", "table", "reason"),
    [
        ("x_sample_mm", np.array([0.0, 1.0, 1.0, 2.0]), "x_sample_mm must rise"),
        ("y_line_mm", np.array([0.0, 1.0, 0.5]), "rise or fall"),
        ("x_line_mm", np.array([0.0, 1.0, 0.0, 2.0]), "shape"),
        ("y_sample_mm", np.array([0.0, 5.0, 0.0, 5.0]), "slow"),
    ],
)
def test_invalid_tables_are_refused(field, table, reason):
    tables = {
        "x_sample_mm": np.arange(4.0),
        "x_line_mm": np.array([0.0, 1.0, 0.0]),
        "y_line_mm": np.arange(3.0),
        "y_sample_mm": np.zeros(4),
        "sigma_x_mm": np.ones(3),
        "sigma_y_mm": np.ones(3),
    }
    with pytest.raises(ValueError, match=reason):
        StripSweep(**{**tables, field: table})
