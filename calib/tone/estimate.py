"""Estimates the tone of a frame: the curve, banding and drift of every strip, fitted together to all evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from calib.coordinates import Array
from calib.frame.remarks import Remark
from calib.ordered import shared_out
from calib.sweep.model import StripSweep
from calib.tone.adjust import Adjustment, Evidence, Start, adjust, judge
from calib.tone.banding import Profiles, estimate_profiles, filtered_profiles
from calib.tone.borrow import typical_noise
from calib.tone.breaks import line_doubts, lines_in_doubt
from calib.tone.contradiction import KnownFilmFit, counted_once, is_stale, strips_that_contradict
from calib.tone.dropouts import Dropouts
from calib.tone.evidence import OVERLAP_KIND, overlap_edges
from calib.tone.fitted import Fitted, banding_read, lost_tones, scene_of, strip_tones
from calib.tone.frame_evidence import frame_evidence
from calib.tone.frame_survey import FrameSurvey, survey_frame, with_overlaps
from calib.tone.known_film import KnownFilm, known_film
from calib.tone.model import StripTone, ToneFit, ToneResiduals
from calib.tone.placing import Curves
from calib.tone.readings import Readings
from calib.tone.scene_vote import votes_of
from calib.tone.strange_lines import strange_lines
from calib.tone.strokes import ASSUMED, Spot
from calib.tone.summary import curves_in_doubt, figures_of, patch_table, unmeasured_patches
from calib.tone.survey import StripSurvey
from calib.tone.system import Values
from calib.tone.tables import NODES, Banding, in_doubt
from calib.tone.transfer import BEYOND, CorrectionBasis, FirstCurve
from calib.tone.unknowns import Layout, Stated, errors_told, first_scales, is_contradicted, laid_out

if TYPE_CHECKING:
    from calib.frame.frame import Frame

BASIS_MARGIN = 0.15  # density beyond the known range that banding, drift and noise may reach
KNOT_STEP = 0.08  # density between knots: finer than any bend of a video chain; the roughness prior keeps them smooth
FEWEST_SPLINES, MOST_SPLINES = 12, 48
N_KINDS = OVERLAP_KIND + 1
DRAFT_TURNS, TURNS = 2, 4  # the latter from a draft on
NO_WEDGE = "no strip shows a step wedge that could be measured"


@dataclass(frozen=True, slots=True, eq=False)
class ToneDraft:
    """The tone of all strips by known film alone, their surveys, the start of the final fit, and the covariance of
    their drifts (n_strips, M, M); the last two are None if no strip could be calibrated."""

    strips: tuple[StripTone, ...]
    surveys: tuple[StripSurvey, ...]
    start: Start | None
    drift_covariance: Array | None


def draft_tone(frame: Frame, sweeps: Sequence[StripSweep], dropouts: Sequence[Dropouts], threads: int = 1) -> ToneDraft:
    """A tone accurate enough to measure places, by known film alone; `sweeps` are those of the first look.

    Overlaps, which need better places, and the scene's vote are left to the final fit. Densities beyond the known film,
    as of the sky beside the Moon, follow the extrapolated curves. Clipped at the ends of the curves they would, once
    banding is subtracted, show nothing but the banding, which does not move with the film as the strips wander.
    """
    known = known_film(frame)
    surveyed = survey_frame(frame, known, sweeps, dropouts, ASSUMED, threads)
    if surveyed.typical is None:
        return ToneDraft(lost_tones(frame, NO_WEDGE), surveyed.alone, None, None)
    curves = _curves(frame, known, surveyed, surveyed.typical)
    evidence = frame_evidence(curves, known, surveyed, threads)
    fit = _adjusted(known, curves, surveyed, evidence, Start(first_scales()), DRAFT_TURNS, threads)
    fitted = Fitted(frame, known, surveyed, curves, fit)
    readings = banding_read(fitted, threads)
    profiles = filtered_profiles(*_measured(readings))
    bandings = [Banding(*row) for row in zip(*profiles, readings, strict=True)]
    tones, drift = strip_tones(fitted, bandings, threads, BEYOND), curves.layout.drift
    drift_covariance = np.stack([covariance[drift, drift] for covariance in fit.solution.strip_covariance])
    return ToneDraft(tones, surveyed.alone, _from(fit), drift_covariance)


def fit_tone(
    frame: Frame,
    sweeps: Sequence[StripSweep],
    dropouts: Sequence[Dropouts],
    draft: ToneDraft | None = None,
    threads: int = 1,
    spot: Spot = ASSUMED,
) -> ToneFit:
    """Fit the tone of all strips of a frame together.

    `sweeps` give the film places of the samples (a wedge is searched within the scan's tolerance of its place by them),
    `dropouts` the lost samples. The fit starts from a `draft` of the frame; without one, a draft is made first. A strip
    without a usable wedge borrows a curve, and its `reason` says so; if no strip has one, all samples lie beyond every
    strip's span. Strips are processed on `threads` threads; the result does not depend on their number. `spot` is the
    blur of the readout.
    """
    draft = draft or draft_tone(frame, sweeps, dropouts, threads)
    known = known_film(frame)
    survey = survey_frame(frame, known, sweeps, dropouts, spot, threads, draft.surveys)
    if survey.typical is None:
        return _nothing_known(frame, known, survey)
    surveyed = with_overlaps(frame, survey, sweeps, dropouts, threads)
    curves = _curves(frame, known, surveyed, survey.typical)
    evidence = frame_evidence(curves, known, surveyed, threads)
    start, turns = _start(draft, curves)
    contradicts = _contradictions(curves, evidence, surveyed, start, draft)
    fit = _adjusted(known, curves, surveyed, counted_once(evidence, contradicts), start, turns, threads)
    known = replace(known, patch_sigma=fit.stated.sigma_of_patches(fit.scales))
    fitted = Fitted(frame, known, surveyed, curves, fit)
    tones, profiles = _with_banding(fitted, sweeps, dropouts, threads)
    patches = patch_table(fitted, tones, threads)
    common = profiles.common - profiles.common.mean()
    verdict = judge(curves, fit, threads)
    doubts = line_doubts(surveyed.overlaps, verdict.residuals, curves.n_lines)
    off = np.maximum(curves_in_doubt(patches, frame.film.wedge.sigma, len(tones)), contradicts)
    return ToneFit(
        strips=tuple(in_doubt(*each) for each in zip(tones, off, doubts, strict=True)),
        common_column_density=common,
        common_column_sigma=profiles.common_sigma,
        patches=patches,
        figures=figures_of(fitted, verdict.factor, patches, tones, common),
        warnings=(
            *surveyed.warnings,
            *_wedge_said(frame, fit),
            *_contradictions_said(contradicts),
            *_breaks_said(doubts),
        ),
        residuals=verdict.residuals,
        scales=fit.scales,
        strange=strange_lines(surveyed.overlaps, verdict.residuals, curves.n_lines),
    )


def _start(draft: ToneDraft, curves: Curves) -> tuple[Start, int]:
    """The start of the fit, and its number of iterations: fewer after a draft."""
    if draft.start is None or draft.start.values is None:
        return Start(first_scales()), DRAFT_TURNS + TURNS
    return replace(draft.start, values=laid_out(draft.start.values, curves.layout)), TURNS


def _contradictions(
    curves: Curves, evidence: Sequence[Evidence], surveyed: FrameSurvey, start: Start, draft: ToneDraft
) -> Array:
    """Contradiction between each strip's wedge and overlaps (K,), in density; 0 if there is none, or no draft to judge
    it by."""
    if start.values is None or draft.drift_covariance is None:
        return np.zeros(len(surveyed.surveys))
    stale = [is_stale(old.curve, new.curve) for old, new in zip(draft.surveys, surveyed.alone, strict=True)]
    return strips_that_contradict(curves, evidence, KnownFilmFit(start.values, draft.drift_covariance, stale))


def _with_banding(
    fitted: Fitted, sweeps: Sequence[StripSweep], dropouts: Sequence[Dropouts], threads: int
) -> tuple[tuple[StripTone, ...], Profiles]:
    """The tones of the strips with the banding estimated from known film, overlaps and the scene, and the banding."""
    scenes = shared_out(partial(scene_of, fitted, sweeps, dropouts), fitted.surveyed.surveys, threads)
    readings = banding_read(fitted, threads)
    measured = _measured(readings)
    profiles = estimate_profiles(*measured, votes_of(scenes, *measured), threads)
    bandings = [Banding(*row) for row in zip(profiles.banding, profiles.sigma, readings, strict=True)]
    return strip_tones(fitted, bandings, threads), profiles


def _stated(known: KnownFilm, surveyed: FrameSurvey) -> Stated:
    """Stated uncertainties of the known densities."""
    return Stated(known.patch_sigma, surveyed.stroke_sigma, known.patch_slope, known.is_sigma_stated)


def _adjusted(
    known: KnownFilm,
    curves: Curves,
    surveyed: FrameSurvey,
    evidence: Sequence[Evidence],
    start: Start,
    turns: int,
    threads: int,
) -> Adjustment:
    """Fit the unknowns to the evidence; if the stated sigma of the patches is contradicted, fit again with it
    estimated.

    That is not done if the patches are too few to determine the shape of the curves: then they may disagree with the
    assumed shape instead.
    """
    stated = _stated(known, surveyed)
    fit = adjust(curves, evidence, stated, N_KINDS, start, turns, threads)
    if surveyed.shapes is not None or not stated.is_sigma_stated:
        return fit
    if not is_contradicted(errors_told(fit.solution, fit.scales, curves.layout, stated)):
        return fit
    return adjust(curves, evidence, replace(stated, is_sigma_stated=False), N_KINDS, _from(fit), turns, threads)


def _from(fit: Adjustment) -> Start:
    """The start of a fit that continues another."""
    return Start(fit.scales, Values(fit.solution.strips, fit.solution.common, fit.solution.banding))


def _wedge_said(frame: Frame, fit: Adjustment) -> list[Remark]:
    """A remark if the fit found the wedge's patches to be worse than stated."""
    sigma = frame.film.wedge.sigma
    if sigma is None or fit.stated.is_sigma_stated:
        return []
    found = np.hypot(sigma, np.sqrt(fit.scales.wedge))
    return [
        Remark(
            f"the wedge's patches disagree with the curves by more than film.wedge.sigma = {sigma:g} allows: "
            f"the 1-sigma of their values that the fit found, {found:.2g}, is used"
        )
    ]


def _contradictions_said(doubt: Array) -> list[Remark]:
    """Remarks on strips whose wedge and overlaps contradict each other."""
    return [
        Remark(
            f"its wedge and its overlaps contradict each other by {size:.2g} in density: its tone is doubtful, its "
            "sigma includes that, and it does not bend the other strips' curves",
            (strip,),
        )
        for strip, size in enumerate(doubt.tolist())
        if size
    ]


def _breaks_said(doubts: Sequence[Array]) -> list[Remark]:
    """Remarks on lines where a strip's gain jumps, judged by its neighbours."""
    return [
        Remark(
            f"lines {first} to {last} disagree with its neighbours by more than noise, as if its gain jumped there: "
            f"their sigma includes a doubt of {size:.2g} in density",
            (strip,),
        )
        for strip, doubt in enumerate(doubts)
        for first, last, size in lines_in_doubt(doubt)
    ]


def _measured(readings: Sequence[Readings]) -> tuple[Array, Array]:
    """Banding as read and its variance, (strips, n_samples) each."""
    return np.stack([each.banding for each in readings]), np.stack([each.variance for each in readings])


def _curves(frame: Frame, known: KnownFilm, surveyed: FrameSurvey, typical: FirstCurve) -> Curves:
    """The curves about which all rows are linearised."""
    density = known.patch_density[np.isfinite(known.patch_density)]
    ends = [*density, known.fog_guess] + ([known.stroke_density] if known.stroke_density is not None else [])
    low, high = min(ends) - BASIS_MARGIN, max(ends) + BASIS_MARGIN
    n = int(np.clip(round((high - low) / KNOT_STEP) + 3, FEWEST_SPLINES, MOST_SPLINES))
    n_samples = frame.strips[0].n_samples
    borrowed = np.array([bool(survey.reason) for survey in surveyed.surveys])
    noise = typical_noise([survey.noise for survey in surveyed.surveys if survey.noise is not None])
    z = np.linspace(low, high, NODES)
    return Curves(
        first=tuple(survey.curve or typical for survey in surveyed.surveys),
        noise=tuple(survey.noise or noise for survey in surveyed.surveys),
        basis=CorrectionBasis(low, high, n),
        layout=Layout(n, n_samples, known.n_patches, overlap_edges(n_samples, surveyed.overlaps), borrowed),
        n_lines=tuple(raster.n_lines for raster in frame.strips),
        shape_sigma=np.zeros(NODES) if surveyed.shapes is None else surveyed.shapes.sigma(typical, z),
    )


def _nothing_known(frame: Frame, known: KnownFilm, surveyed: FrameSurvey) -> ToneFit:
    """The tone of a frame that cannot be calibrated: all samples lie beyond every strip's span."""
    nothing = np.zeros(frame.strips[0].n_samples)
    figures = {"strips_calibrated": 0.0}
    no_rows = np.zeros(0, dtype=np.int64)
    unsaid = ToneResiduals(no_rows, no_rows, *(np.zeros(0) for _ in range(3)))
    patches, strips = unmeasured_patches(known, surveyed), lost_tones(frame, NO_WEDGE)
    return ToneFit(strips, nothing, nothing, patches, figures, (Remark(NO_WEDGE),), unsaid)
