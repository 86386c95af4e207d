"""The passes over a frame's strips that gather all evidence: on each thread one or two strips in memory at a time."""

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
from calib.tone.borrow import Kinship, borrowed_curve, kinship_of, typical_noise
from calib.tone.cell_kernels import FOG
from calib.tone.dropout_search import clip_of
from calib.tone.dropouts import Dropouts
from calib.tone.edges import EdgeReader
from calib.tone.known_film import KnownFilm
from calib.tone.model import INDEPENDENT, NoiseTexture
from calib.tone.noise import FEWEST_OF_GRAIN, Grain, NoiseModel, agreed_grain, selwyn_variance
from calib.tone.overlap import OverlapCells
from calib.tone.shape import Shapes, weighed_shapes
from calib.tone.strokes import Spot, clear_strokes, stroke_sigma
from calib.tone.survey import StripSurvey, survey_again, survey_strip, usable_patches, with_grain, with_shape
from calib.tone.texture import hanging_together, raised_by_cubic, shared_by_strips
from calib.tone.transfer import FEWEST_OF_SHAPE, FirstCurve

if TYPE_CHECKING:
    from calib.frame.frame import Frame

DOUBT_SAID = 0.01  # density: 2 % of light
SPAN_NODES = 64  # densities from patch to patch at which a curve's doubt is looked at


@dataclass(frozen=True, slots=True, eq=False)
class Passes:
    """All that was gathered: surveys of the strips, overlap cells of each with the next, and what went wrong.

    `alone` is what each strip said by itself, before it borrowed and was told what is common. `shapes` are those that
    the curves may have where no strip's patches tell it, None where they do; `stroke_sigma` is the 1-sigma that all
    strokes' density has in common, `texture` how noise hangs together.
    """

    surveys: tuple[StripSurvey, ...]
    alone: tuple[StripSurvey, ...]
    overlaps: tuple[OverlapCells | None, ...]
    typical: FirstCurve | None
    warnings: tuple[Remark, ...]
    shapes: Shapes | None = None
    stroke_sigma: float = 0.0
    texture: NoiseTexture = INDEPENDENT


def survey_frame(
    frame: Frame,
    known: KnownFilm,
    sweeps: Sequence[StripSweep],
    dropouts: Sequence[Dropouts],
    spot: Spot,
    threads: int,
    before: Sequence[StripSurvey] = (),
) -> Passes:
    """Survey every strip, then lend curves to those without; no overlaps are compared yet. On `threads` threads.

    What strips said by themselves `before`, by a worse sweep, is gone on from.
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
        return Passes(tuple(surveys), tuple(alone), nothing, None, ())
    grain, texture = _grain(frame, known, lenders)
    surveys = [with_grain(each, known, grain.per_density) for each in surveys]
    lenders = [surveys[each.index] for each in lenders]
    kin = kinship_of([each.curve for each in lenders if each.curve is not None])
    in_need = _lending_order(surveys)
    if in_need:
        noise = typical_noise([each.noise for each in lenders if each.noise is not None])
        surveys = _with_borrowed(EdgeReader(frame, sweeps, dropouts), surveys, in_need, known, kin, noise)
        surveys, cleared = _with_clear_strokes(surveys, threads)
    said = [grain.warning] if shapes is None else [_of_shape(known, kin.typical, shapes), grain.warning]
    return Passes(
        surveys=tuple(surveys),
        alone=tuple(alone),
        overlaps=nothing,
        typical=kin.typical,
        warnings=(*_warnings(frame, surveys), *map(Remark, filter(None, said))),
        shapes=shapes,
        stroke_sigma=stroke_sigma(
            [each.strokes for each in surveys], [each.curve or kin.typical for each in surveys], cleared
        ),
        texture=texture,
    )


def _lenders(surveys: Sequence[StripSurvey]) -> list[StripSurvey]:
    """The strips with a curve from a whole wedge; where there are none, those with any curve."""
    some = [each for each in surveys if each.curve is not None]
    return [each for each in some if not each.reason] or some


def _grain(frame: Frame, known: KnownFilm, surveys: Sequence[StripSurvey]) -> tuple[Grain, NoiseTexture]:
    """The grain that the strips' patches agree on, and how their noise hangs together."""
    used = [usable_patches(each, known) for each in surveys]
    told = [
        each.noise.grain
        for each, usable in zip(surveys, used, strict=True)
        if each.noise is not None and usable.sum() >= FEWEST_OF_GRAIN
    ]
    hanging = [each.patches.hanging[usable] for each, usable in zip(surveys, used, strict=True)]
    texture = NoiseTexture(*hanging_together(hanging))
    return agreed_grain(np.array(told), _stated_grain(frame), texture.samples), texture


