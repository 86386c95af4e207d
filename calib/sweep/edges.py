"""Measures the borders of the step wedge's patches as evidence for the sweep, at known film places without marks.

Borders between patches give y over the whole width of a strip; the gaps between neighbouring strips' wedges give x.
They are measured in the power of light that mixes linearly within the spot, so the middle of a border is at half its
step.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.frame.description import Scan
from calib.frame.film import WedgePatch
from calib.frame.frame import Frame
from calib.ordered import shared_out
from calib.sweep.cross import CrossShape
from calib.sweep.edgefit import Feature, fit_border, fit_border_in_groups, search_border
from calib.sweep.evidence import EDGE, EDGE_X, Observations
from calib.sweep.mixing import light_of_dn, mixed_value, rise_of, shift_per_power
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.smoothing import Picture
from calib.sweep.tables import ReadWindow
from calib.sweep.wedge import Border, Placed, Wedge, place_wedge, wedges

Row = tuple[float, ...]
# Lengths in spot radii (rms) end in BLURS.
GROUPS_ACROSS = 8  # groups of samples across a strip, in each of which a border is measured by itself
TRUST_BLURS = 0.04  # least 1-sigma of a whole border in a strip: error of the tone that its groups share
DN_SIGMA_BLURS = 1.5  # 1-sigma of a border measured in DN, which the unknown video curve shifts
MARGIN_BLURS = 5.0  # distance kept from a patch's other borders
REACH_BLURS = 25.0  # greatest distance from a border at which samples are used
GAP_FLANK_BLURS = 13.0  # the same beyond each side of a gap
WIDEST_GAP_BLURS = 16.0  # half width of a gap beyond which its two sides are no longer one feature
SIGMAS = 4.0  # of the sweep's x: a gap is searched for this far, within the tolerance
# A step in density is unlike that of most strips if it differs by more than the larger of: density; fraction of it.
UNLIKE_RISE, UNLIKE_PART = 0.1, 0.25
MOST_SHIFT = 0.45  # of the distance to the nearer end of the two patches: greatest shift of a border


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Borders measured, arrays (E,): strip, place (line, sample) in it, axis measured (0: x, 1: y), the film mm stated
    on that axis, variance in mm^2.

    `rise` is the increase of density across the border; 0 for a gap and where the tone is unknown.
    """

    strip: NDArray[np.int64]
    line: Array
    sample: Array
    axis: NDArray[np.int64]
    film_mm: Array
    variance: Array
    rise: Array

    def __len__(self) -> int:
        return self.strip.size


def find_edges(
    frame: Frame,
    read: Sequence[ReadWindow],
    sweeps: Sequence[StripSweep],
    shape: CrossShape,
    power: float,
    threads: int,
) -> Edges:
    """Measure all borders, in density, in all strips in which the whole pattern of the wedge was recognised.

    Light to this `power` mixes linearly within the spot (`mixing.mixing_exponent`).
    """
    edges = _with_usual_rise(_find(frame, power, read, sweeps, shape, threads))
    return replace(edges, variance=edges.variance + _tone_variance(frame, edges, shape))


def _with_usual_rise(edges: Edges) -> Edges:
    """The borders whose step in density is near the median over the strips, with that median as `rise`.

    The wedge is the same in all strips, so a different step is a scratch or a damaged patch, whose edge lies elsewhere.
    """
    rise, usual = edges.rise, edges.rise.copy()
    for at_mm in np.unique(edges.film_mm[edges.axis == 1]):
        mine = (edges.axis == 1) & (edges.film_mm == at_mm)
        usual[mine] = np.median(rise[mine])
    alike = np.abs(rise - usual) <= np.maximum(UNLIKE_RISE, UNLIKE_PART * np.abs(usual))
    edges = replace(edges, rise=usual)
    return Edges(*(getattr(edges, f.name)[alike] for f in fields(Edges)))


