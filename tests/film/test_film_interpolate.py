"""The one interpolation against closed forms: coordinates come back, noise averages as its weights say."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.truth import Truth
from looked_up import turned
from memory_strip import MemoryStrip
from scipy.ndimage import binary_dilation

from calib.bench import perfect
from calib.coordinates import FilmPoints, ScanPoints
from calib.film import pack
from calib.film.assemble import blocks, film_block, film_grid, kernel_scale
from calib.film.careful import NOTHING, WHOLE
from calib.film.gather import AT_ONCE, Gathered
from calib.film.interpolate import KernelScale, sample_strips
from calib.film.kernels import CELL, PHASES, Taps
from calib.film.packed import MARKED, SOUND, UNSOUND, Packed, mark_row
from calib.film.raster import NODE_STEP, Raster, node_places
from calib.film.runs import flag_mask
from calib.film.source import StripSource, StripWindow, read_window
from calib.film.strokes import marked_runs
from calib.film.tables import DENSITY, ValueTable, strip_tables
from calib.film.tiles import SMOOTH
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.light.curve import film_curve
from calib.light.exposure import exposure_table
from calib.quality import DROPOUT, FILLED, MARK, OUTSIDE, SEAM
from calib.sweep.model import to_film
from calib.tone.dropouts import Dropouts
from calib.tone.model import NoiseCorrelation

# from the six equations at half a sample: a + b + c = 1/2, a - b - c = 1/sqrt(8), a/4 + 9b/4 + 25c/4 = 0
SIX_POINT_A = 0.25 + 0.125**0.5
SIX_POINT_HALF = [SIX_POINT_A, *np.linalg.solve([[1.0, 1.0], [9.0, 25.0]], [0.5 - SIX_POINT_A, -SIX_POINT_A])]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Frame, Truth, tuple[StripSource, ...]]:
    folder: Path = tmp_path_factory.mktemp("film") / "frame"
    truth = make_frame(scenario("small"), folder)
    frame = read_frame(folder / "frame.toml")
    return frame, truth, perfect.sources(frame, truth)


def film_places(source: StripSource, line: np.ndarray, sample: np.ndarray) -> FilmPoints:
    return to_film(source.sweep, ScanPoints(line, sample))


def spoilt(source: StripSource, lines: range, first: int, stop: int) -> StripSource:
    """The strip with samples `first`..`stop` - 1 of some lines dropped out, and no other dropouts."""
    runs = np.array([(line, first, stop) for line in lines], dtype=np.int32).reshape(-1, 3)
    lost = Dropouts(runs=runs, n_lines=source.raster.n_lines, n_samples=source.raster.n_samples)
    return replace(source, dropouts=lost)


def saying(source: StripSource, dn: np.ndarray) -> StripSource:
    """The strip with other samples, whose density is their DN, of noise 1; no dropouts, no marks."""
    tone = source.tone
    plain = replace(
        tone,
        density_of_dn=np.arange(tone.density_of_dn.size, dtype=np.float32),
        dn_span=(0, tone.density_of_dn.size - 1),
        noise_density=np.ones_like(tone.noise_density),
        column_density=np.zeros_like(tone.column_density),
        line_density=np.zeros_like(tone.line_density),
        curve_sigma=np.zeros_like(tone.curve_sigma),
        column_sigma=np.zeros_like(tone.column_sigma),
        line_sigma=np.zeros_like(tone.line_sigma),
    )
    nowhere = replace(source.marks, x_mm=source.marks.x_mm + 1e3, boxes_mm=source.marks.boxes_mm + 1e3)
    told = replace(spoilt(source, range(0), 0, 0), raster=MemoryStrip(dn.astype(np.uint16)), tone=plain, marks=nowhere)
    assert isinstance(told, StripSource)
    return told


def lines_of(source: StripSource) -> np.ndarray:
    """The line of each sample."""
    return np.asarray(np.mgrid[: source.raster.n_lines, : source.raster.n_samples][0])


def its_lines(source: StripSource) -> StripSource:
    """The strip whose samples have their line number as value."""
    return saying(source, lines_of(source))


@pytest.mark.parametrize("scale", [KernelScale(), KernelScale(2.5, 1.7)])
def test_coordinates_encoded_in_the_samples_come_back(small, scale: KernelScale) -> None:  # type: ignore[no-untyped-def]
    source = small[2][1]
    chance = np.random.default_rng(4)
    line, sample = chance.uniform(10, 680, 500), chance.uniform(8, 150, 500)
    places = film_places(source, line, sample)
    here = np.mgrid[: source.raster.n_lines, : source.raster.n_samples]
    for told, true in zip(here, (line, sample), strict=True):
        got = sample_strips([saying(source, told)], places, scale=scale, fill=False)
        # a place is rounded to 1/512 of a sample, float32 keeps line 700 to 3e-5
        assert np.abs(got.value - true).max() < 1.1e-3


@pytest.mark.parametrize(
    ("kernel", "half"), [("cubic", [-1 / 16, 9 / 16]), ("six-point", SIX_POINT_HALF), ("bilinear", [0.5])]
)
def test_the_variance_follows_the_squared_weights(small, kernel, half) -> None:  # type: ignore[no-untyped-def]
    """At a sample one weight is 1; halfway between samples the weights of each side are known in closed form."""
    source = small[2][1]
    places = film_places(source, np.array([100.0, 100.5]), np.array([50.0, 50.5]))
    got = sample_strips([its_lines(source)], places, scale=KernelScale(), fill=False, kernel=kernel)
    assert got.sigma[0] == pytest.approx(1.0, abs=1e-3)
    assert got.sigma[1] == pytest.approx(2 * np.sum(np.square(half)), rel=1e-3)


def test_a_stretched_kernel_averages_noise_down(small) -> None:  # type: ignore[no-untyped-def]
    source = small[2][1]
    places = film_places(source, np.array([100.0]), np.array([50.0]))
    told = its_lines(source)
    sigma = [
        float(sample_strips([told], places, scale=KernelScale(s, s), fill=False).sigma[0]) for s in (1.0, 2.0, 4.0)
    ]
    assert sigma[2] < 0.6 * sigma[1] < 0.6 * sigma[0]


def test_overlapping_strips_are_blended_and_flagged_as_seam(small) -> None:  # type: ignore[no-untyped-def]
    frame, _, sources = small
    x = (sources[1].sweep.x_sample_mm[-1] + sources[2].sweep.x_sample_mm[0]) / 2
    places = FilmPoints(np.array([x]), np.array([0.3]))
    got = sample_strips(sources, places, scale=KernelScale(), fill=False)
    alone = [sample_strips([s], places, scale=KernelScale(), fill=False) for s in sources[1:3]]
    assert got.quality[0] & SEAM
    low, high = sorted(float(a.value[0]) for a in alone)
    assert low - 1e-6 <= got.value[0] <= high + 1e-6
    assert got.sigma[0] < min(float(a.sigma[0]) for a in alone)
    assert frame.scan.pitch_mm > 0


def test_correlated_noise_of_two_strips_averages_down_less(small) -> None:  # type: ignore[no-untyped-def]
    """Half and half of noise that is correlated by c has (1 + c) / 2 of the variance of one."""
    sources = small[2][1:3]
    middle = (sources[0].sweep.x_sample_mm[-1] + sources[1].sweep.x_sample_mm[0]) / 2
    places = FilmPoints(np.full(40, middle), np.linspace(-0.4, 0.9, 40))

    def variance(correlation: NoiseCorrelation, some: Sequence[StripSource]) -> np.ndarray:
        exact = {part: 0.0 * getattr(some[0].tone, part) for part in ("curve_sigma", "column_sigma", "line_sigma")}
        told = [replace(s, tone=replace(s.tone, noise_correlation=correlation, **exact)) for s in some]
        return sample_strips(told, places, scale=KernelScale(), fill=False).sigma ** 2.0

    free, alike = (variance(NoiseCorrelation(shared=c), sources) for c in (0.0, 0.6))
    assert np.median(alike / free) == pytest.approx(1.6, rel=0.02)
    hanging = variance(NoiseCorrelation(along=(0.5, 0.07), across=(0.5, 0.07)), sources)
    assert np.median(hanging / free) > 1.2


@pytest.mark.parametrize("fill", [True, False])
@pytest.mark.parametrize("lines", [range(299, 302), range(280, 321)], ids=["short", "long"])
def test_a_dropout_in_one_of_two_strips_is_replaced_by_the_other_without_a_bit(small, lines: range, fill: bool) -> None:  # type: ignore[no-untyped-def]
    """Also at the dropout's margin, where the kernel would mix bridged samples in."""
    left, right = small[2][1:3]
    n = left.raster.n_samples
    line = np.arange(297.0, 304.0, 0.25)
    places = film_places(left, line, np.full(line.shape, n - 9.0))
    broken, good = spoilt(left, lines, 0, n), spoilt(right, range(0), 0, 0)
    got = sample_strips([broken, good], places, scale=KernelScale(), fill=fill)
    other = sample_strips([good], places, scale=KernelScale(), fill=fill)
    inside = (line > lines.start - 0.5) & (line < lines.stop - 0.5)
    assert (other.quality == 0).all()
    assert np.array_equal(got.value[inside], other.value[inside])
    assert set(np.unique(got.quality)) <= {0, SEAM}
    assert (got.quality[inside] == 0).all()


