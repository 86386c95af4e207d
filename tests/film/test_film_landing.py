"""Where places fall on a strip: as the sweep's own inverse says, in any company; and which samples they need."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.coordinates import FilmPoints
from calib.film.kernels import PHASES, axis_weights
from calib.film.landing import Landing, extent_of, landing
from calib.film.spans import EMPTY, Spans, clipped, widened
from calib.sweep.model import StripSweep, to_scan

SAMPLE_MM = 0.0075
ROUNDED = 0.5 / PHASES + 1e-4  # samples: the phase's own step, and how closely the inverse is iterated
LINES, SAMPLES = 900, 160


def strip(
    seed: int, *, wander: float = 15.0, jitter: float = 0.1, skew: float = 0.01, falling: bool = False
) -> StripSweep:
    """A strip whose lines wander and jitter, whose sweep is bent, and which stands askew."""
    chance = np.random.default_rng(seed)
    line, sample = np.arange(float(LINES)), np.arange(float(SAMPLES))
    y = line + wander * np.sin(line / 150 + chance.uniform(0, 6)) + jitter * chance.uniform(-1, 1, LINES)
    x = sample + 2.0 * np.sin(sample / 60 + chance.uniform(0, 6))
    x_line = np.sin(line / 90) + jitter * chance.uniform(-1, 1, LINES)
    zero = np.zeros(LINES)
    y = y[::-1].copy() if falling else y
    return StripSweep(x * SAMPLE_MM, x_line * SAMPLE_MM, y * SAMPLE_MM, skew * sample * SAMPLE_MM, zero, zero)


def somewhere(sweep: StripSweep, seed: int, n: int = 3000) -> FilmPoints:
    chance = np.random.default_rng(seed)
    x = chance.uniform(sweep.x_sample_mm[0] - 0.1, sweep.x_sample_mm[-1] + 0.1, n)
    y = chance.uniform(sweep.y_line_mm.min() - 0.1, sweep.y_line_mm.max() + 0.1, n)
    return FilmPoints(x, y)


def landed(sweep: StripSweep, places: FilmPoints) -> Landing:
    found = landing(sweep, places, extent_of(places))
    assert found is not None
    return found


@given(st.integers(0, 10**6), st.floats(0, 30), st.floats(0, 0.3), st.floats(-0.02, 0.02), st.booleans())
@settings(max_examples=40, deadline=None)
def test_a_place_lands_where_the_sweep_says(
    seed: int, wander: float, jitter: float, skew: float, falling: bool
) -> None:
    sweep = strip(seed, wander=wander, jitter=jitter, skew=skew, falling=falling)
    places = somewhere(sweep, seed)
    true, found = to_scan(sweep, places), landed(sweep, places)
    line, sample = found.line + found.line_phase / PHASES, found.sample + found.sample_phase / PHASES
    assert np.abs(line - true.line[found.index]).max() <= ROUNDED
    assert np.abs(sample - true.sample[found.index]).max() <= ROUNDED
    inside = (np.abs(true.line - (LINES - 1) / 2) < LINES / 2 - 1e-3) & (
        np.abs(true.sample - (SAMPLES - 1) / 2) < SAMPLES / 2 - 1e-3
    )
    assert np.isin(np.flatnonzero(inside), found.index).all()
    assert not np.isin(np.flatnonzero(np.isnan(true.line)), found.index).any()


def test_a_place_lands_the_same_in_any_company() -> None:
    """Bytes must not depend on blocks: each place alone, and all of them in another order."""
    sweep = strip(3)
    places = somewhere(sweep, 4, 400)
    whole = landed(sweep, places)
    order = np.random.default_rng(5).permutation(400)
    again = landed(sweep, FilmPoints(places.x_mm[order], places.y_mm[order]))
    back = np.argsort(order[again.index])
    for name in ("line", "sample", "line_phase", "sample_phase"):
        assert np.array_equal(getattr(again, name)[back], getattr(whole, name))
    for k in range(0, len(whole.index), 37):
        at = slice(whole.index[k], whole.index[k] + 1)
        alone = landed(sweep, FilmPoints(places.x_mm[at], places.y_mm[at]))
        assert (alone.line[0], alone.line_phase[0]) == (whole.line[k], whole.line_phase[k])
        assert (alone.sample[0], alone.sample_phase[0]) == (whole.sample[k], whole.sample_phase[k])


def test_places_beside_the_strip_and_no_places_at_all_do_not_land() -> None:
    sweep = strip(1)
    for x, y in (([99.0], [1.0]), ([np.nan], [np.nan]), ([], [])):
        places = FilmPoints(np.array(x), np.array(y))
        assert landing(sweep, places, extent_of(places)) is None


@pytest.mark.parametrize("scale", [1.0, 1.3, 2.7])
def test_the_samples_that_are_needed_hold_every_tap_of_every_place(scale: float) -> None:
    sweep = strip(8)
    found, weights = landed(sweep, somewhere(sweep, 9, 60)), axis_weights("six-point", scale)
    need = found.needed(weights, weights)
    inside = clipped(need, LINES, SAMPLES)
    for line, sample in zip(found.line, found.sample, strict=True):
        columns = sample - weights.before + np.arange(weights.taps)
        for row in line - weights.before + np.arange(weights.taps):
            k, c = row - need.first, min(max(row, 0), LINES - 1) - inside.first
            assert need.low[k] <= columns[0]
            assert columns[-1] <= need.high[k]
            assert inside.low[c] <= max(columns[0], 0)
            assert min(columns[-1], SAMPLES - 1) <= inside.high[c]


def test_spans_grow_about_what_they_hold_and_nothing_else() -> None:
    one = Spans(5, np.array([3, EMPTY, EMPTY], np.int32), np.array([4, -EMPTY, -EMPTY], np.int32))
    grown = widened(one, 1, 0, 2, 1)
    assert grown.first == 4
    assert grown.low.tolist() == [1, 1, EMPTY, EMPTY]
    assert grown.high.tolist() == [5, 5, -EMPTY, -EMPTY]
    cut = clipped(grown, 6, 4)
    assert (cut.first, cut.low.tolist(), cut.high.tolist()) == (4, [1, 1], [3, 3])
