"""Ties: by how much neighbouring strips' sweeps disagree, from the same film texture seen in both.

Per window of the overlap, Gauss-Newton on the shift (line, sample) that makes the right strip's picture match the left
one's, with an offset and a drift along the lines as nuisance (a strip's tone may drift) and a column profile common to
the whole seam (what is left of the banding). The covariance counts the noise's correlation after smoothing, takes the
noise's own gradients out of the information, and is widened by the residual scatter where that exceeds the noise.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, ScanPoints
from calib.sweep.adjust import TIE, Observations
from calib.sweep.match import match_window, robust_scatter, smoothed_products
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.overlap import needs_search, search_shift
from calib.sweep.seam import WINDOW_LINES, SeamBlock, Window, local_step, seam_blocks
from calib.sweep.tables import ReadWindow, TieTable

BLUR_PX = 1.0
COARSE_BLUR_PX = 2.5
PART_SAMPLES = 8  # least width of a part of the overlap,
MOST_PARTS = 3  # of so many at most
SURE_PX = 1.5  # relative 1-sigma of two strips beyond which their shift is searched for,
CLOSE_PX = 0.5  # and beyond which it is matched in coarse pictures first
FAR_PX = 0.8
LEAST_WEIGHT = 0.4
MOST_SIGMA_PX = 1.0  # a tie worse than this along its best direction is left out


@dataclass(frozen=True, slots=True, eq=False)
class Ties:
    """Ties (T,): left strip, place (line, sample) there and the matching one in the right strip, shift found (T, 2) in
    left px and its covariance (T, 2, 2)."""

    strip: NDArray[np.int64]
    line: Array
    sample: Array
    line_right: Array
    sample_right: Array
    shift: Array
    cov: Array

    def __len__(self) -> int:
        return self.strip.size

    def without(self, seams: Sequence[int]) -> "Ties":
        """The ties of all other seams."""
        keep = ~np.isin(self.strip, seams)
        return Ties(*(getattr(self, f.name)[keep] for f in fields(self)))


def unsettled_seams(ties: Ties, weight: Array, sweeps: Sequence[StripSweep], px_mm: Array) -> list[int]:
    """Seams, by their left strip, to be measured again from better sweeps: where the strips' place was uncertain, or
    where a tie was far from it or has lost its robust weight (T,) in the fit since."""
    uncertain = {k for k in range(len(sweeps) - 1) if needs_search(sweeps[k], sweeps[k + 1], px_mm, CLOSE_PX)}
    far = (np.abs(ties.shift).max(axis=1) > FAR_PX) | (weight < LEAST_WEIGHT)
    return sorted(uncertain | set(ties.strip[far].tolist()))


def join_ties(parts: Sequence[Ties]) -> Ties:
    """Several sets of ties as one."""
    return Ties(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Ties)))


def measure_ties(read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], px_mm: Array, seams: Sequence[int]) -> Ties:
    """Ties of the given seams. Where the strips' relative place is uncertain the shift is searched for, and matched in
    strongly smoothed pictures, before it is measured over the whole width of the overlap."""
    rows = []
    for k in seams:
        start, guesses, parts = np.zeros(2), {}, MOST_PARTS
        if needs_search(sweeps[k], sweeps[k + 1], px_mm, SURE_PX):
            found = search_shift(read[k], read[k + 1], sweeps[k], sweeps[k + 1], px_mm)
            start = start if found is None else found
        if needs_search(sweeps[k], sweeps[k + 1], px_mm, CLOSE_PX):
            coarse = _seam_shifts(read, sweeps, k, COARSE_BLUR_PX, {}, start, 1)
            guesses = {key[0]: match.shift for key, match in coarse.items()}
            parts = 1
        for match in _seam_shifts(read, sweeps, k, BLUR_PX, guesses, start, parts).values():
            here = ScanPoints(*(np.array([at]) for at in match.place + match.shift))
            there = to_scan(sweeps[k + 1], to_film(sweeps[k], here))
            rows.append((k, *match.place, there.line[0], there.sample[0], *match.shift, *match.cov.ravel()))
    table = np.array(rows, float).reshape(-1, 11)
    return Ties(
        table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3], table[:, 4], table[:, 5:7],
        table[:, 7:].reshape(-1, 2, 2),
    )  # fmt: skip


def _seam_shifts(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], k: int, blur_px: float,
    guesses: dict[int, Array], start: Array, most_parts: int,
) -> "dict[tuple[int, int], _Match]":  # fmt: skip
    """Matches by first line and part of the width, the seam's column profile found between two passes.

    The overlap is matched in parts of its width, `most_parts` if it is wide enough, for the sweeps may be bent against
    each other; the matches then say so.
    """
    columns: Array | None = None
    for _ in range(2):
        found: dict[tuple[int, int], _Match] = {}
        for block in seam_blocks(read[k], read[k + 1], sweeps[k], sweeps[k + 1], blur_px):
            width = len(block.samples)
            profile = np.zeros(width) if columns is None else columns
            parts = int(np.clip(width // PART_SAMPLES, 1, most_parts))
            bounds = [width * i // parts for i in range(parts + 1)]
            for first in range(0, len(block.lines), WINDOW_LINES):
                line = int(block.lines[first])
                for part, (low, high) in enumerate(pairwise(bounds)):
                    window = (slice(first, first + WINDOW_LINES), slice(low, high))
                    match = _match(block, window, profile, guesses.get(line, start), blur_px)
                    if match is not None:
                        found[line, part] = match
        if not found:
            return found
        weights = np.sum([match.weight for match in found.values()], axis=0)
        left_over = np.sum([match.left_over * match.weight for match in found.values()], axis=0)
        left_over = left_over / np.maximum(weights, 1e-30)
        columns = left_over if columns is None else columns + left_over
        columns = columns - columns.mean()
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Match:
    """A window's shift (left px), the place (line, sample) it holds for, its covariance, and the mean left over in each
    column of the overlap with its weight. The place is the centre of the texture that tells the shift across, not of
    the window: the sweeps may yet be stretched against each other."""

    place: Array
    shift: Array
    cov: Array
    left_over: Array
    weight: Array


def _match(block: SeamBlock, window: Window, columns: Array, guess: Array, blur_px: float) -> _Match | None:
    """Gauss-Newton for one window; None where there is too little to compare or it runs away."""
    noise2 = _mean_noise2(block, window)
    # The mean of two pictures whose noise variances add up to noise2, smoothed by a Gaussian of rms b, has gradients of
    # variance noise2/4 / (8 pi b^4) by noise alone.
    own_noise = noise2 / 4 / (8 * np.pi * blur_px**4)
    left, right = block.left, block.right
    there = np.ascontiguousarray(block.there[:, window[0], window[1]])
    matched, shift, normal, slope, residual, good = match_window(
        np.ascontiguousarray(left.values[window]), np.ascontiguousarray(left.signal[window]), right.coefficients,
        right.signal, there, local_step(there), columns[window[1]], guess, own_noise,
    )  # fmt: skip
    if not matched:
        return None
    cov = _covariance(slope, good, residual, normal, noise2, blur_px)
    if np.linalg.eigvalsh(cov)[0] > MOST_SIGMA_PX**2:
        return None
    texture = good * slope[1] ** 2
    line, sample = block.lines[window[0]], block.samples[window[1]]
    place = np.array([np.sum(texture.sum(axis=1) * line), np.sum(texture.sum(axis=0) * sample)]) / np.sum(texture)
    counted, left_over = np.zeros(len(columns)), np.zeros(len(columns))
    counted[window[1]] = good.sum(axis=0)
    left_over[window[1]] = -(good * residual).sum(axis=0) / np.maximum(good.sum(axis=0), 1)
    return _Match(place, shift, cov, left_over, counted)


def _mean_noise2(block: SeamBlock, window: Window) -> float:
    """Noise variance of left plus right samples before smoothing, mean over the window."""
    line = block.there[0][window]
    low, high = int(line.min()), int(np.ceil(line.max())) + 1
    mine = block.left.noise2[window]
    other = block.right.noise2[max(low, 0) : high]
    return float(mine[mine > 0].mean() if np.any(mine > 0) else 0.0) + float(
        other[other > 0].mean() if np.any(other > 0) else 0.0
    )


def _covariance(slope: Array, good: Array, residual: Array, normal: Array, noise2: float, blur_px: float) -> Array:
    """Covariance of the shift for noise that smoothing has correlated: N^-1 (sum of smoothed gradients^2) N^-1."""
    middle = smoothed_products(slope, good, _kernel(blur_px))
    expected = noise2 / (4 * np.pi * blur_px**2)
    scatter = robust_scatter(residual, good) ** 2
    variance = noise2 * max(1.0, scatter / expected) if expected > 0 else scatter * 4 * np.pi * blur_px**2
    inverse = np.linalg.inv(normal)[:2, :2]
    return np.asarray(inverse @ middle @ inverse * variance)


def _kernel(blur_px: float) -> Array:
    """Weights of a Gaussian in whole px, out to four sigma."""
    reach = int(4 * blur_px + 0.5)
    weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) / blur_px) ** 2)
    return np.asarray(weight / weight.sum())


def tie_observations(ties: Ties, nominal: Nominal) -> Observations:
    """Ties as evidence."""
    value, information = np.empty((len(ties), 2)), np.empty((len(ties), 2, 2))
    for k in np.unique(ties.strip):
        mine = ties.strip == k
        right = to_film(nominal.sweeps[k + 1], ScanPoints(ties.line_right[mine], ties.sample_right[mine]))
        value[mine] = nominal.departure_px(int(k), ScanPoints(ties.line[mine], ties.sample[mine]), right)
        turn = np.array([[0.0, 1.0], [nominal.line_sign(int(k)), 0.0]])
        information[mine] = np.linalg.inv(turn @ ties.cov[mine] @ turn.T)
    n = len(ties)
    return Observations(
        kind=np.full(n, TIE), a=ties.strip, line_a=ties.line, sample_a=ties.sample, line_b=ties.line_right,
        sample_b=ties.sample_right, value=value, information=information, mark=np.full(n, -1),
    )  # fmt: skip


def tie_table(ties: Ties, nominal: Nominal, sweeps: Sequence[StripSweep], used: NDArray[np.bool_]) -> TieTable:
    """The ties in film mm, with what the fitted sweeps leave of them."""
    place, found, left_over = (np.empty((len(ties), 2)) for _ in range(3))
    sigma = np.empty((len(ties), 2))
    for k in np.unique(ties.strip):
        mine = ties.strip == k
        here = to_film(sweeps[k], ScanPoints(ties.line[mine], ties.sample[mine]))
        there = to_film(sweeps[k + 1], ScanPoints(ties.line_right[mine], ties.sample_right[mine]))
        place[mine] = np.column_stack([here.x_mm, here.y_mm])
        left_over[mine] = np.column_stack([there.x_mm - here.x_mm, there.y_mm - here.y_mm])
        turn = np.array([[0.0, 1.0], [nominal.line_sign(int(k)), 0.0]])
        found[mine] = -(ties.shift[mine] @ turn.T) * nominal.px_mm
        sigma[mine] = np.sqrt(np.diagonal(turn @ ties.cov[mine] @ turn.T, axis1=1, axis2=2)) * nominal.px_mm
    return TieTable(
        strip=ties.strip, x_mm=place[:, 0], y_mm=place[:, 1], dx_mm=found[:, 0], dy_mm=found[:, 1],
        sigma_x_mm=sigma[:, 0], sigma_y_mm=sigma[:, 1], residual_x_mm=left_over[:, 0], residual_y_mm=left_over[:, 1],
        used=used,
    )  # fmt: skip