def test_filled_places_have_both_bits_on_the_map_and_dropouts_are_empty_on_the_film(small) -> None:  # type: ignore[no-untyped-def]
    source = spoilt(small[2][1], range(299, 302), 40, 80)
    line, sample = (a.ravel() for a in np.mgrid[296:305:0.25, 50:70:0.5])
    places = film_places(source, line, sample)
    on_map = sample_strips([source], places, scale=KernelScale(), fill=True)
    on_film = sample_strips([source], places, scale=KernelScale(), fill=False)
    lost = (line > 298.5 + 1e-6) & (line < 301.5 - 1e-6)
    assert np.isfinite(on_map.value).all()
    assert set(np.unique(on_map.quality)) == {0, DROPOUT | FILLED}
    assert (on_map.quality[lost] == DROPOUT | FILLED).all()
    assert np.isnan(on_film.value[lost]).all()
    assert (on_film.quality[lost] == DROPOUT).all()


def test_the_wedge_is_no_ground_and_a_filled_mark_carries_both_bits(small) -> None:  # type: ignore[no-untyped-def]
    """A wedge inside the format cannot be bridged: no value, and the bit that says why."""
    source = spoilt(small[2][1], range(0), 0, 0)
    x_low, x_high, low, high = source.marks.boxes_mm[source.marks.boxes_mm.shape[0] // 4]
    wedge = FilmPoints(np.array([(x_low + x_high) / 2]), np.array([(low + high) / 2]))
    got = sample_strips([source], wedge, scale=KernelScale(), fill=True)
    assert np.isnan(got.value[0])
    assert got.quality[0] == MARK
    assert np.isfinite(sample_strips([source], wedge, scale=KernelScale(), fill=False).value[0])
    line, sample = (a.ravel() for a in np.mgrid[250:620:0.5, 10:150:0.5])
    made = sample_strips([source], film_places(source, line, sample), scale=KernelScale(), fill=True)
    marked, filled = (made.quality & MARK) != 0, (made.quality & FILLED) != 0
    assert filled.any()
    assert np.array_equal(filled, marked & np.isfinite(made.value))


@pytest.mark.parametrize(("beside", "is_ground"), [(1.0, False), (2.0, False), (3.5, True)])
def test_film_beside_the_wedge_shows_its_light_and_is_no_ground(small, beside: float, is_ground: bool) -> None:  # type: ignore[no-untyped-def]
    """A wedge within the format ended where it is said to: of the map's pixels next to it one in 25 was wrong by more
    than five sigma without a bit (a bug)."""
    frame, source = small[0], spoilt(small[2][1], range(0), 0, 0)
    middle = frame.scan.first_center_mm + frame.scan.pitch_mm
    below_mm = max(patch.y_mm[1] for patch in frame.film.wedge.patches) + beside * frame.scan.line_mm
    got = sample_strips([source], FilmPoints(np.array([middle]), np.array([below_mm])), scale=KernelScale(), fill=True)
    assert bool(got.quality[0] & MARK) is not is_ground
    assert bool(np.isfinite(got.value[0])) is is_ground


def test_film_lines_closer_together_than_its_pixels_are_averaged(small) -> None:  # type: ignore[no-untyped-def]
    scan = small[0].scan
    assert kernel_scale(scan) == KernelScale()
    assert kernel_scale(scan.model_copy(update={"line_mm": scan.sample_mm / 2})) == KernelScale(line=2.0)


def test_outside_all_strips_there_is_no_value_and_one_bit(small) -> None:  # type: ignore[no-untyped-def]
    got = sample_strips(small[2], FilmPoints(np.array([99.0]), np.array([0.0])), scale=KernelScale(), fill=True)
    assert np.isnan(got.value[0])
    assert got.quality[0] == OUTSIDE


def test_the_assembled_film_is_the_true_density_within_its_noise(small) -> None:  # type: ignore[no-untyped-def]
    """With perfect fits what is left is noise: z-scores of unit scatter, and every NaN has its bit."""
    frame, truth, sources = small
    grid = film_grid(sources, frame.scan.sample_mm)
    curve = frame.film.characteristic.density
    told = {"scale": kernel_scale(frame.scan), "curve_span": (curve[0], curve[-1])}
    made = [[film_block(sources, grid, *place, **told) for place in row] for row in blocks(grid)]
    density = np.block([[block.density for block in row] for row in made])
    quality = np.block([[block.quality for block in row] for row in made])
    sigma = np.block([[block.sigma for block in row] for row in made])
    assert not (np.isnan(density) & (quality == 0)).any()
    assert np.array_equal(np.isfinite(sigma), np.isfinite(density))
    assert np.nanmin(sigma) > 0
    assert (quality & MARK).any()
    assert (quality & DROPOUT).any()
    again = film_block(sources, grid, slice(100, 131), slice(40, 333), **told)
    assert np.array_equal(again.density, density[100:131, 40:333], equal_nan=True)
    assert np.array_equal(again.quality, quality[100:131, 40:333])
    assert np.array_equal(again.sigma, sigma[100:131, 40:333], equal_nan=True)
    k, line, sample = 1, np.arange(250.0, 620.0, 3), np.arange(30.0, 130.0, 3)
    ll, ss = (a.ravel() for a in np.meshgrid(line, sample, indexing="ij"))
    got = sample_strips([sources[k]], film_places(sources[k], ll, ss), scale=KernelScale(), fill=False)
    true = truth.clean_density(k)[ll.astype(int), ss.astype(int)]
    noise = truth.noise_sigma(k)[ll.astype(int), ss.astype(int)]
    z = ((got.value - true) / noise)[got.quality == 0]
    assert 0.9 < z.std() < 1.1
    assert abs(z.mean()) < 0.1


@pytest.mark.parametrize("pixel_samples", [0.8, 1.9])
def test_pixels_of_a_raster_equal_single_places(small, pixel_samples: float) -> None:  # type: ignore[no-untyped-def]
    """All code paths agree: tiles on one strip only, some with a lost sample, tiles with a pixel without a place (bit
    for bit); and single places (to the error of interpolation in tiles)."""
    frame, _, sources = small
    pixel_mm, rows, columns = pixel_samples * frame.scan.sample_mm, slice(0, 200), slice(0, 330)
    told = [saying(source, lines_of(source)) for source in sources]
    told = [spoilt(source, range(7, source.raster.n_lines, 60), 70, 71) for source in told]

    def places(row: np.ndarray, column: np.ndarray) -> FilmPoints:
        column, row = np.meshgrid(column, row)
        return FilmPoints(-0.9 + pixel_mm * (column + 0.1 * row), -0.7 + pixel_mm * (row - 0.1 * column))

    node_rows, node_columns, offset = node_places(rows, columns)
    pixels = places(np.arange(200.0), np.arange(330.0))
    nodes, flat = places(node_rows, node_columns), FilmPoints(pixels.x_mm.ravel(), pixels.y_mm.ravel())
    holes = np.zeros((200, 330), np.uint16)
    holes[::NODE_STEP, ::NODE_STEP] = 1
    there = FilmPoints(*(np.where(holes, np.nan, part) for part in (pixels.x_mm, pixels.y_mm)))
    scale = KernelScale(pixel_samples, pixel_samples)
    whole, holed, alone = (
        sample_strips(told, at, scale=scale, fill=True)
        for at in (
            Raster((200, 330), nodes, offset, None, lambda: pixels),
            Raster((200, 330), nodes, offset, holes, lambda: there),
            flat,
        )
    )
    assert np.isfinite(whole.value).mean() > 0.6
    assert (whole.quality == SEAM).any()
    assert ((whole.quality & DROPOUT) != 0).any()
    for name in ("value", "sigma", "quality"):
        a, b = (getattr(one, name)[holes.ravel() == 0] for one in (whole, holed))
        assert np.array_equal(a, b, equal_nan=True)
    assert (holed.quality[holes.ravel() > 0] == OUTSIDE).all()
    both = np.isfinite(whole.value) & np.isfinite(alone.value)
    assert np.isfinite(whole.value).sum() - both.sum() < 5
    one_strip = both & (whole.quality == 0) & (alone.quality == 0)
    assert np.abs(whole.value - alone.value)[one_strip].max() < SMOOTH + 1.1 / PHASES + 3e-4  # and single precision
    assert np.abs(whole.sigma / alone.sigma - 1)[one_strip].max() < 0.01


def test_a_window_is_the_same_whatever_block_it_is_read_in(small) -> None:  # type: ignore[no-untyped-def]
    source = small[2][0]
    whole = read_window(source, 0, 700, fill_marks=True)
    part = read_window(source, 203, 260, fill_marks=True)
    assert np.array_equal(part.value, whole.value[203:260], equal_nan=True)
    assert np.array_equal(part.noise, whole.noise[203:260], equal_nan=True)
    assert np.array_equal(part.quality, whole.quality[203:260])


def over_cells(values: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Mean over cells of two lines and samples, of the samples in the mask `own`, repeated to (lines, samples)."""

    def sums(a: np.ndarray) -> np.ndarray:
        return a.reshape(a.shape[0] // 2, 2, a.shape[1] // 2, 2).sum(axis=(1, 3)).repeat(2, 0).repeat(2, 1)

    with np.errstate(invalid="ignore", divide="ignore"):
        return sums(np.where(own, values, 0.0)) / sums(own.astype(float))


def stated_sigma(source: StripSource, window: StripWindow, table: ValueTable | None = None) -> np.ndarray:
    """A strip's uncertainty computed in plain numpy, from an even first line on; (lines, samples).

    A cell is the mean of its own samples, and no less than what its bridged samples have, or theirs alone.
    """
    lines, bridged = slice(window.first, window.first + len(window.value)), (window.quality & FILLED) != 0
    own, tone = (window.quality & np.uint16(DROPOUT | FILLED)) == 0, source.tone
    own |= ~own & np.isnan(over_cells(np.ones(own.shape), own))  # where none is itself, all are asked
    dn, every = source.raster.read(lines.start, lines.stop), np.ones(own.shape, bool)
    density = tone.density_of_dn[dn] - tone.column_density - tone.line_density[lines, None]
    shared = np.sqrt(tone.curve_sigma[dn] ** 2 + tone.column_sigma**2 + tone.line_sigma[lines, None] ** 2)
    told, of_bridged = (tone.noise_density[dn], shared), (window.noise, window.systematic)
    if table is not None:
        both = turned(table, density, *told), turned(table, window.value, *of_bridged)
        told, of_bridged = ((one.noise, one.systematic) for one in both)
    of_bridged = [np.where(bridged & np.isfinite(part), part, 0.0) for part in of_bridged]
    most = [part.reshape(len(part) // 2, 2, -1, 2).max(axis=(1, 3)).repeat(2, 0).repeat(2, 1) for part in of_bridged]
    alone = over_cells(bridged, every) == 1.0
    mine = over_cells(told[0], own), np.sqrt(over_cells(np.square(told[1]), own))
    return np.hypot(*(np.maximum(np.where(alone, 0.0, part), other) for part, other in zip(mine, most, strict=True)))


@pytest.mark.parametrize("fill", [True, False])
def test_a_place_at_a_sample_equals_the_window_s_sample(small, fill: bool) -> None:  # type: ignore[no-untyped-def]
    """Value, sigma and bits, by both ways of reading a strip."""
    source = spoilt(small[2][1], [100, 101, 300, *range(400, 440)], 30, 90)
    window = read_window(source, 0, source.raster.n_lines, fill_marks=fill)
    line, sample = (a.ravel().astype(float) for a in np.mgrid[90:460, 4:156])
    got = sample_strips([source], film_places(source, line, sample), scale=KernelScale(), fill=fill)
    at = np.s_[90:460, 4:156]
    value, bits = window.value[at].ravel(), window.quality[at].ravel()
    known = np.isfinite(value) if fill else (bits & DROPOUT) == 0
    assert np.array_equal(np.isfinite(got.value), known)
    assert np.allclose(got.value[known], value[known], atol=1e-5)
    sigma = stated_sigma(source, window)[at].ravel()
    assert np.allclose(got.sigma[known], sigma[known], rtol=8e-3)  # groups of DN share it, where the curve is steep too
    of_place = np.uint16(DROPOUT | FILLED | MARK)
    assert np.array_equal(got.quality[known] & of_place, bits[known] & of_place)


def test_exposure_of_a_place_is_that_of_its_samples(small) -> None:  # type: ignore[no-untyped-def]
    """The one pass from DN to exposure against the plain reading of the table that the light stage tests."""
    frame, _, sources = small
    source = spoilt(sources[1], [300], 30, 90)
    characteristic = frame.film.characteristic
    curve = film_curve(characteristic.log_exposure, characteristic.density)
    table = exposure_table(curve, np.array(curve.span), np.full(2, 0.02), np.zeros(2))
    line, sample = (a.ravel().astype(float) for a in np.mgrid[280:320, 20:140])
    places = film_places(source, line, sample)
    got = sample_strips([source], places, scale=KernelScale(), fill=True, values=[table])
    window = read_window(source, 280, 320, fill_marks=True)
    told = turned(table, window.value, window.noise, window.systematic)
    assert np.allclose(got.value, told.value[:, 20:140].ravel(), rtol=1e-4)
    sigma = stated_sigma(source, window, table)
    # two columns share the mean of their banding, at the curve's steep end too
    assert np.allclose(got.sigma, sigma[:, 20:140].ravel(), rtol=3e-2)


def test_nothing_of_a_stroke_is_left_outside_its_mask(small) -> None:  # type: ignore[no-untyped-def]
    """The simulated spot blurs the strokes; just outside the mask the film must be as dark as a little farther out."""
    _, truth, sources = small
    clean = truth.clean_density(1)
    nowhere, mask = np.zeros((0, 4)), np.zeros(clean.shape, bool)
    flag_mask(marked_runs(sources[1].sweep, replace(sources[1].marks, boxes_mm=nowhere)), 0, 0, mask)
    near, far = (binary_dilation(mask, iterations=n) & ~binary_dilation(mask, iterations=n - 1) for n in (2, 5))
    contrast = np.median(clean[far]) - np.median(clean[mask])
    assert contrast > 0.3
    step = np.mean(clean[binary_dilation(mask) & ~mask]) - np.mean(clean[near])
    assert abs(step) < 0.01 * contrast


@pytest.mark.parametrize("nobody_saw", [[], [0], [AT_ONCE - 1, AT_ONCE], [2 * AT_ONCE + 4]])
def test_places_that_no_strip_reached_are_outside(nobody_saw: list[int]) -> None:
    """Also in chunks with a single such place, and in the last, incomplete chunk; other places are unchanged."""
    made = Gathered.nothing_at(2 * AT_ONCE + 5)
    made.value[:], made.sigma[:], made.quality[:], made.rank[:] = 1.0, 2.0, MARK, WHOLE
    made.rank[nobody_saw] = NOTHING
    made.finish()
    outside = np.isin(np.arange(made.rank.size), nobody_saw)
    np.testing.assert_array_equal(made.value, np.where(outside, np.nan, np.float32(1.0)))
    np.testing.assert_array_equal(made.sigma, np.where(outside, np.nan, np.float32(2.0)))
    np.testing.assert_array_equal(made.quality, np.where(outside, OUTSIDE, MARK))


TAPS = Taps(3, 6, 16)


def sound_samples(rows: int, columns: int) -> Packed:
    """Samples of value 1 without a bit, all cells sound."""
    value, quality = np.ones((rows, columns), np.float32), np.zeros((rows, columns), np.uint16)
    return Packed(value, quality, np.zeros((0, 0, 2), np.float32), np.zeros((rows, columns), np.uint8), 0, 0)


@pytest.mark.parametrize(("said", "reach"), [(1.0, 6), (np.nan, 16)])
def test_nan_makes_all_places_unsound_that_read_it_even_with_weight_zero(said: float, reach: int) -> None:
    """A flagged sample affects the places whose kernel reaches it; zero times NaN is NaN too."""
    made = sound_samples(9, 64)
    made.value[4, 40], made.quality[4, 40] = said, DROPOUT
    mark_row(4, 40, 41, TAPS, made)
    lines, samples = np.nonzero(made.unsound)
    assert (lines.min(), lines.max()) == ((4 - 2) // CELL, 4 // CELL)
    assert (samples.min(), samples.max()) == ((40 - reach + 1) // CELL, 40 // CELL)


def test_a_run_of_samples_marks_the_cells_that_each_of_them_marks() -> None:
    """Equal samples are marked together: sound ones, marks, gaps and NaN in one row, the last at its end."""
    at_once, one_by_one = sound_samples(9, 64), sound_samples(9, 64)
    for made, step in ((at_once, 56), (one_by_one, 1)):
        bits = made.quality[4]
        bits[10:14], bits[14], bits[30:33], bits[60:] = MARK, DROPOUT, MARK, MARK
        made.value[4, 33] = np.nan
        for first in range(8, 64, step):
            mark_row(4, first, first + step, TAPS, made)
    assert {SOUND, MARKED, UNSOUND} == set(np.unique(at_once.unsound))
    np.testing.assert_array_equal(at_once.unsound, one_by_one.unsound)


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0])
def test_samples_beyond_the_curve_mark_together_the_cells_that_each_marks(small, share: float) -> None:  # type: ignore[no-untyped-def]
    """Runs of them, near each other and far apart; each keeps its own bits and value."""
    rows = np.where(np.random.default_rng(7).random(200) < share, -1.0, 5.0).astype(np.float32)
    ends = {"dn_span": (1, 99), "limits": (np.float32(0), np.float32(9))}
    dn, known = np.full(200, 50, np.uint16), strip_tables(small[2][0].tone, DENSITY)._replace(**ends)

    def marked(step: int) -> Packed:
        made = sound_samples(9, 220)
        for first in range(0, 200, step):
            pack._flag_ends((dn, rows), (first, first + step), known, (6, 7), Taps(6, 6, 16), made)
        return made

    for together, alone in zip(marked(200), marked(1), strict=True):
        np.testing.assert_array_equal(together, alone)
