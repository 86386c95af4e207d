"""The sweeps of all strips: a first look that needs no tone, and the refinement once densities are known."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints
from calib.frame.frame import Frame, StripRaster
from calib.ordered import beside, give_back, in_order
from calib.sweep import markevidence, markjudge
from calib.sweep import marks as marking
from calib.sweep.adjust import NEARLY_SETTLED, Adjustment
from calib.sweep.again import measure_again
from calib.sweep.candidates import Candidates, CrossPixels, find_candidates
from calib.sweep.combine import Combined, fit_all, fit_likeliest, fit_marks, settle_smoothness, sweeps_by_marks
from calib.sweep.constellation import (
    AS_MANY,
    SEARCH_MODES,
    Constellation,
    find_steady,
    make_pairs,
    search_spans,
    without_marks,
)
from calib.sweep.cross import CrossShape
from calib.sweep.edges import edge_observations, find_edges, find_edges_in_dn
from calib.sweep.evidence import EDGE, EDGE_X, MARK, TIE, Observations
from calib.sweep.few_marks import placed_by_ties
from calib.sweep.firstmarks import poor_strips, sought_first, strongest
from calib.sweep.jitter import steps_in_pieces, with_jitter
from calib.sweep.layout import make_layout
from calib.sweep.mark_rows import rows_off, without_rows
from calib.sweep.markfit import FitPriors, MarkFit
from calib.sweep.model import StripSweep, to_scan
from calib.sweep.nominal import Nominal, make_nominal, marks_in_reach, strip_shapes
from calib.sweep.tables import FirstLook, MarkTable, ReadWindow, SweepFit, TieTable
from calib.sweep.ties import Ties, measure_ties, tie_observations, tie_table

TRUSTED = 0.2  # robust weight of a tie from which it counts as used
FIRST_ENOUGH_PX = 0.3  # 1-sigma of a mark's place in a first look, which another look follows
TIE_ROUNDS = 2  # at most, in which ties that better sweeps put elsewhere are measured again


def first_look(
    frame: Frame, read: Sequence[ReadWindow], threads: int = 1, candidates: Sequence[Candidates] | None = None
) -> FirstLook:
    """Place every strip from its reseau marks, in whatever units `read` gives.

    `candidates` are the strips' cross-like places, where they have been found by `candidate_finder` before.
    """
    nominal = make_nominal(frame)
    if candidates is None:
        candidates = list(in_order(partial(_found_in, read, candidate_finder(frame)), frame.strips, threads))
    layout = make_layout(strip_shapes(frame), [()] * len(frame.strips), most_modes=SEARCH_MODES)
    pairs, tolerance_px = make_pairs(frame, nominal, candidates), frame.scan.tolerance_mm / nominal.px_mm
    find = partial(find_steady, nominal, layout, tolerance_px=float(tolerance_px.max()), threads=threads)
    by_marks = _by_marks(frame, nominal, read, find(pairs), threads)
    off = rows_off(by_marks.marks.fit, by_marks.marks.evidence, by_marks.borders)
    if off:
        there = _by_marks(frame, nominal, read, find(without_rows(pairs, by_marks.marks.fit, off)), threads)
        if there.has_as_many(by_marks, off):
            by_marks = there
    marks, found, expected = by_marks.marks, by_marks.found, by_marks.expected
    both = fit_all(frame, nominal, marks, [by_marks.borders], threads, NEARLY_SETTLED)
    count = np.bincount(expected.strip, minlength=len(read))
    return FirstLook(both.sweeps, count, found.strength, _unlike_others(expected, count, found, read, by_marks.coarse))


@dataclass(frozen=True, slots=True, eq=False)
class _ByMarks:
    """Strips placed by the marks that were found alone: where marks were expected, their fit, and the wedge's borders
    that were found then."""

    found: Constellation
    coarse: tuple[StripSweep, ...]
    expected: marking.Sought
    marks: Combined
    borders: Observations

    def has_as_many(self, other: "_ByMarks", strips: Collection[int]) -> bool:
        """Whether nearly as many marks are found in some strips as otherwise."""
        return all(self.found.strength[k] > AS_MANY * other.found.strength[k] for k in strips)


def _by_marks(
    frame: Frame, nominal: Nominal, read: Sequence[ReadWindow], found: Constellation, threads: int
) -> _ByMarks:
    """Measure the marks that were found, fit the sweeps to them, and look for the borders there."""
    coarse = sweeps_by_marks(frame, nominal, found.fit, threads)
    expected = _expected(frame, coarse)
    sought, enough = sought_first(frame, expected, found)
    shape = marking.estimate_blur(read, coarse, strongest(sought, found), _first_shape(frame), threads)
    priors = FitPriors(place_px=4.0, tilt=0.01, blur=1e-3, iterations=9, settled_px=0.3, enough_px=FIRST_ENOUGH_PX)

    def measured(some: marking.Sought) -> MarkTable:
        return markjudge.mark_table(some, marking.measure(read, coarse, some, shape, priors, threads), coarse)

    table = measured(sought.select(enough))
    poor = poor_strips(table)
    if np.any(~enough & np.isin(sought.strip, poor)):
        table = measured(sought.select(enough | np.isin(sought.strip, poor)))
    marks = fit_marks(frame, nominal, markjudge.flag_odd_strokes(table), threads=threads)
    edges = find_edges_in_dn(frame, read, marks.sweeps, shape, threads)
    return _ByMarks(found, coarse, expected, marks, edge_observations(edges, nominal, shape))


def refine(frame: Frame, read: Sequence[ReadWindow], first: Sequence[StripSweep], threads: int = 1) -> SweepFit:
    """Fit the sweeps to marks, wedge borders and ties, all measured in density, starting from a first look.

    Ties of strips that are first placed by them are measured again. Line jitter comes last: marks and ties tell means
    over many lines, so their residuals are those of the sweeps without it. What it is read off is seen beside the fits,
    which leave a thread much time.
    """
    nominal = make_nominal(frame)
    seen = _marks_and_borders(frame, nominal, read, first, threads)
    by_ties = placed_by_ties(frame, nominal, read, seen.found, seen.known, threads)
    if by_ties is not None:
        seen = _marks_and_borders(frame, nominal, read, by_ties, threads)
    give_back()  # ties are seen in strips, fits are made of matrices: neither has use for what the other leaves
    seams, format_mm = range(len(first) - 1), frame.camera.format_mm
    ties = measure_ties(read, seen.found.sweeps, nominal.px_mm, seams, threads, format_mm)
    give_back()
    steps = beside(partial(steps_in_pieces, read, [sweep.n_lines for sweep in first]), threads)
    evidence = [*seen.known, tie_observations(ties, nominal)]
    rough, found = seen.found.sweeps, fit_likeliest(frame, nominal, seen.found, evidence, threads)
    for _ in range(TIE_ROUNDS):
        weight = _tie_weights(found, ties)
        again = measure_again(read, found.sweeps, rough, nominal.px_mm, ties, weight, threads, format_mm)
        if again is None:
            break
        ties, evidence = again, [*seen.known, tie_observations(again, nominal)]
        rough, found = found.sweeps, fit_all(frame, nominal, found, evidence, threads)
    found = settle_smoothness(frame, nominal, found, evidence, threads)
    table = markjudge.with_bends(found.table, seen.fits, found.sweeps, seen.shape)
    table = markjudge.with_residuals(table, frame, nominal, found.sweeps)
    tied = tie_table(ties, nominal, found.sweeps, _tie_weights(found, ties) > TRUSTED)
    common_mm, sigma_mm = _common_sweep(nominal, found.fit)
    sweeps, jitter_px = with_jitter(read, found.sweeps, float(nominal.px_mm[0]), steps(), threads)
    figures = {
        **_figures(table, tied, found, nominal, seen.shape), "mixing_power": seen.power, "line_jitter_px": jitter_px,
    }  # fmt: skip
    spot_px = None if seen.shape == _first_shape(frame) else (figures["blur_x_px"], figures["blur_y_px"])
    return SweepFit(
        sweeps, table, tied, common_mm, sigma_mm, spot_px, figures, _placing_warnings(frame, table) + found.warnings
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The fit to marks and borders; the fits behind its table of marks, the cross as the readout blurs it, the power by
    which light mixes, and all evidence but the marks' places."""

    found: Combined
    fits: list[MarkFit | None]
    shape: CrossShape
    power: float
    known: tuple[Observations, ...]


