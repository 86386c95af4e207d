"""Places the strips for the first time, from their reseau marks in raw DN, before the tone is known."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.frame.frame import Frame, StripRaster
from calib.ordered import in_order
from calib.sweep import markjudge, strokejudge
from calib.sweep import marks as marking
from calib.sweep.adjust import NEARLY_SETTLED
from calib.sweep.candidates import Candidates, CrossPixels, find_candidates
from calib.sweep.combine import Combined, fit_all, fit_marks, sweeps_by_marks
from calib.sweep.constellation import (
    AS_MANY,
    SEARCH_MODES,
    Constellation,
    find_steady,
    make_pairs,
    search_spans,
    without_marks,
)
from calib.sweep.edges import edge_observations, find_edges_in_dn
from calib.sweep.evidence import Observations
from calib.sweep.firstmarks import poor_strips, sought_first, strongest
from calib.sweep.layout import make_layout
from calib.sweep.mark_rows import rows_off, without_rows
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal, make_nominal, strip_shapes
from calib.sweep.tables import FirstLook, MarkTable, ReadWindow


def first_look(
    frame: Frame, read: Sequence[ReadWindow], threads: int = 1, candidates: Sequence[Candidates] | None = None
) -> FirstLook:
    """Place every strip from its reseau marks, in whatever units `read` gives.

    `candidates` are the cross-like places of each strip, if `candidate_finder` has found them already.
    """
    nominal = make_nominal(frame)
    if candidates is None:
        candidates = list(in_order(partial(_found_in, read, candidate_finder(frame)), frame.strips, threads))
    layout = make_layout(strip_shapes(frame), [()] * len(frame.strips), most_modes=SEARCH_MODES)
    pairs = make_pairs(nominal, candidates)
    find = partial(find_steady, nominal, layout, tolerance_px=float(nominal.tolerance_px.max()), threads=threads)
    by_marks = _by_marks(nominal, read, find(pairs), threads)
    off = rows_off(by_marks.marks.fit, by_marks.marks.evidence, by_marks.borders)
    if off:
        there = _by_marks(nominal, read, find(without_rows(pairs, by_marks.marks.fit, off)), threads)
        if there.has_as_many(by_marks, off):
            by_marks = there
    marks, found, expected = by_marks.marks, by_marks.found, by_marks.expected
    both = fit_all(nominal, marks, [by_marks.borders], threads, NEARLY_SETTLED)
    count = np.bincount(expected.strip, minlength=len(read))
    return FirstLook(both.sweeps, count, found.strength, _lacking_marks(expected, count, found, read, by_marks.coarse))


@dataclass(frozen=True, slots=True, eq=False)
class _ByMarks:
    """Strips placed from marks alone: the constellation `found`, its `coarse` sweeps, the marks `expected` by these,
    the fit to the `marks` measured, and the wedge `borders` measured with that fit."""

    found: Constellation
    coarse: tuple[StripSweep, ...]
    expected: marking.Sought
    marks: Combined
    borders: Observations

    def has_as_many(self, other: "_ByMarks", strips: Collection[int]) -> bool:
        """Whether each of some `strips` has nearly as many marks here as in the `other` result."""
        return all(self.found.strength[k] > AS_MANY * other.found.strength[k] for k in strips)


def _by_marks(nominal: Nominal, read: Sequence[ReadWindow], found: Constellation, threads: int) -> _ByMarks:
    """Measure the marks of a constellation, fit the sweeps to them and measure the wedge's borders."""
    frame, coarse = nominal.frame, sweeps_by_marks(nominal, found.fit, threads)
    expected = marking.expected_marks(frame, coarse)
    sought, enough = sought_first(frame, expected, found)
    shape, _ = marking.estimate_blur(read, coarse, strongest(sought, found), marking.first_shape(frame), threads)

    def measured(some: marking.Sought) -> MarkTable:
        fits = marking.measure(read, coarse, some, shape, marking.FIRST_PRIORS, threads)
        return markjudge.mark_table(some, fits, coarse)

    table = measured(sought.select(enough))
    poor = poor_strips(table)
    if np.any(~enough & np.isin(sought.strip, poor)):
        table = measured(sought.select(enough | np.isin(sought.strip, poor)))
    table = strokejudge.flag_odd(table, strokejudge.of_its_strip(table))
    marks = fit_marks(nominal, table, threads=threads)
    edges = find_edges_in_dn(frame, read, marks.sweeps, shape, threads)
    return _ByMarks(found, coarse, expected, marks, edge_observations(edges, nominal, shape))


Finder = Callable[[int, NDArray, NDArray[np.bool_]], Candidates]


def candidate_finder(frame: Frame) -> Finder:
    """A function that finds the cross-like places of one strip, given its index, its samples (n_lines, n_samples) and
    the mask of lost samples. It needs no other strip, so strips may be searched as they are read."""
    nominal, reseau, scan = make_nominal(frame), frame.film.reseau, frame.scan
    cross = CrossPixels(
        arm_line=round(reseau.arm_mm / scan.line_mm), arm_sample=round(reseau.arm_mm / scan.sample_mm),
        width_line=max(1, round(reseau.width_mm / scan.line_mm)),
        width_sample=max(1, round(reseau.width_mm / scan.sample_mm)),
    )  # fmt: skip

    def find(strip: int, dn: NDArray, lost: NDArray[np.bool_]) -> Candidates:
        return find_candidates(dn, lost, search_spans(nominal, strip), cross)

    return find


def _found_in(read: Sequence[ReadWindow], find: Finder, strip: StripRaster) -> Candidates:
    """The cross-like places of a strip, which is read as a whole."""
    values, sigma = read[strip.index](0, strip.n_lines)
    return find(strip.index, values, ~(np.isfinite(sigma) & np.isfinite(values)))


def _lacking_marks(
    expected: marking.Sought, count: NDArray[np.int64], found: Constellation, read: Sequence[ReadWindow],
    sweeps: Sequence[StripSweep],
) -> dict[int, int]:  # fmt: skip
    """The strips without marks while others show theirs, each with the number of marks that should be visible."""
    count = count.copy()
    for k in np.flatnonzero(without_marks(found.strength, count)).tolist():  # marks on lost samples are not missing
        count[k] = sum(_has_signal(read[k], sweeps[k], *at) for at in _places(expected.select(expected.strip == k)))
    return {k: int(count[k]) for k in np.flatnonzero(without_marks(found.strength, count)).tolist()}


def _places(sought: marking.Sought) -> list[tuple[int, int]]:
    """The nearest whole line and sample of each mark sought."""
    return list(
        zip(np.rint(sought.line).astype(int).tolist(), np.rint(sought.sample).astype(int).tolist(), strict=True)
    )


def _has_signal(read: ReadWindow, sweep: StripSweep, line: int, sample: int) -> bool:
    """Whether a sample carries signal; a sample outside the strip does not."""
    if not (0 <= line < sweep.n_lines and 0 <= sample < sweep.n_samples):
        return False
    return bool(np.isfinite(read(line, line + 1)[1][0, sample]))
