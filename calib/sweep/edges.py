"""The step wedge as evidence for the sweep: its patches' borders lie at known film places, where no marks are.

Borders along the lines' direction tell y over the whole width, the gaps between neighbouring strips' wedges tell x.
They are looked at in transmitted light, the thing the spot averages, so a border's middle is half way.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.sweep.adjust import EDGE, EDGE_X, Observations
from calib.sweep.cross import CrossShape
from calib.sweep.edgefit import fit_border, light_of_density, light_of_dn
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.tables import ReadWindow
from calib.sweep.wedge import Border, Placed, place_wedge, wedges

ReadLight = Callable[[int, int], tuple[Array, Array]]
GROUPS_ACROSS = 8
DN_SIGMA_BLURS = 0.5  # 1-sigma, in spot radii, of a border's place taken from DN
MARGIN_MM = 0.03  # kept away from the patches' other borders
MOST_SHIFT = 0.45  # of a patch's height


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


def find_edges(frame: Any, read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], shape: CrossShape) -> Edges:
    """Measure all borders, in density, in all strips that the wedge's whole pattern places."""
    lit = [_lit(reader, light_of_density) for reader in read]
    return _find(frame, lit, read, sweeps, shape)


def find_edges_in_dn(
    frame: Any, read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], shape: CrossShape
) -> Edges:
    """The same before the tone is known: the video's curve shifts a border a little, which the variance allows for."""
    edges = _find(frame, [_lit(reader, light_of_dn) for reader in read], read, sweeps, shape)
    return replace(edges, variance=edges.variance + (DN_SIGMA_BLURS * max(shape.blur_x_mm, shape.blur_y_mm)) ** 2)


def _lit(read: ReadWindow, convert: Callable[[Array, Array], tuple[Array, Array]]) -> ReadLight:
    """Read light instead of values."""
    return lambda first, stop: convert(*read(first, stop))


def _find(
    frame: Any, lit: Sequence[ReadLight], read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], shape: CrossShape
) -> Edges:
    """All borders of all wedges in all strips."""
    rows: list[tuple[float, ...]] = []
    scan = frame.scan
    for wedge in wedges(frame):
        for k, sweep in enumerate(sweeps):
            placed = place_wedge(wedge, read[k], sweep, scan.line_mm, scan.tolerance_mm)
            if placed is None:
                continue
            center = scan.first_center_mm + k * scan.pitch_mm
            for border in wedge.borders:
                rows += _along(lit[k], sweep, border, center, k, placed, shape.blur_y_mm)
            sides = tuple(side for side in (-1, 1) if 0 <= k + side < len(sweeps))
            for patch in wedge.patches:
                rows += _gaps(lit[k], sweep, patch, center, k, placed, scan.pitch_mm, shape.blur_x_mm, sides)
    table = np.array(rows, float).reshape(-1, 6)
    return Edges(table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3].astype(np.int64), *table[:, 4:].T)


def _along(
    read: ReadLight, sweep: StripSweep, border: Border, center_mm: float, k: int, placed: Placed, blur_mm: float
) -> list[tuple[float, ...]]:
    """One border in groups of samples across the strip."""
    reach = min(border.high_mm - border.at_mm, border.at_mm - border.low_mm) - MARGIN_MM
    reach = min(reach, 0.15)
    height = min(border.high_mm - border.at_mm, border.at_mm - border.low_mm)
    x_mm = sweep.x_sample_mm + np.median(sweep.x_line_mm) - center_mm
    inside = np.flatnonzero((x_mm > border.across_mm[0] + MARGIN_MM) & (x_mm < border.across_mm[1] - MARGIN_MM))
    seen_mm = placed.seen_mm(border.at_mm)
    lines = _lines(sweep, seen_mm, reach)
    if inside.size < GROUPS_ACROSS or lines is None:
        return []
    values, sigma = read(*lines)
    rows = []
    for samples in np.array_split(inside, GROUPS_ACROSS):
        line = np.arange(*lines)[:, None] * np.ones(samples.size)
        film = to_film(sweep, ScanPoints(line, samples * np.ones_like(line)))
        t = film.y_mm - seen_mm
        block = (slice(None), slice(samples[0], samples[-1] + 1))
        found = fit_border(t, values[block], sigma[block], np.abs(t) < reach, lambda d: ndtr(d / blur_mm), blur_mm)
        if found is not None and abs(found[0]) < MOST_SHIFT * height:
            at_s = float(samples.mean())
            y_here = seen_mm + found[0]
            at = to_scan(sweep, _at_film(to_film(sweep, ScanPoints(np.array(0.0), np.array(at_s))).x_mm, y_here))
            rows.append((k, float(at.line), at_s, 1, border.at_mm, found[1]))
    return rows


def _gaps(
    read: ReadLight, sweep: StripSweep, patch: Any, center_mm: float, k: int, placed: Placed, pitch_mm: float,
    blur_mm: float, sides: tuple[int, ...],
) -> list[tuple[float, ...]]:  # fmt: skip
    """The gaps to the neighbours' wedges beside one patch, on the sides where there is a neighbour."""
    middle, height = placed.seen_mm((patch.y_mm[0] + patch.y_mm[1]) / 2), patch.y_mm[1] - patch.y_mm[0]
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