def _marks_and_borders(
    frame: Frame, nominal: Nominal, read: Sequence[ReadWindow], first: Sequence[StripSweep], threads: int
) -> _Seen:
    """Measure marks, the ends of their arms and the wedge's borders, and fit the sweeps to them."""
    found, fits, shape = _marks_again(frame, nominal, read, first, threads)
    power = marking.mixing(fits, found.table.used)
    edges = edge_observations(find_edges(frame, read, found.sweeps, shape, power, threads), nominal, shape)
    known = edges, markevidence.arm_observations(fits, found.table, nominal, shape.arm_mm)
    return _Seen(fit_all(frame, nominal, found, known, threads, NEARLY_SETTLED), fits, shape, power, known)


def _marks_again(
    frame: Frame, nominal: Nominal, read: Sequence[ReadWindow], first: Sequence[StripSweep], threads: int
) -> tuple[Combined, list[MarkFit | None], CrossShape]:
    """Measure every mark the sweeps put into a strip; and once more those not found or that better sweeps bend much.

    Also the fits behind the table of marks, and the cross as the readout blurs it.
    """
    sought = _expected(frame, first)
    some = np.zeros(len(sought.strip), bool)
    some[:: max(1, -(-len(some) // marking.BLUR_MARKS))] = True
    shape = marking.estimate_blur(read, first, sought.select(some), _first_shape(frame), threads)
    priors = FitPriors(place_px=4.0, tilt=0.005, blur=1e-3, iterations=12)
    fits = marking.measure(read, first, sought, shape, priors, threads)
    table = markjudge.flag_odd_strokes(markjudge.mark_table(sought, fits, first))
    found = fit_marks(frame, nominal, table, threads=threads)
    known = {
        (k, m): fit
        for k, m, fit, used in zip(sought.strip.tolist(), sought.mark.tolist(), fits, found.table.used, strict=True)
        if used and fit is not None
    }
    sought = _expected(frame, found.sweeps)
    fits = [known.get(place) for place in zip(sought.strip.tolist(), sought.mark.tolist(), strict=True)]
    keep = marking.as_bent(fits, sought.strip, found.sweeps, shape)
    unsure = sought.select(np.array([fit is None for fit in keep], bool))
    anew = iter(marking.measure(read, found.sweeps, unsure, shape, priors, threads))
    fits = [next(anew) if fit is None else fit for fit in keep]
    table = markjudge.flag_odd_strokes(markjudge.mark_table(sought, fits, found.sweeps))
    if markjudge.used_marks(table) == markjudge.used_marks(found.table):
        return replace(found, table=table), fits, shape  # the next fit takes the places as they now are
    return fit_marks(frame, nominal, table, found, threads), fits, shape


def _tie_weights(found: Combined, ties: Ties) -> Array:
    """The ties' robust weights (T,), zero where the fit had to do without them."""
    is_tie = found.evidence.kind == TIE
    return found.fit.weight[is_tie] if is_tie.any() else np.zeros(len(ties))


def _common_sweep(nominal: Nominal, fit: Adjustment) -> tuple[Array, Array]:
    """The departure in x common to all strips and its 1-sigma, by sample, mm."""
    shape = fit.layout.strips[0]
    sample = np.arange(shape.n_samples, dtype=float)
    rows = fit.layout.shared_rows(0, np.full(sample.size, (shape.n_lines - 1) / 2), sample)[:, 0]
    variance = np.einsum("np,pq,nq->n", rows, fit.solution.cov_shared, rows)
    return rows @ fit.solution.shared * nominal.px_mm[0], np.sqrt(variance) * nominal.px_mm[0]


def _figures(
    table: MarkTable, seams: TieTable, found: Combined, nominal: Nominal, shape: CrossShape
) -> dict[str, float]:
    """Plain numbers for the report."""
    evidence, fit = found.evidence, found.fit
    used, marks = table.used, evidence.kind == MARK
    px_mm = nominal.px_mm
    bound = np.concatenate([table.var_line[used], table.var_sample[used]])
    tie_px = np.concatenate([seams.residual_x_mm[seams.used] / px_mm[0], seams.residual_y_mm[seams.used] / px_mm[1]])
    return {
        "marks_expected": float(len(table)), "marks_used": float(used.sum()),
        "marks_rejected": float(np.sum(~used)), "mark_residual_rms_px": _rms(fit.residual[marks].ravel()),
        "mark_sigma_rms_px": float(np.sqrt(bound.mean())) if bound.size else 0.0,
        "ties": float(len(seams)), "ties_used": float(seams.used.sum()), "tie_residual_rms_px": _rms(tie_px),
        "wedge_borders": float(np.sum((evidence.kind == EDGE) | (evidence.kind == EDGE_X))),
        "blur_x_px": shape.blur_x_mm / float(px_mm[0]), "blur_y_px": shape.blur_y_mm / float(px_mm[1]),
        **{f"scale_{name}": float(fit.scale[kind]) for name, kind in
           (("marks", MARK), ("borders_y", EDGE), ("borders_x", EDGE_X), ("ties", TIE))},
    }  # fmt: skip


def _rms(values: Array) -> float:
    """Root mean square, 0 for none."""
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def _expected(frame: Frame, sweeps: Sequence[StripSweep]) -> marking.Sought:
    """Every mark that the sweeps put into a strip."""
    rows = []
    for k, sweep in enumerate(sweeps):
        marks = marks_in_reach(sweep, frame.marks, frame.film.reseau.arm_mm)
        at = to_scan(sweep, FilmPoints(frame.marks.x_mm[marks], frame.marks.y_mm[marks]))
        inside = (at.line > -2) & (at.line < sweep.n_lines + 1) & (at.sample > -2) & (at.sample < sweep.n_samples + 1)
        rows.append(np.column_stack([np.full((len(marks), 1), k), marks, at.line, at.sample])[inside])
    table = np.concatenate(rows)
    return marking.Sought(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2], table[:, 3])


Finder = Callable[[int, NDArray, NDArray[np.bool_]], Candidates]


def candidate_finder(frame: Frame) -> Finder:
    """What finds the cross-like places of a strip, given its number, its samples (n_lines, n_samples) and where they
    are lost; it needs no other strip."""
    nominal, reseau, scan = make_nominal(frame), frame.film.reseau, frame.scan
    cross = CrossPixels(
        arm_line=round(reseau.arm_mm / scan.line_mm), arm_sample=round(reseau.arm_mm / scan.sample_mm),
        width_line=max(1, round(reseau.width_mm / scan.line_mm)),
        width_sample=max(1, round(reseau.width_mm / scan.sample_mm)),
    )  # fmt: skip

    def find(strip: int, dn: NDArray, lost: NDArray[np.bool_]) -> Candidates:
        return find_candidates(dn, lost, search_spans(frame, nominal, strip), cross)

    return find


def _found_in(read: Sequence[ReadWindow], find: Finder, strip: StripRaster) -> Candidates:
    values, sigma = read[strip.index](0, strip.n_lines)
    return find(strip.index, values, ~(np.isfinite(sigma) & np.isfinite(values)))


def _first_shape(frame: Frame) -> CrossShape:
    """The cross with a guess at the spot."""
    blur = marking.FIRST_BLUR_PX * np.array([frame.scan.sample_mm, frame.scan.line_mm])
    return CrossShape(frame.film.reseau.arm_mm, frame.film.reseau.width_mm, float(blur[0]), float(blur[1]))


def _unlike_others(
    expected: marking.Sought, count: NDArray[np.int64], found: Constellation, read: Sequence[ReadWindow],
    sweeps: Sequence[StripSweep],
) -> dict[int, int]:  # fmt: skip
    """The strips in which marks are missing while others show theirs, and how many should be there."""
    count = count.copy()
    for k in np.flatnonzero(without_marks(found.strength, count)).tolist():  # what the tape lost cannot be missed
        count[k] = sum(_is_there(read[k], sweeps[k], *at) for at in _places(expected.select(expected.strip == k)))
    return {k: int(count[k]) for k in np.flatnonzero(without_marks(found.strength, count)).tolist()}


def _places(sought: marking.Sought) -> list[tuple[int, int]]:
    """The lines and samples, whole ones, at which marks are sought."""
    return list(
        zip(np.rint(sought.line).astype(int).tolist(), np.rint(sought.sample).astype(int).tolist(), strict=True)
    )


def _is_there(read: ReadWindow, sweep: StripSweep, line: int, sample: int) -> bool:
    """Whether a sample carries something; one beyond the strip's edge does not."""
    if not (0 <= line < sweep.n_lines and 0 <= sample < sweep.n_samples):
        return False
    return bool(np.isfinite(read(line, line + 1)[1][0, sample]))


def _placing_warnings(frame: Frame, table: MarkTable) -> tuple[str, ...]:
    """A line for each strip with too few marks."""
    warnings = []
    for strip in frame.strips:
        count = int(np.sum(table.used & (table.strip == strip.index)))
        if count == 0:
            warnings.append(f"strip {strip.index}: no usable reseau mark; placed by its neighbours")
        elif count < 4:
            marks = "mark" if count == 1 else "marks"
            warnings.append(
                f"strip {strip.index}: only {count} usable reseau {marks}; placed with its neighbours' help"
            )
    return tuple(warnings)
