"""Measures ties: pairs of places in neighbouring strips that show the same film, by matching its texture.

In each window of the overlap, Gauss-Newton finds the shift (line, sample) at which the right strip's picture matches
the left one's. Further unknowns are an offset and a drift along the lines, because a strip's tone may drift, and a
column profile common to the whole seam, the remaining banding. The covariance includes the correlation of the noise
after smoothing, excludes the gradients of noise from the information, and is widened if the residual scatter exceeds
the noise.
"""

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, ScanPoints
from calib.ordered import in_order_on
from calib.sweep.evidence import TIE, Observations
from calib.sweep.format_border import without_border
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.overlap import MOST_LINES, relative_sigma_px, search_shift
from calib.sweep.seam import WINDOW_LINES, Overlap, overlaps, seam_pictures
from calib.sweep.tables import ReadWindow, TieTable
from calib.sweep.windows import Matches, column_profile, match_seam

UNBOUNDED = (np.inf, np.inf)  # mm: a format without a border
BLUR_PX = 1.0  # rms radius by which pictures are smoothed for matching,
COARSE_BLUR_PX = 2.5  # and for a first match of strips whose relative place is uncertain
PART_SAMPLES = 8  # least width of a part of the overlap,
MOST_PARTS = 3  # of which there are at most so many
CLOSE_PX = 0.5  # relative 1-sigma of two strips above which their shift is searched for by correlation
REACHED_PX = 2.0  # greatest shift that matching finds without that search
# Median relative 1-sigma above which there are no ties if the search fails: matching moves a window by up to twice
# that, so it would match anything.
SURE_PX = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Ties:
    """Ties (T,): left strip, place (line, sample) there and the matching one in the right strip, shift (T, 2) in left
    px and its covariance (T, 2, 2). `profiles`, by left strip: the profile (n_samples,) added to its columns."""

    strip: NDArray[np.int64]
    line: Array
    sample: Array
    line_right: Array
    sample_right: Array
    shift: Array
    cov: Array
    profiles: dict[int, Array]

    def __len__(self) -> int:
        return self.strip.size

    @property
    def row(self) -> NDArray[np.int64]:
        """The row of windows of each tie (T,)."""
        return (self.line // WINDOW_LINES).astype(np.int64)

    def select(self, keep: NDArray[np.bool_]) -> "Ties":
        """The ties of the mask `keep` (T,), and all profiles."""
        return replace(self, **{name: getattr(self, name)[keep] for name in COLUMNS})


COLUMNS = ("strip", "line", "sample", "line_right", "sample_right", "shift", "cov")
_NONE = np.zeros(0)
NO_TIES = Ties(np.zeros(0, np.int64), _NONE, _NONE, _NONE, _NONE, np.zeros((0, 2)), np.zeros((0, 2, 2)), {})


def join_ties(parts: Sequence[Ties]) -> Ties:
    """Several sets of ties as one. If several have a profile of the same seam, the last one is kept."""
    profiles = {seam: profile for part in parts for seam, profile in part.profiles.items()}
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in COLUMNS}
    return Ties(profiles=profiles, **columns)


def is_uncertain(left: StripSweep, right: StripSweep, px_mm: Array) -> bool:
    """Whether two strips' relative place is too uncertain to match their overlap directly and in parts."""
    return bool(relative_sigma_px(left, right, px_mm, MOST_LINES).max() > CLOSE_PX)


def measure_ties(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], px_mm: Array, seams: Iterable[int], threads: int = 1,
    format_mm: Sequence[float] = UNBOUNDED,
) -> Ties:  # fmt: skip
    """Ties of the given seams, measured on `threads` threads.

    If the strips' relative place is uncertain, the shift is first searched for by correlation and matched in strongly
    smoothed pictures; the overlap is then matched over its whole width. The border of the exposed format `format_mm`
    (width, height) is masked, since it is no texture.
    """
    with ThreadPoolExecutor(threads) as pool:
        found = overlaps(read, sweeps, seams, pool, 2 * threads)
        parts = list(in_order_on(pool, partial(_seam_ties, px_mm=px_mm, format_mm=format_mm), found, 2 * threads))
    return join_ties([NO_TIES, *parts])


