"""The sweeps of all strips, refined once densities are known."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from calib.coordinates import Array
from calib.frame.frame import Frame
from calib.ordered import beside, give_back
from calib.sweep import markevidence, markjudge, strokejudge
from calib.sweep import marks as marking
from calib.sweep.adjust import NEARLY_SETTLED
from calib.sweep.combine import Combined, fit_all, fit_likeliest, fit_marks, settle_smoothness
from calib.sweep.cross import CrossShape
from calib.sweep.edges import edge_observations, find_edges
from calib.sweep.evidence import TIE, Observations
from calib.sweep.few_marks import placed_by_ties
from calib.sweep.jitter import steps_in_pieces, with_jitter
from calib.sweep.markfit import MarkFit
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal, make_nominal
from calib.sweep.remeasure import measure_again
from calib.sweep.summary import common_sweep, figures_of, placing_warnings, soft_warnings
from calib.sweep.tables import MarkTable, ReadWindow, SweepFit
from calib.sweep.ties import Ties, measure_ties, tie_observations, tie_table

TRUSTED = 0.2  # least robust weight of a tie that is listed as used
TIE_ROUNDS = 2  # at most, in which ties are measured again after better sweeps have moved them


def refine(frame: Frame, read: Sequence[ReadWindow], first: Sequence[StripSweep], threads: int = 1) -> SweepFit:
    """Fit the sweeps to marks, wedge borders and ties, all measured in density, starting from the first look.

    Ties of strips that were placed mainly by ties are measured again. Line jitter is added last: marks and ties are
    means over many lines, so their residuals refer to sweeps without it. The shifts of single lines for it are measured
    during the fits, on a thread that these leave mostly idle.
    """
    nominal = make_nominal(frame)
    seen = _marks_and_borders(nominal, read, first, threads)
    by_ties = placed_by_ties(nominal, read, seen.found, seen.known, threads)
    if by_ties is not None:
        seen = _marks_and_borders(nominal, read, by_ties, threads)
    give_back()  # ties are seen in strips, fits are made of matrices: neither has use for what the other leaves
    seams, format_mm = range(len(first) - 1), frame.camera.format_mm
    ties = measure_ties(read, seen.found.sweeps, nominal.px_mm, seams, threads, format_mm)
    give_back()
    steps = beside(partial(steps_in_pieces, read, [sweep.n_lines for sweep in first]), threads)
    evidence = [*seen.known, tie_observations(ties, nominal)]
    rough, found = seen.found.sweeps, fit_likeliest(nominal, seen.found, evidence, threads)
    for _ in range(TIE_ROUNDS):
        weight = _tie_weights(found, ties)
        again = measure_again(read, found.sweeps, rough, nominal.px_mm, ties, weight, threads, format_mm)
        if again is None:
            break
        ties, evidence = again, [*seen.known, tie_observations(again, nominal)]
        rough, found = found.sweeps, fit_all(nominal, found, evidence, threads)
    found = settle_smoothness(nominal, found, evidence, threads)
    table = markjudge.with_places_under(found.table, seen.fits, found.sweeps, seen.shape)
    table = markjudge.with_residuals(table, nominal, found.sweeps)
    tied = tie_table(ties, nominal, found.sweeps, _tie_weights(found, ties) > TRUSTED)
    common_mm, sigma_mm = common_sweep(nominal, found.fit)
    sweeps, jitter_px = with_jitter(read, found.sweeps, float(nominal.px_mm[0]), steps(), threads)
    figures = {
        **figures_of(table, tied, found, nominal, seen.shape), "mixing_power": seen.power, "line_jitter_px": jitter_px,
    }  # fmt: skip
    spot_px = None if seen.shape == marking.first_shape(frame) else (figures["blur_x_px"], figures["blur_y_px"])
    return SweepFit(
        sweeps, table, tied, common_mm, sigma_mm, spot_px, seen.soft_mm, figures,
        (*placing_warnings(frame, table), *soft_warnings(frame, seen.soft_mm, seen.shape), *found.warnings),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The fit to marks and borders, and what went into it: the fits of single marks, the blurred shape of the cross,
    the additional blur of each strip, the exponent by which light mixes, and all evidence except the marks' places."""

    found: Combined
    fits: list[MarkFit | None]
    shape: CrossShape
    soft_mm: Array
    power: float
    known: tuple[Observations, ...]


