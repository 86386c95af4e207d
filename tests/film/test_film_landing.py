"""Places on a strip against the sweep's own inverse, independent of other places; and which samples they need."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from calib.coordinates import FilmPoints
from calib.film.kernels import PHASE_BITS, PHASES, Axes, axis_weights
from calib.film.landing import Landing, Places, extent_of, landing, landing_in
from calib.film.raster import NODE_STEP, Raster, node_places
from calib.film.spans import EMPTY, Spans, clipped, widened
from calib.film.tiles import EDGE, INSIDE, SMOOTH, Tiles, phases_of, row_on, rows_of_tile, sample_at, tiles_of
from calib.sweep.model import StripSweep, to_scan

SAMPLE_MM = 0.0075
ROUNDED = 0.5 / PHASES + 1e-4  # samples: the phase's own step, and how closely the inverse is iterated
LINES, SAMPLES = 900, 160


def strip(
    seed: int, *, wander: float = 15.0, jitter: float = 0.1, skew: float = 0.01, falling: bool = False
) -> StripSweep:
    """A skewed strip with wander, jitter and a bent sweep."""
    chance = np.random.default_rng(seed)
    line, sample = np.arange(float(LINES)), np.arange(float(SAMPLES))
    y = line + wander * np.sin(line / 150 + chance.uniform(0, 6)) + jitter * chance.uniform(-1, 1, LINES)
    x = sample + 2.0 * np.sin(sample / 60 + chance.uniform(0, 6))
    x_line = min(wander, 1.0) * np.sin(line / 90) + jitter * chance.uniform(-1, 1, LINES)
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
def test_a_place_lands_where_the_inverse_sweep_puts_it(
    seed: int, wander: float, jitter: float, skew: float, falling: bool
) -> None:
    sweep = strip(seed, wander=wander, jitter=jitter, skew=skew, falling=falling)
    places = somewhere(sweep, seed)
    true, found = to_scan(sweep, places), landed(sweep, places).places
    line, sample = found.line + found.line_phase / PHASES, found.sample + found.sample_phase / PHASES
    assert np.abs(line - true.line[found.number]).max() <= ROUNDED
    assert np.abs(sample - true.sample[found.number]).max() <= ROUNDED
    inside = (np.abs(true.line - (LINES - 1) / 2) < LINES / 2 - 1e-3) & (
        np.abs(true.sample - (SAMPLES - 1) / 2) < SAMPLES / 2 - 1e-3
    )
    assert np.isin(np.flatnonzero(inside), found.number).all()
    assert not np.isin(np.flatnonzero(np.isnan(true.line)), found.number).any()


def test_a_place_lands_the_same_whatever_others_are_asked_for() -> None:
    """Bytes must not depend on blocks: each place alone, and all of them in another order."""
    sweep = strip(3)
    places = somewhere(sweep, 4, 400)
    whole = landed(sweep, places).places
    order = np.random.default_rng(5).permutation(400)
    again = landed(sweep, FilmPoints(places.x_mm[order], places.y_mm[order])).places
    back = np.argsort(order[again.number])
    for name in ("line", "sample", "line_phase", "sample_phase"):
        assert np.array_equal(getattr(again, name)[back], getattr(whole, name))
    for k in range(0, len(whole.number), 37):
        at = slice(whole.number[k], whole.number[k] + 1)
        alone = landed(sweep, FilmPoints(places.x_mm[at], places.y_mm[at])).places
        assert (alone.line[0], alone.line_phase[0]) == (whole.line[k], whole.line_phase[k])
        assert (alone.sample[0], alone.sample_phase[0]) == (whole.sample[k], whole.sample_phase[k])


def raster_over(sweep: StripSweep, turn_deg: float, rows: slice, columns: slice) -> Raster:
    """Pixels of 1.03 samples in a grid turned over a strip; the first three of each row have no place."""
    c, s = 1.03 * SAMPLE_MM * np.cos(np.radians(turn_deg)), 1.03 * SAMPLE_MM * np.sin(np.radians(turn_deg))
    x0, y0 = sweep.x_sample_mm[0] - 0.2, sweep.y_line_mm.min() + 1.0

    def places(row: np.ndarray, column: np.ndarray) -> FilmPoints:
        column, row = np.meshgrid(column, row)
        return FilmPoints(x0 + c * column - s * row, y0 + s * column + c * row)

    pixels = places(np.arange(rows.start, rows.stop), np.arange(columns.start, columns.stop))
    outside = np.zeros(pixels.x_mm.shape, np.uint16)
    outside[:, : max(3 - columns.start, 0)] = 1
    pixels.x_mm[outside > 0] = np.nan
    node_rows, node_columns, offset = node_places(rows, columns)
    return Raster(outside.shape, places(node_rows, node_columns), offset, outside, lambda: pixels)


def tiles_on(sweep: StripSweep, raster: Raster) -> Tiles | None:
    return tiles_of([sweep], raster, extent_of(raster.pixels()))[0]


def all_places(tiles: Tiles) -> Landing | None:
    """The landing of a raster with the places in its tiles listed too."""
    found = landing_in(tiles)
    if found is None:
        return None
    listed, geometry = [found.places], tiles.geometry
    for r, c in np.argwhere(tiles.kind >= EDGE).tolist():
        for row in range(*rows_of_tile(geometry, r)):
            left, right, line, line_step, entry, entry_step = row_on(geometry, r, c, row, tiles.kind[r, c] == INSIDE)
            places = [
                phases_of(line + t * line_step, sample_at(geometry.even, entry + t * entry_step))
                for t in range(right - left)
            ]
            at = np.array(places, np.int64).reshape(-1, 2)
            number = row * geometry.columns + np.arange(left, right)
            whole, phase = at >> PHASE_BITS, at & (PHASES - 1)
            there = geometry.outside[number] == 0
            listed.append(Places(*(part[there] for part in (number, *whole.T, *phase.T))))
    return replace(found, places=Places(*(np.concatenate(field) for field in zip(*listed, strict=True))))


def by_pixel(found: Landing | None, n: int) -> np.ndarray:
    """Line and sample (2, n) of each pixel, NaN where it does not lie on the strip."""
    out = np.full((2, n), np.nan)
    if found is not None:
        at = found.places
        out[0, at.number] = at.line + at.line_phase / PHASES
        out[1, at.number] = at.sample + at.sample_phase / PHASES
    return out


def on_strip(sweep: StripSweep, raster: Raster) -> np.ndarray:
    tiles = tiles_on(sweep, raster)
    return by_pixel(None if tiles is None else all_places(tiles), raster.outside.size)


@example(20, -77.0, (5.0, 0.0), False)  # the strip's end, beyond which it goes straight on, in a corner of a cell
@given(
    st.integers(0, 10**6), st.floats(-180, 180), st.sampled_from([(0.3, 0.0), (5.0, 0.0), (1.0, 0.05)]), st.booleans()
)
@settings(max_examples=60, deadline=None)
def test_a_raster_s_pixels_land_where_each_would_alone(
    seed: int, turn: float, moves: tuple[float, float], falling: bool
) -> None:
    """Smooth everywhere, in places, or, with jitter, nowhere: there pixels are worked out one by one."""
    sweep = strip(seed, wander=moves[0], jitter=moves[1], falling=falling)
    raster = raster_over(sweep, turn, slice(0, 90), slice(0, 150))
    pixels = raster.pixels()
    flat = FilmPoints(pixels.x_mm.ravel(), pixels.y_mm.ravel())
    tiles = tiles_on(sweep, raster)
    landed_raster = None if tiles is None else all_places(tiles)
    if landed_raster is not None:
        at, spans = landed_raster.places, landed_raster.spans
        assert (spans.low[at.line - spans.first] <= at.sample).all()
        assert (at.sample <= spans.high[at.line - spans.first]).all()
        inside = (tiles.kind.repeat(NODE_STEP, 0).repeat(NODE_STEP, 1)[:90, :150] == INSIDE) & (raster.outside == 0)
        assert np.isin(np.flatnonzero(inside), at.number).all()
    found = by_pixel(landed_raster, flat.x_mm.size)
    alone = by_pixel(landing(sweep, flat, extent_of(flat)), flat.x_mm.size)
    both = np.isfinite(found) & np.isfinite(alone)
    assert np.abs(found - alone)[both].max(initial=0) <= SMOOTH + 1.01 / PHASES
    one_sided = np.isfinite(found[0]) != np.isfinite(alone[0])
    true = to_scan(sweep, FilmPoints(flat.x_mm[one_sided], flat.y_mm[one_sided]))
    beyond = [np.abs(np.abs(at - (n - 1) / 2) - n / 2) for at, n in ((true.line, LINES), (true.sample, SAMPLES))]
    assert np.min(beyond, axis=0).max(initial=0) <= SMOOTH  # at the very edge the two may differ
    assert not np.isfinite(found.reshape(2, 90, 150)[:, :, :3]).any()


@pytest.mark.parametrize(("bend", "jitter"), [(0.3, 0.0), (0.0, 0.4)])
def test_a_very_uneven_sweep_is_followed(bend: float, jitter: float) -> None:
    """Steps that change by a third of a sample over nine samples, or by chance from one to the next."""
    sweep, sample = strip(2, wander=0.3, jitter=0.0), np.arange(float(SAMPLES))
    steps = 1.0 + bend * np.cos(sample / 9) + jitter * np.random.default_rng(4).uniform(-1, 1, SAMPLES)
    sweep = replace(sweep, x_sample_mm=sweep.x_sample_mm[0] + SAMPLE_MM * np.cumsum(steps))
    raster = raster_over(sweep, 3.0, slice(0, 64), slice(0, 160))
    found = on_strip(sweep, raster)
    true = to_scan(sweep, FilmPoints(raster.pixels().x_mm.ravel(), raster.pixels().y_mm.ravel()))
    on = np.isfinite(found[0])
    assert on.sum() > 5000
    assert np.abs(found[1] - true.sample)[on].max() <= SMOOTH + 1.01 / PHASES


@pytest.mark.parametrize("jitter", [0.0, 0.1])
def test_a_pixel_lands_the_same_in_any_block(jitter: float) -> None:
    sweep = strip(11, wander=1.0, jitter=jitter)
    whole_of, part_of = (slice(0, 6 * NODE_STEP), slice(0, 9 * NODE_STEP)), (slice(13, 71), slice(29, 140))
    whole, part = (raster_over(sweep, 20.0, *block) for block in (whole_of, part_of))
    found, again = (on_strip(sweep, one).reshape(2, *one.shape) for one in (whole, part))
    assert np.isfinite(again).any()
    assert np.array_equal(again, found[:, part_of[0], part_of[1]], equal_nan=True)


def test_places_beside_the_strip_and_no_places_at_all_do_not_land() -> None:
    sweep = strip(1)
    for x, y in (([99.0], [1.0]), ([np.nan], [np.nan]), ([], [])):
        places = FilmPoints(np.array(x), np.array(y))
        assert landing(sweep, places, extent_of(places)) is None


@pytest.mark.parametrize("scale", [1.0, 1.3, 2.7])
def test_the_samples_that_are_needed_hold_every_tap_of_every_place(scale: float) -> None:
    sweep = strip(8)
    found, weights = landed(sweep, somewhere(sweep, 9, 60)), axis_weights("six-point", scale)
    need = found.needed(Axes(weights, weights))
    inside = clipped(need, LINES, SAMPLES)
    for line, sample in zip(found.places.line, found.places.sample, strict=True):
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
