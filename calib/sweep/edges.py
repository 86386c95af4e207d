"""The step wedge as evidence for the sweep: its patches' borders lie at known film places, where no marks are.

Borders along the lines' direction tell y over the whole width, the gaps between neighbouring strips' wedges tell x.
They are looked at in transmitted light, the thing the spot averages, so a border's middle is half way. All borders
look alike: each strip is first placed along y by the wedge's whole pattern, fog before and gap after it included.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.sweep.adjust import EDGE, EDGE_X, Observations
from calib.sweep.cross import CrossShape
from calib.sweep.edgefit import fit_border
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.tables import ReadWindow

GROUPS_ACROSS = 8
MARGIN_MM = 0.03  # kept away from the patches' other borders
MOST_SHIFT = 0.45  # of a patch's height


@dataclass(frozen=True, slots=True)
class Border:
    """A border at `at_mm` along y; the film is even from `low_mm` to it and from it to `high_mm`, between across."""

    at_mm: float
    low_mm: float
    high_mm: float
    across_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Borders found (E,): strip, place (line, sample) in it, axis seen (0: x, 1: y), its film mm, variance in mm^2."""

    strip: NDArray[np.int64]
    line: Array
    sample: Array
    axis: NDArray[np.int64]
    film_mm: Array
    variance: Array

    def __len__(self) -> int:
        return self.strip.size


def borders(frame: Any) -> tuple[Border, ...]:
    """All borders along y between patches, and between a patch and the fog or gap beside it."""
    patches = sorted(frame.film.wedge.patches, key=lambda p: p.y_mm[0])
    found = []
    for i, patch in enumerate(patches):
        height = patch.y_mm[1] - patch.y_mm[0]
        before = patches[i - 1] if i else None
        touches = before is not None and abs(before.y_mm[1] - patch.y_mm[0]) < 1e-6
        low = before.y_mm[0] if touches and before else patch.y_mm[0] - _free(frame, patches, patch.y_mm[0], -1, height)
        across = _common(before, patch) if touches and before else patch.across_mm
        found.append(Border(patch.y_mm[0], low, patch.y_mm[1], across))
        after = patches[i + 1] if i + 1 < len(patches) else None
        if after is None or abs(after.y_mm[0] - patch.y_mm[1]) >= 1e-6:
            high = patch.y_mm[1] + _free(frame, patches, patch.y_mm[1], 1, height)
            found.append(Border(patch.y_mm[1], patch.y_mm[0], high, patch.across_mm))
    return tuple(b for b in found if b.high_mm - b.at_mm > MARGIN_MM and b.at_mm - b.low_mm > MARGIN_MM)


def _common(one: Any, other: Any) -> tuple[float, float]:
    """Where two patches lie side by side."""
    return max(one.across_mm[0], other.across_mm[0]), min(one.across_mm[1], other.across_mm[1])


def _free(frame: Any, patches: Sequence[Any], at_mm: float, sign: int, height_mm: float) -> float:
    """How far the film beside the wedge is even: to the picture or the next patch, at most a patch's height."""
    half = frame.camera.format_mm[1] / 2
    others = [-half, half, *(y for p in patches for y in p.y_mm)]
    ahead = [sign * (y - at_mm) for y in others if sign * (y - at_mm) > 1e-6]
    return float(min([height_mm, *ahead]))


def find_edges(frame: Any, read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], shape: CrossShape) -> Edges:
    """Measure all borders in all strips that the pattern places."""
    rows: list[tuple[float, ...]] = []
    marks = borders(frame)
    for k, sweep in enumerate(sweeps):
        center = frame.scan.first_center_mm + k * frame.scan.pitch_mm
        shift = wedge_shift(frame, read[k], sweep, center, marks, frame.scan.tolerance_mm)
        if shift is None:
            continue
        for border in marks:
            rows += _along(read[k], sweep, border, center, k, shift, shape.blur_y_mm)
        for patch in frame.film.wedge.patches:
            sides = tuple(side for side in (-1, 1) if 0 <= k + side < len(sweeps))
            rows += _gaps(read[k], sweep, patch, center, k, shift, frame.scan.pitch_mm, shape.blur_x_mm, sides)
    table = np.array(rows, float).reshape(-1, 6)
    return Edges(table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3].astype(np.int64), *table[:, 4:].T)