def _tone_variance(frame: Frame, edges: Edges, shape: CrossShape) -> Array:
    """Variance (E,) in mm^2 of the shift of each border by errors of the tone.

    They shift all groups of a border alike, so each group gets GROUPS_ACROSS times the variance: together they count as
    one. The film beside the ends of the wedge has a density that no patch calibrates: there the shift may be as large
    as in DN.
    """
    trust_mm = max(frame.film.reseau.sigma_mm or 0.0, TRUST_BLURS * min(shape.blur_x_mm, shape.blur_y_mm))
    along = edges.axis == 1
    ends = [y for wedge in wedges(frame) for y in (wedge.patches[0].y_mm[0], wedge.patches[-1].y_mm[1])]
    variance = trust_mm**2 * np.where(along, GROUPS_ACROSS, 1)
    return np.where(along & np.isin(edges.film_mm, ends), _dn_variance(shape), variance)


def find_edges_in_dn(
    frame: Frame, read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], shape: CrossShape, threads: int
) -> Edges:
    """`find_edges` before the tone is known. The video's curve shifts a border a little; the variance allows for it."""
    edges = _find(frame, None, read, sweeps, shape, threads)
    return replace(edges, variance=edges.variance + _dn_variance(shape))


def _dn_variance(shape: CrossShape) -> float:
    """Variance in mm^2 of a border's place while the tone is unknown."""
    return (DN_SIGMA_BLURS * max(shape.blur_x_mm, shape.blur_y_mm)) ** 2


@dataclass(frozen=True, slots=True, eq=False)
class _Strip:
    """One strip with a wedge placed in it.

    `center_mm`: film x of its centre line; `x_mm` (n_samples,): film x of the samples relative to it. `light`, `noise`
    (n, n_samples): light and its 1-sigma on the lines from `first` on.
    """

    sweep: StripSweep
    index: int
    center_mm: float
    x_mm: Array
    placed: Placed
    first: int
    light: Picture
    noise: Picture

    def window(self, lines: tuple[int, int], samples: slice) -> tuple[Picture, Picture]:
        """Light and its 1-sigma in a window of `lines` (first, stop) and `samples`."""
        rows = slice(lines[0] - self.first, lines[1] - self.first)
        return self.light[rows, samples], self.noise[rows, samples]


def _find(
    frame: Frame,
    power: float | None,
    read: Sequence[ReadWindow],
    sweeps: Sequence[StripSweep],
    shape: CrossShape,
    threads: int,
) -> Edges:
    """All borders of all wedges in all strips, measured in light to a `power`, or in DN if that is None.

    The lines around a wedge are read only once.
    """
    scan = frame.scan

    def in_strip(task: tuple[Wedge, int]) -> list[Row]:
        wedge, k = task
        lines = _lines_around(wedge, sweeps[k], scan.tolerance_mm)
        if lines is None:
            return []
        values, sigma = read[k](*lines)
        placed = place_wedge(wedge, lines[0], values, sigma, sweeps[k], scan.line_mm, scan.tolerance_mm)
        if placed is None:
            return []
        center_mm = scan.first_center_mm + k * scan.pitch_mm
        x_mm = sweeps[k].x_sample_mm + np.median(sweeps[k].x_line_mm) - center_mm
        light = light_of_dn(values, sigma) if power is None else mixed_value(values, sigma, power)
        strip = _Strip(sweeps[k], k, center_mm, x_mm, placed, lines[0], *light)
        sides = tuple(side for side in (-1, 1) if 0 <= k + side < len(sweeps))
        measured = [border for border in wedge.borders if not border.in_picture]
        along = [group for border in measured for group in _border_in_groups(strip, border, shape.blur_y_mm)]
        gaps = [gap for patch in wedge.patches for gap in _gaps(strip, patch, scan, shape.blur_x_mm, sides)]
        return _rows(strip, 1, along) + _rows(strip, 0, gaps)

    tasks = [(wedge, k) for wedge in wedges(frame) for k in range(len(sweeps))]
    table = np.array([row for rows in shared_out(in_strip, tasks, threads) for row in rows], float).reshape(-1, 8)
    index, line, sample, axis, film_mm, variance, level, step = table.T
    rise = np.zeros(len(table)) if power is None else np.where(axis == 1, rise_of(level, step, power), 0.0)
    return Edges(index.astype(np.int64), line, sample, axis.astype(np.int64), film_mm, variance, rise)


