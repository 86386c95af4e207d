"""Gathers the tone evidence of all strips of a frame; each thread holds one or two strips in memory at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from calib.coordinates import Array
from calib.frame.remarks import Remark
from calib.ordered import in_order, shared_out
from calib.sweep.model import StripSweep
from calib.tone.borrow import TypicalCurve, borrowed_curve, typical_curve, typical_noise
from calib.tone.cell_kernels import FOG
from calib.tone.dropout_search import clip_of
from calib.tone.dropouts import Dropouts
from calib.tone.edges import EdgeReader
from calib.tone.known_film import KnownFilm
from calib.tone.model import UNCORRELATED, NoiseCorrelation
from calib.tone.noise import FEWEST_OF_GRAIN, Grain, NoiseModel, agreed_grain, selwyn_variance
from calib.tone.noise_correlation import pooled_correlations, raised_by_cubic, shared_by_strips
from calib.tone.overlap import OverlapCells
from calib.tone.shape import Shapes, weighed_shapes
from calib.tone.strokes import Spot, clear_strokes, stroke_sigma
from calib.tone.survey import StripSurvey, survey_again, survey_strip, usable_patches, with_grain, with_shape
from calib.tone.transfer import FEWEST_OF_SHAPE, FirstCurve

if TYPE_CHECKING:
    from calib.frame.frame import Frame

DOUBT_SAID = 0.01  # density, or 2 % of light: a larger doubt of the curves' shape is reported
SPAN_NODES = 64  # densities over the range of the patches at which that doubt is evaluated


@dataclass(frozen=True, slots=True, eq=False)
class FrameSurvey:
    """Surveys of the strips, the overlap cells of each with the next, and warnings.

    `alone` holds the surveys by each strip's own evidence, before curves were borrowed and common values set. `typical`
    is None if no strip has a curve. `shapes` are the possible shapes of the curves if the patches do not determine one,
    else None. `stroke_sigma` is the 1-sigma of the density error that all strokes share.
    """

    surveys: tuple[StripSurvey, ...]
    alone: tuple[StripSurvey, ...]
    overlaps: tuple[OverlapCells | None, ...]
    typical: FirstCurve | None
    warnings: tuple[Remark, ...]
    shapes: Shapes | None = None
    stroke_sigma: float = 0.0
    noise_correlation: NoiseCorrelation = UNCORRELATED


def survey_frame(
    frame: Frame,
    known: KnownFilm,
    sweeps: Sequence[StripSweep],
    dropouts: Sequence[Dropouts],
    spot: Spot,
    threads: int,
    before: Sequence[StripSurvey] = (),
) -> FrameSurvey:
    """Survey every strip on `threads` threads, then lend curves to those without; overlaps are not compared yet.

    `before` holds the surveys by a less accurate sweep, which are updated instead of made anew.
    """

    def survey(strip: int) -> StripSurvey:
        raster = frame.strips[strip]
        if before:
            return survey_again(before[strip], raster, known, sweeps[strip], dropouts[strip], spot)
        clip = dropouts[strip].clip or clip_of(raster, frame.scan.saturation)
        return survey_strip(raster, known, sweeps[strip], dropouts[strip], clip, spot)

    alone = shared_out(survey, range(len(frame.strips)), threads)
    surveys, shapes = _shaped(known, alone)
    surveys, cleared = _with_clear_strokes(surveys, threads)
    nothing = (None,) * (len(surveys) - 1)
    lenders = _lenders(surveys)
    if not lenders:
        return FrameSurvey(tuple(surveys), tuple(alone), nothing, None, ())
    grain, noise_correlation = _grain(frame, known, lenders)
    surveys = [with_grain(each, known, grain.per_density) for each in surveys]
    lenders = [surveys[each.index] for each in lenders]
    typical = typical_curve([each.curve for each in lenders if each.curve is not None])
    in_need = _lending_order(surveys)
    if in_need:
        noise = typical_noise([each.noise for each in lenders if each.noise is not None])
        surveys = _with_borrowed(EdgeReader(frame, sweeps, dropouts), surveys, in_need, known, typical, noise)
        surveys, cleared = _with_clear_strokes(surveys, threads)
    said = [grain.warning] if shapes is None else [_of_shape(known, typical.curve, shapes), grain.warning]
    return FrameSurvey(
        surveys=tuple(surveys),
        alone=tuple(alone),
        overlaps=nothing,
        typical=typical.curve,
        warnings=(*_warnings(frame, surveys), *map(Remark, filter(None, said))),
        shapes=shapes,
        stroke_sigma=stroke_sigma(
            [each.strokes for each in surveys], [each.curve or typical.curve for each in surveys], cleared
        ),
        noise_correlation=noise_correlation,
    )


def _lenders(surveys: Sequence[StripSurvey]) -> list[StripSurvey]:
    """The strips with a curve from a whole wedge; if there are none, those with any curve."""
    some = [each for each in surveys if each.curve is not None]
    return [each for each in some if not each.reason] or some


def _grain(frame: Frame, known: KnownFilm, surveys: Sequence[StripSurvey]) -> tuple[Grain, NoiseCorrelation]:
    """The grain on which the strips' patches agree, and the correlation of their noise."""
    used = [usable_patches(each, known) for each in surveys]
    told = [
        each.noise.grain
        for each, usable in zip(surveys, used, strict=True)
        if each.noise is not None and usable.sum() >= FEWEST_OF_GRAIN
    ]
    correlation = [each.patches.correlation[usable] for each, usable in zip(surveys, used, strict=True)]
    noise_correlation = NoiseCorrelation(*pooled_correlations(correlation))
    return agreed_grain(np.array(told), _stated_grain(frame), noise_correlation.samples), noise_correlation