def wedge_shift(
    frame: Any, read: ReadWindow, sweep: StripSweep, center_mm: float, marks: Sequence[Border], reach_mm: float
) -> float | None:
    """By how much (mm) the wedge lies further on in y than the sweep says; None where it is not to be seen.

    The shift that leaves the least scatter inside the pattern's even pieces. Only shifts that the sweep's own
    uncertainty allows are tried.
    """
    if not marks:
        return None
    low, high = min(b.low_mm for b in marks), max(b.high_mm for b in marks)
    reach_mm = min(reach_mm, 4 * float(np.max(sweep.sigma_y_mm)) + 2 * frame.scan.line_mm)
    y_mm, profile, noise = _profile(read, sweep, center_mm, low - reach_mm, high + reach_mm)
    if len(profile) < 8:
        return None
    cuts = np.array(sorted({b.low_mm for b in marks} | {b.at_mm for b in marks} | {b.high_mm for b in marks}))
    even = np.zeros(len(cuts) - 1, bool)
    for b in marks:
        even |= ((cuts[:-1] >= b.low_mm - 1e-9) & (cuts[1:] <= b.high_mm + 1e-9))
    shifts = np.arange(-np.floor(reach_mm / frame.scan.line_mm), np.floor(reach_mm / frame.scan.line_mm) + 1)
    shifts *= frame.scan.line_mm
    scatter = np.array([_scatter(y_mm - shift, profile, cuts, even) for shift in shifts])
    best = int(scatter.argmin())
    if not np.isfinite(scatter[best]) or scatter[best] > 0.25 * np.var(profile) + 4 * noise**2:
        return None
    return float(shifts[best])


