"""Ties: by how much neighbouring strips' sweeps disagree, from the same film texture seen in both.

Per window of the overlap, Gauss-Newton on the shift (line, sample) that makes the right strip's picture match the left
one's, with an offset and a drift along the lines as nuisance (a strip's tone may drift) and a column profile common to
the whole seam (what is left of the banding). The covariance counts the noise's correlation after smoothing, takes the
noise's own gradients out of the information, and is widened by the residual scatter where that exceeds the noise.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, ScanPoints
from calib.ordered import in_order_on
from calib.sweep.adjust import TIE, Observations
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.overlap import needs_search, search_shift
from calib.sweep.seam import WINDOW_LINES, Overlap, overlaps, seam_pictures
from calib.sweep.tables import ReadWindow, TieTable
from calib.sweep.windows import Matches, match_seam

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


NO_TIES = Ties(np.zeros(0, np.int64), *np.zeros((4, 0)), np.zeros((0, 2)), np.zeros((0, 2, 2)))


def unsettled_seams(ties: Ties, weight: Array, sweeps: Sequence[StripSweep], px_mm: Array) -> list[int]:
    """Seams, by their left strip, to be measured again from better sweeps: where the strips' place was uncertain, or
    where a tie was far from it or has lost its robust weight (T,) in the fit since."""
    uncertain = {k for k in range(len(sweeps) - 1) if needs_search(sweeps[k], sweeps[k + 1], px_mm, CLOSE_PX)}
    far = (np.abs(ties.shift).max(axis=1) > FAR_PX) | (weight < LEAST_WEIGHT)
    return sorted(uncertain | set(ties.strip[far].tolist()))


def join_ties(parts: Sequence[Ties]) -> Ties:
    """Several sets of ties as one."""
    return Ties(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Ties)))


def measure_ties(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], px_mm: Array, seams: Sequence[int], threads: int = 1
) -> Ties:
    """Ties of the given seams, looked at on `threads` threads. Where the strips' relative place is uncertain the shift
    is searched for, and matched in strongly smoothed pictures, before it is measured over the width of the overlap."""
    with ThreadPoolExecutor(threads) as pool:
        found = overlaps(read, sweeps, seams, pool, 2 * threads)
        parts = list(in_order_on(pool, partial(_seam_ties, px_mm=px_mm), found, 2 * threads))
    return join_ties([NO_TIES, *parts])


def _seam_ties(overlap: Overlap, px_mm: Array) -> Ties:
    """Ties of one seam."""
    left, right = overlap.left, overlap.right
    start, parts = np.zeros(2), MOST_PARTS
    if needs_search(left, right, px_mm, SURE_PX):
        found = search_shift(overlap, px_mm)
        start = start if found is None else found
    guess = np.broadcast_to(start, (left.n_lines // WINDOW_LINES, 1, 2))
    if needs_search(left, right, px_mm, CLOSE_PX):
        guess, parts = _matches(overlap, COARSE_BLUR_PX, guess, 1).shift, 1
    matches = _matches(overlap, BLUR_PX, guess, parts)
    found = matches.found
    place, shift = matches.place[found], matches.shift[found]
    here = ScanPoints(place[:, 0] + shift[:, 0], place[:, 1] + shift[:, 1])
    there = to_scan(right, to_film(left, here))
    strip = np.full(len(place), overlap.seam)
    return Ties(strip, place[:, 0], place[:, 1], there.line, there.sample, shift, matches.cov[found])


def _matches(overlap: Overlap, blur_px: float, guess: Array, most_parts: int) -> Matches:
    """Windows matched in pictures smoothed by `blur_px`, starting from shifts `guess` (R, 1, 2); places are the left
    strip's. Where a window has no match, its shift is the guess.

    The overlap is matched in parts of its width, `most_parts` if it is wide enough, for the sweeps may be bent against
    each other; the matches then say so.
    """
    width = len(overlap.samples)
    parts = int(np.clip(width // PART_SAMPLES, 1, most_parts))
    bounds = np.array([width * i // parts for i in range(parts + 1)])
    matches = match_seam(seam_pictures(overlap, blur_px), blur_px, np.repeat(guess, parts, axis=1), bounds)
    middle = (matches.cov[..., 0, 0] + matches.cov[..., 1, 1]) / 2
    half = np.hypot((matches.cov[..., 0, 0] - matches.cov[..., 1, 1]) / 2, matches.cov[..., 0, 1])
    found = matches.found & (middle - half <= MOST_SIGMA_PX**2)
    shift = np.where(found[:, :, None], matches.shift, guess)
    return Matches(found, shift, matches.cov, matches.place + np.array([0, overlap.samples[0]]))


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