def _with_borrowed(
    edges: EdgeReader,
    surveys: Sequence[StripSurvey],
    in_need: Sequence[int],
    known: KnownFilm,
    kin: Kinship,
    noise: NoiseModel,
) -> list[StripSurvey]:
    """Surveys in which the strips `in_need` have borrowed a curve, one after the other: one that has may lend it on.

    They have the typical `noise` where they told none of their own.
    """
    surveys = list(surveys)
    for index in in_need:
        needy = surveys[index]
        dn, density = _lent(edges, surveys, known, index)
        curve = borrowed_curve(dn, density, kin)
        surveys[index] = replace(needy, curve=curve, noise=needy.noise or noise, reason=_reason(needy, dn.size > 0))
    return surveys


def _with_clear_strokes(surveys: Sequence[StripSurvey], threads: int) -> tuple[list[StripSurvey], list[Array]]:
    """Surveys with the light from beside their strokes taken off by the curves they have so far, and their DN then."""
    cleared = shared_out(lambda each: each.strokes.cleared(each.curve), surveys, threads)
    cells = clear_strokes([each.strokes for each in surveys], cleared)
    return [replace(each, stroke_cells=of) for each, of in zip(surveys, cells, strict=True)], cleared


def _shaped(known: KnownFilm, surveys: list[StripSurvey]) -> tuple[list[StripSurvey], Shapes | None]:
    """Surveys with curves of one shape, and what shapes they may have, where no strip's patches tell it by themselves.

    How residuals count hangs on the curves, which are of no shape at first: so it is done twice. A law of the common
    shape may put a patch in line, or not bear a curve where one of no shape did.
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
        middle = shapes.middle(kinship_of(curves).typical)
        surveys = [with_shape(survey, known, middle) for survey in surveys]
    return surveys, shapes


def with_overlaps(
    frame: Frame, passes: Passes, sweeps: Sequence[StripSweep], dropouts: Sequence[Dropouts], threads: int
) -> Passes:
    """The same, with every overlap compared by the first curves of its two strips."""
    edges = EdgeReader(frame, sweeps, dropouts)
    read = zip(passes.surveys, in_order(edges.both, passes.surveys, threads), strict=True)
    overlaps = tuple(in_order(lambda pair: edges.compare(*pair), pairwise(read), threads))
    shared = _shared_noise(passes.surveys, overlaps, passes.texture)
    return replace(passes, overlaps=overlaps, texture=replace(passes.texture, shared=shared))


def _shared_noise(
    surveys: Sequence[StripSurvey], overlaps: Sequence[OverlapCells | None], texture: NoiseTexture
) -> float:
    """Correlation of the noise of neighbouring strips where they show the same film."""
    found, raised = [], raised_by_cubic(texture.along) * raised_by_cubic(texture.across)
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
    """Strips that need to borrow, those nearest to a strip with a whole wedge first."""
    whole = [survey.index for survey in surveys if survey.curve is not None and not survey.reason]
    needy = [survey.index for survey in surveys if survey.reason and not survey.is_lost]
    return sorted(needy, key=lambda index: (min((abs(index - other) for other in whole), default=0), index))


def _lent(edges: EdgeReader, surveys: Sequence[StripSurvey], known: KnownFilm, index: int) -> tuple[Array, Array]:
    """DN and density of a strip's own patches, if any, and of its overlaps with neighbours whose curve is known."""
    survey = surveys[index]
    own = usable_patches(survey, known)
    dn, density = [survey.patches.dn[own]], [known.patch_density[own]]
    for same_film in (_fog, _strokes):  # of one density in all strips
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
    """Middle DN of a strip's unexposed film; NaN where there is none."""
    chosen = survey.cells.dn[survey.cells.label == FOG]
    return float(np.median(chosen)) if chosen.size else np.nan


def _strokes(survey: StripSurvey) -> float:
    """Middle DN of a strip's reseau strokes; NaN where there are none."""
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
    """What a wedge leaves open of the curves' shape, if that matters."""
    ends = np.nanmin(known.patch_density), np.nanmax(known.patch_density)
    doubt = shapes.sigma(typical, np.linspace(*ends, SPAN_NODES)).max()
    if doubt < DOUBT_SAID:
        return ""
    return (
        f"{shapes.density.size} wedge patches do not tell the shape of a transfer curve: a common shape is assumed, "
        f"and sigma includes the doubt of up to {doubt:.2f} in density"
    )
