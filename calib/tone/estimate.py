"""The tone of a whole frame: every strip's curve, banding and drift, fitted together from all the evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from calib.ordered import in_order
from calib.sweep.model import StripSweep
from calib.tone.adjust import Adjustment, Evidence, adjust, evidence_of
from calib.tone.banding import estimate_profiles
from calib.tone.borrow import typical_noise
from calib.tone.cell_kernels import gather_scene
from calib.tone.cells import select
from calib.tone.dropouts import Dropouts
from calib.tone.evidence import OVERLAP_KIND, Curves, first_placing, kinds_of, known_rows, overlap_edges, overlap_rows
from calib.tone.known_film import KnownFilm, known_film
from calib.tone.model import StripTone, ToneFit, ToneResiduals
from calib.tone.passes import Passes, survey_frame
from calib.tone.readings import read_banding
from calib.tone.scene_vote import ColumnMeans, column_means, votes_of
from calib.tone.strokes import stroke_sigma, whole_strokes
from calib.tone.summary import figures_of, patch_table, unmeasured_patches
from calib.tone.survey import StripSurvey, label_scene, scene_lines, usable_patches
from calib.tone.tables import Banding, curve_density, lost_tone, span_of, strip_tone
from calib.tone.transfer import CorrectionBasis, FirstCurve
from calib.tone.unknowns import Layout, Stated

if TYPE_CHECKING:
    from calib.frame.frame import Frame

BASIS_MARGIN = 0.15  # density past the ends of the known that banding, drift and noise may reach
KNOT_STEP = 0.06  # density between knots: finer than any bend of a video chain; the roughness keeps them smooth
FEWEST_SPLINES, MOST_SPLINES = 12, 48
N_KINDS = OVERLAP_KIND + 1


def fit_tone(
    frame: Frame,
    sweeps: Sequence[StripSweep],
    dropouts: Sequence[Dropouts],
    previous: ToneFit | None = None,
    threads: int = 1,
) -> ToneFit:
    """Fit the tone of all strips of a frame together.

    `sweeps` say where the samples lie on the film (a wedge is found within the scan's tolerance of where they put it),
    `dropouts` what the tape lost; a `previous` fit of the frame lends its scales. A strip without a usable wedge
    borrows and says so in its `reason`; where no strip has one, all samples lie beyond every strip's span. Strips are
    looked at on `threads` threads; what is found does not depend on their number.
    """
    known = known_film(frame)
    passes = survey_frame(frame, known, sweeps, dropouts, threads)
    if passes.typical is None:
        return _nothing_known(frame, known, passes)
    curves = _curves(frame, known, passes, passes.typical)
    strokes = stroke_sigma(known, frame.scan.sample_mm)
    stated = Stated(known.patch_sigma, strokes, known.patch_slope, known.is_sigma_stated)
    start = previous.scales if previous is not None else None
    fit = adjust(curves, _evidence(curves, known, passes), stated, N_KINDS, start, threads)
    known = replace(known, patch_sigma=stated.sigma_of_patches(fit.scales))
    strips = range(len(frame.strips))
    readings = list(in_order(partial(read_banding, curves, fit), strips, threads))
    measured = np.stack([each.banding for each in readings])
    variance = np.stack([each.variance for each in readings])
    look = partial(_scene_of, frame, known, curves, fit, sweeps, dropouts)
    scenes = list(in_order(look, passes.surveys, threads))
    profiles = estimate_profiles(measured, variance, votes_of(scenes, measured, variance, threads))
    bandings = [Banding(*row) for row in zip(profiles.banding, profiles.sigma, readings, strict=True)]

    def finish(strip: int) -> StripTone:
        return _tone_of(frame, known, curves, fit, passes.surveys[strip], bandings[strip])

    tones = tuple(in_order(finish, strips, threads))
    patches = patch_table(known, curves, fit, passes, tones)
    common = profiles.common - profiles.common.mean()
    figures = figures_of(known, curves, fit, passes, patches, tones, common)
    return ToneFit(tones, common, profiles.common_sigma, patches, figures, passes.warnings, fit.residuals, fit.scales)


def _curves(frame: Frame, known: KnownFilm, passes: Passes, typical: FirstCurve) -> Curves:
    """What all rows are linearised about."""
    density = known.patch_density[np.isfinite(known.patch_density)]
    ends = [*density, known.fog_guess] + ([known.stroke_density] if known.stroke_density is not None else [])
    low, high = min(ends) - BASIS_MARGIN, max(ends) + BASIS_MARGIN
    n = int(np.clip(round((high - low) / KNOT_STEP) + 3, FEWEST_SPLINES, MOST_SPLINES))
    n_samples = frame.strips[0].n_samples
    borrowed = np.array([bool(survey.reason) for survey in passes.surveys])
    noise = typical_noise([survey.noise for survey in passes.surveys if survey.noise is not None])
    return Curves(
        first=tuple(survey.curve or typical for survey in passes.surveys),
        noise=tuple(survey.noise or noise for survey in passes.surveys),
        basis=CorrectionBasis(low, high, n),
        layout=Layout(n, n_samples, known.n_patches, overlap_edges(n_samples, passes.overlaps), borrowed),
        n_lines=tuple(raster.n_lines for raster in frame.strips),
    )


def _evidence(curves: Curves, known: KnownFilm, passes: Passes) -> list[Evidence]:
    """Rows of all strips that are not lost: known film first, then strokes, then overlaps."""
    found = []
    for survey in passes.surveys:
        if survey.is_lost:
            continue
        spoilt = np.append(survey.spoilt | ~np.isfinite(known.patch_density), False)
        label = np.where(survey.cells.label < known.n_patches, survey.cells.label, known.n_patches)
        cells = select(survey.cells, ~spoilt[label])
        strokes = whole_strokes(curves.first[survey.index], survey.stroke_cells, survey.stroke_mark)
        for some in (cells, strokes if known.stroke_density is not None else select(strokes, strokes.dn < 0)):
            if some.dn.size:
                build = partial(known_rows, curves, known, survey.index, some)
                measured = curves.first[survey.index].density_of(some.dn)
                first = first_placing(curves, survey.index, some)
                found.append(evidence_of(curves, survey.index, kinds_of(some), build, (measured,), (first,)))
    for strip, shared in enumerate(passes.overlaps):
        if shared is not None:
            both = (shared.density, shared.next_density)
            kind = np.full(shared.sigma.size, OVERLAP_KIND, dtype=np.int8)
            build = partial(overlap_rows, curves, strip, shared)
            found.append(evidence_of(curves, strip, kind, build, both, both, shared.own_share))
    return found


def _scene_of(
    frame: Frame,
    known: KnownFilm,
    curves: Curves,
    fit: Adjustment,
    sweeps: Sequence[StripSweep],
    dropouts: Sequence[Dropouts],
    survey: StripSurvey,
) -> ColumnMeans | None:
    """Column means of one strip's scene by its fitted curve and drift; None where there is nothing to see."""
    usable = usable_patches(survey, known)
    if survey.is_lost or not usable.any():
        return None
    raster, strip = frame.strips[survey.index], survey.index
    dn = raster.read(0, raster.n_lines)
    lines, block = scene_lines(raster.n_lines)
    label = label_scene(known, sweeps[strip], survey, dn, dropouts[strip], lines)
    table = curve_density(curves, fit, strip, np.arange(np.iinfo(raster.dtype).max + 1, dtype=np.float64))
    low, high = known.patch_density[usable].min(), known.patch_density[usable].max()
    inside = np.flatnonzero((table >= low) & (table <= high))
    if inside.size == 0:
        return None
    count, density = gather_scene(dn, lines, label, table, int(inside[0]), int(inside[-1]), block)
    return column_means(count, density)


def _tone_of(
    frame: Frame, known: KnownFilm, curves: Curves, fit: Adjustment, survey: StripSurvey, banding: Banding
) -> StripTone:
    raster = frame.strips[survey.index]
    n_dn = int(np.iinfo(raster.dtype).max) + 1
    if survey.is_lost:
        return lost_tone(raster.n_samples, raster.n_lines, n_dn, "all of it dropped out")
    ends = list(known.patch_density[np.isfinite(known.patch_density)])
    if known.stroke_density is not None and survey.stroke_cells.dn.size:
        ends.append(known.stroke_density)
    tone = strip_tone(curves, fit, survey.index, banding, span_of(np.array(ends)), survey.clip, n_dn)
    return replace(tone, reason=survey.reason)


def _nothing_known(frame: Frame, known: KnownFilm, passes: Passes) -> ToneFit:
    """The tone of a frame of which nothing can be calibrated: all its samples are beyond every strip's span."""
    reason = "no strip shows a step wedge that could be measured"
    strips = tuple(
        lost_tone(raster.n_samples, raster.n_lines, int(np.iinfo(raster.dtype).max) + 1, reason)
        for raster in frame.strips
    )
    nothing = np.zeros(frame.strips[0].n_samples)
    figures = {"strips_calibrated": 0.0}
    no_rows = np.zeros(0, dtype=np.int64)
    unsaid = ToneResiduals(no_rows, no_rows, *(np.zeros(0) for _ in range(3)))
    return ToneFit(strips, nothing, nothing, unmeasured_patches(known, passes), figures, (reason,), unsaid)