def _marks_and_borders(
    nominal: Nominal, read: Sequence[ReadWindow], first: Sequence[StripSweep], threads: int
) -> _Seen:
    """Measure marks, the ends of their arms and the wedge's borders, and fit the sweeps to them."""
    found, fits, shape, soft_mm = _marks_again(nominal, read, first, threads)
    power = marking.mixing(fits, found.table.used)
    edges = edge_observations(find_edges(nominal.frame, read, found.sweeps, shape, power, threads), nominal, shape)
    px_mm = float(nominal.px_mm[0])
    known = edges, markevidence.arm_observations(fits, found.table, found.sweeps, px_mm, shape.arm_mm)
    found = fit_all(nominal, found, known, threads, NEARLY_SETTLED)
    return _Seen(found, fits, shape, soft_mm, power, known)


def _marks_again(
    nominal: Nominal, read: Sequence[ReadWindow], first: Sequence[StripSweep], threads: int
) -> tuple[Combined, list[MarkFit | None], CrossShape, Array]:
    """Measure all marks that lie in a strip, and repeat those that were not found or whose windows the new sweeps bend.

    Returns the fit to the marks, the fits of single marks, the cross with its blur, and each strip's additional blur.
    """
    frame = nominal.frame
    sought = marking.expected_marks(frame, first)
    some = np.zeros(len(sought.strip), bool)
    some[:: max(1, -(-len(some) // max(marking.BLUR_MARKS, marking.OF_STRIP * len(first))))] = True
    shape, soft_mm = marking.estimate_blur(read, first, sought.select(some), marking.first_shape(frame), threads)
    fits = marking.measure(read, first, sought, shape, marking.PRIORS, threads)
    table = _judged(frame, sought, fits, first)
    found = fit_marks(nominal, table, threads=threads)
    known = {
        (k, m): fit
        for k, m, fit, used in zip(sought.strip.tolist(), sought.mark.tolist(), fits, found.table.used, strict=True)
        if used and fit is not None
    }
    sought = marking.expected_marks(frame, found.sweeps)
    fits = [known.get(place) for place in zip(sought.strip.tolist(), sought.mark.tolist(), strict=True)]
    keep = marking.under_other_sweeps(fits, sought.strip, found.sweeps, shape)
    unsure = sought.select(np.array([fit is None for fit in keep], bool))
    anew = iter(marking.measure(read, found.sweeps, unsure, shape, marking.PRIORS, threads))
    fits = [next(anew) if fit is None else fit for fit in keep]
    table = _judged(frame, sought, fits, found.sweeps)
    if markjudge.used_marks(table) == markjudge.used_marks(found.table):
        return replace(found, table=table), fits, shape, soft_mm  # the next fit takes the places as they now are
    return fit_marks(nominal, table, found, threads), fits, shape, soft_mm


def _judged(
    frame: Frame, sought: marking.Sought, fits: Sequence[MarkFit | None], sweeps: Sequence[StripSweep]
) -> MarkTable:
    """The table of marks, with those rejected that do not look like marks."""
    table, contrast = markjudge.mark_table(sought, fits, sweeps), strokejudge.contrasts(fits)
    table = strokejudge.flag_odd(table, strokejudge.of_its_strip(table))
    table = strokejudge.flag_odd(table, strokejudge.as_stated(table, contrast, frame.film.reseau.density))
    return strokejudge.flag_odd(table, strokejudge.of_the_frame(table, contrast))


def _tie_weights(found: Combined, ties: Ties) -> Array:
    """Robust weights (T,) of the ties; zero if the fit did not use them."""
    is_tie = found.evidence.kind == TIE
    return found.fit.weight[is_tie] if is_tie.any() else np.zeros(len(ties))