def _lines_around(wedge: Wedge, sweep: StripSweep, reach_mm: float) -> tuple[int, int] | None:
    """First and stop line on which any sample may see a wedge that lies within `reach_mm` of its place by the sweep;
    None if there are no such lines."""
    low_mm, high_mm = wedge.span_mm
    lines = _lines_seeing(sweep, low_mm - reach_mm, high_mm + reach_mm)
    return (int(lines[0]), int(lines[-1]) + 1) if lines.size else None


def _rows(strip: _Strip, axis: int, found: Sequence[Row]) -> list[Row]:
    """Rows of the table of borders: strip, line, sample, axis, stated mm, variance (mm^2), level and step of the light.

    Rows of `found` hold the line and sample around which a border was measured, its film mm on the axis by the sweep,
    and the last four. The result has the line and sample at which the sweep sees that film place.
    """
    line, sample, seen_mm, *rest_of_row = np.array(found, float).reshape(-1, 7).T
    here = to_film(strip.sweep, ScanPoints(line, sample))
    at = to_scan(strip.sweep, FilmPoints(here.x_mm, seen_mm) if axis else FilmPoints(seen_mm, here.y_mm))
    places = zip(at.line.tolist(), at.sample.tolist(), *(column.tolist() for column in rest_of_row), strict=True)
    return [(strip.index, line, sample, axis, *rest) for line, sample, *rest in places]


def _border_in_groups(strip: _Strip, border: Border, blur_mm: float) -> list[Row]:
    """A border as measured in each group of samples in which it stands out.

    Each row: middle of the lines used, middle sample of the group, film y found and stated, mm, variance, mm^2, level
    of the light before the border and its step.
    """
    sweep = strip.sweep
    clear_mm = min(border.high_mm - border.at_mm, border.at_mm - border.low_mm)
    reach = min(clear_mm - MARGIN_BLURS * blur_mm, REACH_BLURS * blur_mm)
    seen_mm = strip.placed.seen_mm(border.at_mm)
    lines = _lines_within(sweep, seen_mm, reach)
    across = (border.across_mm[0] + MARGIN_BLURS * blur_mm, border.across_mm[1] - MARGIN_BLURS * blur_mm)
    first, stop = strip.x_mm.searchsorted(across[0], "right"), strip.x_mm.searchsorted(across[1])
    if stop - first < GROUPS_ACROSS or reach < blur_mm or lines is None:
        return []
    samples, bounds = slice(int(first), int(stop)), _even_parts(int(stop - first), GROUPS_ACROSS)
    t = sweep.y_line_mm[slice(*lines), None] + sweep.y_sample_mm[samples] - seen_mm
    fits = fit_border_in_groups(t, *strip.window(lines, samples), bounds, reach, Feature(blur_mm, 0.0))
    middle = (first + (bounds[:-1] + bounds[1:] - 1) / 2).tolist()
    return [
        (sum(lines) / 2, sample, seen_mm + fit.shift_mm, border.at_mm, fit.variance, fit.level, fit.step)
        for sample, fit in zip(middle, fits, strict=True)
        if fit is not None and abs(fit.shift_mm) < MOST_SHIFT * clear_mm
    ]


