"""A tone fit with all its input, and what is derived from it: banding, column means of the scene, tables of the
strips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calib.ordered import shared_out
from calib.sweep.model import StripSweep
from calib.tone.adjust import Adjustment
from calib.tone.cell_kernels import gather_scene
from calib.tone.dropouts import Dropouts
from calib.tone.frame_survey import FrameSurvey
from calib.tone.known_film import KnownFilm
from calib.tone.model import StripTone
from calib.tone.placing import Curves
from calib.tone.readings import Readings, read_banding
from calib.tone.scene_vote import ColumnMeans, column_means
from calib.tone.survey import StripSurvey, label_scene, scene_lines, usable_patches
from calib.tone.tables import Banding, curve_density, lost_tone, span_of, strip_tone

if TYPE_CHECKING:
    from calib.frame.frame import Frame


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A frame, its known film, the survey of its strips, the curves about which rows were linearised, and the fit."""

    frame: Frame
    known: KnownFilm
    surveyed: FrameSurvey
    curves: Curves
    fit: Adjustment


def banding_read(fitted: Fitted, threads: int) -> list[Readings]:
    """The banding of all strips by the fit."""
    strips = range(len(fitted.curves.n_lines))
    return shared_out(lambda strip: read_banding(fitted.curves, fitted.fit, strip), strips, threads)


def scene_of(
    fitted: Fitted, sweeps: Sequence[StripSweep], dropouts: Sequence[Dropouts], survey: StripSurvey
) -> ColumnMeans | None:
    """Column means of a strip's scene by its fitted curve and drift; None if no scene is visible."""
    known, usable = fitted.known, usable_patches(survey, fitted.known)
    if survey.is_lost or not usable.any():
        return None
    raster, strip = fitted.frame.strips[survey.index], survey.index
    dn = raster.read(0, raster.n_lines)
    lines, block = scene_lines(raster.n_lines)
    label = label_scene(known, sweeps[strip], survey, dn, dropouts[strip], lines)
    table = curve_density(fitted.curves, fitted.fit, strip, np.arange(np.iinfo(raster.dtype).max + 1, dtype=np.float64))
    low, high = known.patch_density[usable].min(), known.patch_density[usable].max()
    inside = np.flatnonzero((table >= low) & (table <= high))
    if inside.size == 0:
        return None
    count, density = gather_scene(dn, lines, label, table, int(inside[0]), int(inside[-1]), block)
    return column_means(count, density)


def strip_tones(
    fitted: Fitted, bandings: Sequence[Banding], threads: int, beyond: float = 0.0
) -> tuple[StripTone, ...]:
    """The tables of all strips; that of density follows the curve up to `beyond` the known span."""

    def finish(survey: StripSurvey) -> StripTone:
        return _tone_of(fitted, survey, bandings[survey.index], beyond)

    return tuple(shared_out(finish, fitted.surveyed.surveys, threads))


def _tone_of(fitted: Fitted, survey: StripSurvey, banding: Banding, beyond: float) -> StripTone:
    raster, known = fitted.frame.strips[survey.index], fitted.known
    n_dn = int(np.iinfo(raster.dtype).max) + 1
    if survey.is_lost:
        return lost_tone(raster.n_samples, raster.n_lines, n_dn, "all of it dropped out")
    ends = list(known.patch_density[np.isfinite(known.patch_density)])
    if known.stroke_density is not None and survey.stroke_cells.dn.size:
        ends.append(known.stroke_density)
    span = span_of(np.array(ends), beyond)
    tone = strip_tone(fitted.curves, fitted.fit, survey.index, banding, span, survey.clip, n_dn)
    return replace(tone, reason=survey.reason, noise_correlation=fitted.surveyed.noise_correlation)


def lost_tones(frame: Frame, reason: str) -> tuple[StripTone, ...]:
    """Tones of strips that cannot be calibrated."""
    return tuple(
        lost_tone(raster.n_samples, raster.n_lines, int(np.iinfo(raster.dtype).max) + 1, reason)
        for raster in frame.strips
    )