def _profile(
    read: ReadWindow, sweep: StripSweep, center_mm: float, low_mm: float, high_mm: float
) -> tuple[Array, Array, float]:
    """Median over the strip's middle samples line by line between two film y: y, value, and noise of a value."""
    middle = (sweep.n_samples - 1) / 2
    along = sweep.y_line_mm + sweep.y_sample_mm[sweep.n_samples // 2]
    lines = np.flatnonzero((along > low_mm) & (along < high_mm))
    if lines.size == 0:
        return np.empty(0), np.empty(0), 0.0
    first, last = int(lines.min()), int(lines.max()) + 1
    near, far = int(middle * 0.6), int(middle * 1.4) + 1
    values, sigma = (part[:, near:far] for part in read(first, last))
    good = np.isfinite(sigma)
    whole = good.mean(axis=1) > 0.5
    profile = np.array([np.median(v[g]) for v, g in zip(values[whole], good[whole], strict=True)])
    noise = float(np.median(sigma[good])) / np.sqrt(far - near) if good.any() else 0.0
    return along[first:last][whole], profile, noise


def _scatter(y_mm: Array, profile: Array, cuts: Array, even: NDArray[np.bool_]) -> float:
    """Mean square scatter of a profile inside the even pieces between the cuts."""
    piece = np.searchsorted(cuts, y_mm) - 1
    inside = (piece >= 0) & (piece < even.size)
    inside[inside] &= even[piece[inside]]
    if inside.sum() < 8:
        return np.inf
    piece, values = piece[inside], profile[inside]
    count = np.bincount(piece, minlength=even.size)
    mean = np.bincount(piece, values, minlength=even.size) / np.maximum(count, 1)
    return float(np.mean((values - mean[piece]) ** 2))


def _along(
    read: ReadWindow, sweep: StripSweep, border: Border, center_mm: float, k: int, shift: float, blur_mm: float
) -> list[tuple[float, ...]]:
    """One border in groups of samples across the strip."""
    reach = min(border.high_mm - border.at_mm, border.at_mm - border.low_mm) - MARGIN_MM
    reach = min(reach, 0.15)
    height = min(border.high_mm - border.at_mm, border.at_mm - border.low_mm)
    x_mm = sweep.x_sample_mm + np.median(sweep.x_line_mm) - center_mm
    inside = np.flatnonzero((x_mm > border.across_mm[0] + MARGIN_MM) & (x_mm < border.across_mm[1] - MARGIN_MM))
    lines = _lines(sweep, border.at_mm + shift, reach)
    if inside.size < GROUPS_ACROSS or lines is None:
        return []
    values, sigma = read(*lines)
    rows = []
    for samples in np.array_split(inside, GROUPS_ACROSS):
        line = np.arange(*lines)[:, None] * np.ones(samples.size)
        film = to_film(sweep, ScanPoints(line, samples * np.ones_like(line)))
        t = film.y_mm - border.at_mm - shift
        block = (slice(None), slice(samples[0], samples[-1] + 1))
        found = fit_border(t, values[block], sigma[block], np.abs(t) < reach, lambda d: ndtr(d / blur_mm), blur_mm)
        if found is not None and abs(found[0]) < MOST_SHIFT * height:
            at_s = float(samples.mean())
            y_here = border.at_mm + shift + found[0]
            at = to_scan(sweep, _at_film(to_film(sweep, ScanPoints(np.array(0.0), np.array(at_s))).x_mm, y_here))
            rows.append((k, float(at.line), at_s, 1, border.at_mm, found[1]))
    return rows


def _gaps(
    read: ReadWindow, sweep: StripSweep, patch: Any, center_mm: float, k: int, shift: float, pitch_mm: float,
    blur_mm: float, sides: tuple[int, ...],
) -> list[tuple[float, ...]]:  # fmt: skip
    """The gaps to the neighbours' wedges beside one patch, on the sides where there is a neighbour."""
    middle, height = (patch.y_mm[0] + patch.y_mm[1]) / 2 + shift, patch.y_mm[1] - patch.y_mm[0]
    lines = _lines(sweep, middle, height / 2 - MARGIN_MM)
    left, right = patch.across_mm
    if lines is None or not 0 < pitch_mm - (right - left) < 0.2:
        return []
    values, sigma = read(*lines)
    rows = []
    for side in sides:
        edge = (left + (right - pitch_mm)) / 2 if side < 0 else (right + (left + pitch_mm)) / 2
        reach = (pitch_mm - (right - left)) / 2 + 0.08
        x_mm = sweep.x_sample_mm + np.mean(sweep.x_line_mm[slice(*lines)]) - center_mm - edge
        samples = np.flatnonzero(np.abs(x_mm) < reach + 0.02)
        if samples.size < 8 or x_mm[0] > -reach or x_mm[-1] < reach:
            continue
        line = np.arange(*lines)[:, None] * np.ones(samples.size)
        film = to_film(sweep, ScanPoints(line, samples * np.ones_like(line)))
        t = film.x_mm - center_mm - edge
        half = (pitch_mm - (right - left)) / 2
        block = (slice(None), slice(samples[0], samples[-1] + 1))
        found = fit_border(
            t, values[block], sigma[block], np.abs(t) < reach,
            lambda d, half=half: ndtr((d + half) / blur_mm) - ndtr((d - half) / blur_mm), blur_mm,
        )  # fmt: skip
        if found is not None and abs(found[0]) < half + 2 * blur_mm:
            at_l = (lines[0] + lines[1] - 1) / 2
            x_here = center_mm + edge + found[0]
            y_here = to_film(sweep, ScanPoints(np.array(at_l), np.array(samples.mean()))).y_mm
            at = to_scan(sweep, _at_film(x_here, y_here))
            rows.append((k, at_l, float(at.sample), 0, center_mm + edge, found[1]))
    return rows


def _at_film(x_mm: Any, y_mm: Any) -> FilmPoints:
    """A film place."""
    return FilmPoints(np.asarray(x_mm, float), np.asarray(y_mm, float))


def _lines(sweep: StripSweep, y_mm: float, reach_mm: float) -> tuple[int, int] | None:
    """First and stop line within `reach_mm` of a film y at any sample; None where the strip does not reach so far."""
    low, high = float(sweep.y_sample_mm.min()), float(sweep.y_sample_mm.max())
    near = (sweep.y_line_mm + high > y_mm - reach_mm) & (sweep.y_line_mm + low < y_mm + reach_mm)
    lines = np.flatnonzero(near)
    if lines.size < 4 or lines[0] == 0 or lines[-1] == sweep.n_lines - 1:
        return None
    return int(lines[0]), int(lines[-1]) + 1


def edge_observations(edges: Edges, nominal: Nominal) -> Observations:
    """Borders as evidence on the axis they see."""
    n = len(edges)
    value, information = np.zeros((n, 2)), np.zeros((n, 2, 2))
    for i in range(n):
        axis = int(edges.axis[i])
        at = to_film(nominal.sweeps[int(edges.strip[i])], ScanPoints(edges.line[i], edges.sample[i]))
        px_mm = nominal.px_mm[axis]
        value[i, axis] = (edges.film_mm[i] - (at.x_mm, at.y_mm)[axis]) / px_mm
        information[i, axis, axis] = px_mm**2 / edges.variance[i]
    zero = np.zeros(n)
    return Observations(
        kind=np.where(edges.axis == 0, EDGE_X, EDGE), a=edges.strip, line_a=edges.line, sample_a=edges.sample,
        line_b=zero, sample_b=zero, value=value, information=information, mark=np.full(n, -1),
    )  # fmt: skip