def _with_borrowed(
    edges: EdgeReader,
    surveys: Sequence[StripSurvey],
    in_need: Sequence[int],
    known: KnownFilm,
    typical: TypicalCurve,
    noise: NoiseModel,
) -> list[StripSurvey]:
    """Surveys in which the strips `in_need` have borrowed curves, in turn: a strip may pass on a borrowed curve.

    Strips without a noise model of their own get the typical `noise`.
    """
    surveys = list(surveys)
    for index in in_need:
        needy = surveys[index]
        dn, density = _lent(edges, surveys, known, index)
        curve = borrowed_curve(dn, density, typical)
        surveys[index] = replace(needy, curve=curve, noise=needy.noise or noise, reason=_reason(needy, dn.size > 0))
    return surveys


def _with_clear_strokes(surveys: Sequence[StripSurvey], threads: int) -> tuple[list[StripSurvey], list[Array]]:
    """Surveys whose strokes are corrected for stray light by the present curves, and the corrected DN of each strip."""
    cleared = shared_out(lambda each: each.strokes.cleared(each.curve), surveys, threads)
    cells = clear_strokes([each.strokes for each in surveys], cleared)
    return [replace(each, stroke_cells=of) for each, of in zip(surveys, cells, strict=True)], cleared


def _shaped(known: KnownFilm, surveys: list[StripSurvey]) -> tuple[list[StripSurvey], Shapes | None]:
    """Surveys with curves of a common shape, and the possible shapes, if no strip's patches determine its shape alone.

    Done twice, because the weights of the residuals depend on the curves, which have arbitrary shapes at first. With
    the common shape a patch may turn out to be no outlier, or a strip may lose a curve that it had.
    """
    shapes = None
    for _ in range(2):
        some = [(survey, survey.curve) for survey in surveys if survey.curve is not None]
        used = np.array([usable_patches(survey, known) for survey, _ in some])
        if not some or used.sum(axis=1).max() >= FEWEST_OF_SHAPE:
            break
        curves = [curve for _, curve in some]
        dn = np.where(used, [survey.patches.dn for survey, _ in some], np.nan)
        shapes = weighed_shapes(curves, dn, known.patch_density, known.patch_sigma)
        middle = shapes.middle(typical_curve(curves).curve)
        surveys = [with_shape(survey, known, middle) for survey in surveys]
    return surveys, shapes


def with_overlaps(
    frame: Frame, surveyed: FrameSurvey, sweeps: Sequence[StripSweep], dropouts: Sequence[Dropouts], threads: int
) -> FrameSurvey:
    """The survey with all overlaps compared, in density by the first curves of their two strips."""
    edges = EdgeReader(frame, sweeps, dropouts)
    read = zip(surveyed.surveys, in_order(edges.both, surveyed.surveys, threads), strict=True)
    overlaps = tuple(in_order(lambda pair: edges.compare(*pair), pairwise(read), threads))
    shared = _shared_noise(surveyed.surveys, overlaps, surveyed.noise_correlation)
    return replace(surveyed, overlaps=overlaps, noise_correlation=replace(surveyed.noise_correlation, shared=shared))