def _even_parts(count: int, parts: int) -> NDArray[np.int64]:
    """Bounds (parts + 1,) that divide `count` into parts whose sizes differ by at most one, the larger first."""
    return np.array([i * (count // parts) + min(i, count % parts) for i in range(parts + 1)], np.int64)


def _gaps(strip: _Strip, patch: WedgePatch, scan: Scan, blur_mm: float, sides: tuple[int, ...]) -> list[Row]:
    """The gaps to the neighbours' wedges beside one patch, on the `sides` (-1, 1) with a neighbour.

    Each row: middle of the lines and of the samples used, film x found and stated, mm, variance, mm^2, level and step
    of the light.
    """
    sweep, (left, right) = strip.sweep, patch.across_mm
    middle, height = strip.placed.seen_mm(sum(patch.y_mm) / 2), patch.y_mm[1] - patch.y_mm[0]
    lines = _lines_within(sweep, middle, height / 2 - MARGIN_BLURS * blur_mm)
    half = (scan.pitch_mm - (right - left)) / 2
    reach = half + GAP_FLANK_BLURS * blur_mm
    if lines is None or not 0 < half < WIDEST_GAP_BLURS * blur_mm:
        return []
    gap = Feature(blur_mm, half)
    middle_mm = sweep.x_sample_mm + np.mean(sweep.x_line_mm[slice(*lines)])
    slack = min(SIGMAS * float(np.median(sweep.sigma_x_mm[slice(*lines)])), scan.tolerance_mm) + 2 * blur_mm
    gaps: list[Row] = []
    for side in sides:
        at_mm = strip.center_mm + (left + right + side * scan.pitch_mm) / 2
        x_mm = middle_mm - at_mm
        near = np.flatnonzero(np.abs(x_mm) < reach + slack)
        if near.size < 8:
            continue
        samples = slice(int(near[0]), int(near[-1]) + 1)
        t = sweep.x_line_mm[slice(*lines), None] + sweep.x_sample_mm[samples] - at_mm
        light, noise = strip.window(lines, samples)
        start = search_border(t, light, noise, gap, reach, slack)
        if start is None or x_mm[0] > start - reach or x_mm[-1] < start + reach:
            continue
        found = fit_border(t, light, noise, reach, gap, start)
        if found is not None and abs(found.shift_mm - start) < half:
            middle_line, middle_sample = (lines[0] + lines[1] - 1) / 2, float(near.mean())
            gaps.append(
                (middle_line, middle_sample, at_mm + found.shift_mm, at_mm, found.variance, found.level, found.step)
            )
    return gaps


def _lines_within(sweep: StripSweep, y_mm: float, reach_mm: float) -> tuple[int, int] | None:
    """First and stop line on which any sample lies within `reach_mm` of a film y; None if the strip ends within it."""
    lines = _lines_seeing(sweep, y_mm - reach_mm, y_mm + reach_mm)
    if lines.size < 4 or lines[0] == 0 or lines[-1] == sweep.n_lines - 1:
        return None
    return int(lines[0]), int(lines[-1]) + 1


def _lines_seeing(sweep: StripSweep, low_mm: float, high_mm: float) -> NDArray[np.int64]:
    """Indices of the lines on which any sample sees a film y between `low_mm` and `high_mm`."""
    least, most = float(sweep.y_sample_mm.min()), float(sweep.y_sample_mm.max())
    return np.flatnonzero((sweep.y_line_mm + most > low_mm) & (sweep.y_line_mm + least < high_mm))


def edge_observations(edges: Edges, nominal: Nominal, shape: CrossShape) -> Observations:
    """Borders as observations of the axis that they measure."""
    n = len(edges)
    value, information = np.zeros((n, 2)), np.zeros((n, 2, 2))
    for k in np.unique(edges.strip):
        at = to_film(nominal.sweeps[int(k)], ScanPoints(edges.line, edges.sample))
        for axis, (film_mm, px_mm) in enumerate(zip((at.x_mm, at.y_mm), nominal.px_mm, strict=True)):
            mine = (edges.strip == k) & (edges.axis == axis)
            value[mine, axis] = (edges.film_mm[mine] - film_mm[mine]) / px_mm
            information[mine, axis, axis] = px_mm**2 / edges.variance[mine]
    zero = np.zeros(n)
    return Observations(
        kind=np.where(edges.axis == 0, EDGE_X, EDGE), a=edges.strip, line_a=edges.line, sample_a=edges.sample,
        line_b=zero, sample_b=zero, value=value, information=information, mark=np.full(n, -1),
        per_power=shift_per_power(edges.rise, shape.blur_y_mm) / nominal.px_mm[1],
    )  # fmt: skip