def _seam_ties(overlap: Overlap, px_mm: Array, format_mm: Sequence[float]) -> Ties:
    """Ties of one seam. The search for a large shift also uses the format's border, as it needs 1 px accuracy only."""
    left, right = overlap.left, overlap.right
    guess, parts = np.zeros((len(overlap.lines) // WINDOW_LINES, 1, 2)), MOST_PARTS
    uncertain = is_uncertain(left, right, px_mm)
    if uncertain:
        found = search_shift(overlap, px_mm)
        if found is not None and np.abs(found).max() > REACHED_PX:
            guess = np.broadcast_to(found, guess.shape)
        elif found is None and relative_sigma_px(left, right, px_mm, 0.5).max() > SURE_PX:
            return NO_TIES
    overlap = without_border(overlap, format_mm, px_mm)
    if uncertain:
        matches, _ = _matches(overlap, COARSE_BLUR_PX, guess, 1)
        guess, parts = np.where(matches.found[:, :, None], matches.shift, guess), 1
    matches, columns = _matches(overlap, BLUR_PX, guess, parts)
    profile = np.zeros(left.n_samples)
    profile[overlap.samples] = columns
    return replace(_ties_of(overlap, matches), profiles={overlap.seam: profile})


def ties_of_rows(overlap: Overlap, profile: Array, px_mm: Array, format_mm: Sequence[float] = UNBOUNDED) -> Ties:
    """Ties of some rows of a seam with certain relative place and known column profile (n_samples,)."""
    overlap = without_border(overlap, format_mm, px_mm)
    bounds = part_bounds(len(overlap.samples), MOST_PARTS)
    start = np.zeros((len(overlap.lines) // WINDOW_LINES, len(bounds) - 1, 2))
    pictures = seam_pictures(overlap, BLUR_PX)
    return _ties_of(overlap, match_seam(pictures, BLUR_PX, start, bounds, profile[overlap.samples]))


def part_bounds(width: int, most_parts: int) -> NDArray[np.int64]:
    """Bounds (P + 1,) of the parts of an overlap's width, P <= `most_parts`, each at least PART_SAMPLES wide.

    Parts are matched separately to show how the sweeps are bent against each other.
    """
    parts = int(np.clip(width // PART_SAMPLES, 1, most_parts))
    return np.array([width * i // parts for i in range(parts + 1)])


def _matches(overlap: Overlap, blur_px: float, guess: Array, most_parts: int) -> tuple[Matches, Array]:
    """Matches of all windows in pictures smoothed by `blur_px`, from initial shifts `guess` (R, 1, 2); column
    profile."""
    pictures, bounds = seam_pictures(overlap, blur_px), part_bounds(len(overlap.samples), most_parts)
    columns, start = column_profile(pictures, blur_px, np.repeat(guess, len(bounds) - 1, axis=1), bounds)
    return match_seam(pictures, blur_px, start, bounds, columns), columns


def _ties_of(overlap: Overlap, matches: Matches) -> Ties:
    """Matches as ties."""
    found = matches.found
    first = overlap.lines[::WINDOW_LINES][np.nonzero(found)[0]]  # first line of each matched window
    place = matches.place[found] + np.column_stack([first, np.full(len(first), overlap.samples[0])])
    shift = matches.shift[found]
    here = ScanPoints(place[:, 0] + shift[:, 0], place[:, 1] + shift[:, 1])
    there = to_scan(overlap.right, to_film(overlap.left, here))
    strip = np.full(len(place), overlap.seam)
    return Ties(strip, place[:, 0], place[:, 1], there.line, there.sample, shift, matches.cov[found], {})


def tie_observations(ties: Ties, nominal: Nominal) -> Observations:
    """Ties as observations for the sweep fit."""
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
        per_power=np.zeros(n),
    )  # fmt: skip


def tie_table(ties: Ties, nominal: Nominal, sweeps: Sequence[StripSweep], used: NDArray[np.bool_]) -> TieTable:
    """The ties in film mm, with their residuals (right minus left place) after the fit of the sweeps."""
    place, found, residual = (np.empty((len(ties), 2)) for _ in range(3))
    sigma = np.empty((len(ties), 2))
    for k in np.unique(ties.strip):
        mine = ties.strip == k
        here = to_film(sweeps[k], ScanPoints(ties.line[mine], ties.sample[mine]))
        there = to_film(sweeps[k + 1], ScanPoints(ties.line_right[mine], ties.sample_right[mine]))
        place[mine] = np.column_stack([here.x_mm, here.y_mm])
        residual[mine] = np.column_stack([there.x_mm - here.x_mm, there.y_mm - here.y_mm])
        turn = np.array([[0.0, 1.0], [nominal.line_sign(int(k)), 0.0]])
        found[mine] = -(ties.shift[mine] @ turn.T) * nominal.px_mm
        sigma[mine] = np.sqrt(np.diagonal(turn @ ties.cov[mine] @ turn.T, axis1=1, axis2=2)) * nominal.px_mm
    return TieTable(
        strip=ties.strip, x_mm=place[:, 0], y_mm=place[:, 1], dx_mm=found[:, 0], dy_mm=found[:, 1],
        sigma_x_mm=sigma[:, 0], sigma_y_mm=sigma[:, 1], residual_x_mm=residual[:, 0], residual_y_mm=residual[:, 1],
        used=used,
    )  # fmt: skip