def _shared_noise(
    surveys: Sequence[StripSurvey], overlaps: Sequence[OverlapCells | None], noise_correlation: NoiseCorrelation
) -> float:
    """Correlation of the noise of neighbouring strips where they show the same film."""
    found, raised = [], raised_by_cubic(noise_correlation.along) * raised_by_cubic(noise_correlation.across)
    for (survey, following), cells in zip(pairwise(surveys), overlaps, strict=True):
        if cells is not None and survey.noise is not None and following.noise is not None:
            own = _sample_variance(survey, cells.density)
            kept = (1.0 / cells.own_share - 1.0) * raised
            found.append((cells.scatter, own, kept * _sample_variance(following, cells.next_density)))
    return shared_by_strips(*np.concatenate(found, axis=1)) if found else 0.0


def _sample_variance(survey: StripSurvey, density: Array) -> Array:
    """Variance in density of one sample of a strip."""
    if survey.curve is None or survey.noise is None:
        return np.full(density.shape, np.nan)
    return survey.noise.variance(density, 1.0 / np.abs(survey.curve.slope(density)))


def _stated_grain(frame: Frame) -> float | None:
    """Grain variance per unit of density that the stated granularity gives in the area of a sample."""
    if frame.film.granularity is None:
        return None
    return selwyn_variance(frame.film.granularity, frame.scan.sample_mm * frame.scan.line_mm)


def _lending_order(surveys: Sequence[StripSurvey]) -> list[int]:
    """Indices of the strips that need to borrow a curve, the nearest to a strip with a whole wedge first."""
    whole = [survey.index for survey in surveys if survey.curve is not None and not survey.reason]
    needy = [survey.index for survey in surveys if survey.reason and not survey.is_lost]
    return sorted(needy, key=lambda index: (min((abs(index - other) for other in whole), default=0), index))


def _lent(edges: EdgeReader, surveys: Sequence[StripSurvey], known: KnownFilm, index: int) -> tuple[Array, Array]:
    """Pairs of DN and density for a strip's curve: its own patches, unexposed film and strokes, and its overlaps."""
    survey = surveys[index]
    own = usable_patches(survey, known)
    dn, density = [survey.patches.dn[own]], [known.patch_density[own]]
    for same_film in (_fog, _strokes):  # each has the same density in all strips
        here = same_film(survey)
        there = [(s.curve, same_film(s)) for s in surveys if s.curve is not None and not s.reason]
        levels = [float(curve.density_of(np.array(level))) for curve, level in there if np.isfinite(level)]
        if np.isfinite(here) and levels:
            dn.append(np.array([here]))
            density.append(np.array([np.median(levels)]))
    for other in (index - 1, index + 1):
        if 0 <= other < len(surveys) and surveys[other].curve is not None and not surveys[other].is_lost:
            values, lent = edges.lend(surveys[other], survey)
            dn.append(values)
            density.append(lent)
    return np.concatenate(dn), np.concatenate(density)


def _fog(survey: StripSurvey) -> float:
    """Median DN of a strip's unexposed film; NaN if there is none."""
    chosen = survey.cells.dn[survey.cells.label == FOG]
    return float(np.median(chosen)) if chosen.size else np.nan


def _strokes(survey: StripSurvey) -> float:
    """Median DN of a strip's reseau strokes; NaN if there are none."""
    return float(np.median(survey.stroke_cells.dn)) if survey.stroke_cells.dn.size else np.nan


def _reason(survey: StripSurvey, has_some: bool) -> str:
    source = "its overlaps and the other strips" if has_some else "the other strips alone"
    return f"{survey.reason}; its curve is borrowed from {source}"


def _warnings(frame: Frame, surveys: Sequence[StripSurvey]) -> list[Remark]:
    said = []
    for survey in surveys:
        own = (survey.index,)
        if survey.is_lost:
            said.append(Remark("all of it dropped out", own))
        elif survey.reason:
            said.append(Remark(survey.reason, own))
        stated = clip_of(frame.strips[survey.index], frame.scan.saturation)
        said += [
            Remark(f"samples pile up at DN {end}: taken for saturated, although scan.saturation does not say so", own)
            for end in sorted(set(survey.clip) - set(stated))
        ]
    return said


def _of_shape(known: KnownFilm, typical: FirstCurve, shapes: Shapes) -> str:
    """A warning about the doubt of the curves' shape; empty if it is small."""
    ends = np.nanmin(known.patch_density), np.nanmax(known.patch_density)
    doubt = shapes.sigma(typical, np.linspace(*ends, SPAN_NODES)).max()
    if doubt < DOUBT_SAID:
        return ""
    return (
        f"{shapes.density.size} wedge patches do not tell the shape of a transfer curve: a common shape is assumed, "
        f"and sigma includes the doubt of up to {doubt:.2f} in density"
    )
