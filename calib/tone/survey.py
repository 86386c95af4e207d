"""Surveys a strip in one pass: the place of its wedge, measurements of known film, its first curve and its noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.tone import cell_kernels
from calib.tone.cells import (
    AT_END,
    Cells,
    PatchMeans,
    blocks_of,
    gather_cells,
    label_samples,
    lines_of_known_film,
    select,
    still_clear,
    without_ends,
)
from calib.tone.dropouts import Dropouts
from calib.tone.known_film import KnownFilm
from calib.tone.levels import polished
from calib.tone.noise import LEAST_SCATTER_DN, NoiseModel, fit_noise
from calib.tone.strokes import Spot, Strokes, gather_strokes
from calib.tone.transfer import FEWEST_OF_SHAPE, FirstCurve, fit_first_curve
from calib.tone.wedge import WedgePlace, locate_group

if TYPE_CHECKING:
    from calib.frame.frame import StripRaster

LOST_STRIP = 0.98  # a strip of which this part dropped out carries nothing
SCENE_BLOCK = 16  # lines of the scene averaged together at least: about as far as its texture is alike
MOST_SCENE_LINES, MOST_SCENE_BLOCKS = 6144, 96  # of a strip
FLATTEST = 1e-6  # of its range of DN, per unit of density: a flatter curve tells no density from another
BLUR_SAMPLES = 3  # on each side of a stroke that its light may reach
WHOLE_WIDTH = 0.9  # of the widest patch: what is narrower covers only part of the columns
OUT_OF_LINE = 0.06  # density: a patch this far from the first curve is looked at again without it,
OFTEN_OFF = 6.0  # and farther than such a number of times the middle patch
ALIKE = 50.0  # samples of a patch that hang together so that they count as one (assumed)
LEAST_SPAN, LEAST_USED = 0.8, 0.6  # of the densities, and of the number, of the patches that a strip should show


@dataclass(frozen=True, slots=True, eq=False)
class StripSurvey:
    """Measurements of a strip by a `sweep`. `curve` and `noise` are None if its wedge gave none; `reason` says why.

    `stroke_cells` are those of its strokes, known only after the stray light in them was estimated from all strips.
    """

    index: int
    sweep: StripSweep
    places: tuple[WedgePlace, ...]
    cells: Cells
    patches: PatchMeans
    strokes: Strokes
    stroke_cells: Cells
    curve: FirstCurve | None
    noise: NoiseModel | None
    spoilt: NDArray[np.bool_]
    clip: tuple[int, int]
    is_lost: bool
    reason: str


def survey_strip(
    raster: StripRaster,
    known: KnownFilm,
    sweep: StripSweep,
    dropouts: Dropouts,
    clip: tuple[int, int],
    spot: Spot,
) -> StripSurvey:
    """Survey a strip: read it, find its wedge, gather its cells."""
    dn = raster.read(0, raster.n_lines)
    lost = dropouts.mask(0, raster.n_lines)
    is_lost = dropouts.n_lost > LOST_STRIP * lost.size
    groups = range(int(known.group.max()) + 1)
    places = tuple(locate_group(dn, lost, sweep, known, raster.index, group) for group in groups)
    if is_lost:
        places = tuple(replace(place, found=False) for place in places)
    lines = lines_of_known_film(known, sweep, raster.index, places)
    label = label_samples(known, sweep, raster.index, places, lines)
    block = blocks_of(lines)
    clipped = cell_kernels.count_clipped(dn, lines, label, known.n_patches, block, lost, clip)
    cell_kernels.hide_spoilt(dn, lines, label, lost, clip)
    gathered = gather_cells(dn, lines, label, known, block, clipped)
    cells, patches = without_ends(*gathered, clipped[: known.n_patches].sum(axis=1), clip)
    strokes = gather_strokes(dn, lost, sweep, known, clip, spot)
    curve, noise, spoilt, reason = first_tone(known, patches)
    width_mm = np.ptp(known.patch_across_mm, axis=1)
    if curve is not None and width_mm.min() < WHOLE_WIDTH * width_mm.max():
        patches = _without_banding(patches, cells, curve, raster.n_samples)
        curve, noise, spoilt, reason = first_tone(known, patches)
    found = places, cells, patches, strokes, strokes.cells, curve, noise, spoilt, clip, is_lost, reason
    return StripSurvey(raster.index, sweep, *found)


def survey_again(
    survey: StripSurvey,
    raster: StripRaster,
    known: KnownFilm,
    sweep: StripSweep,
    dropouts: Dropouts,
    spot: Spot,
) -> StripSurvey:
    """The survey updated for a better sweep. If the strip's wedge was found whole and its cells are still clear of
    edges, only the strokes are read again, because they are narrow."""
    whole = not survey.reason and all(place.found for place in survey.places)
    if not whole or not still_clear(known, survey.index, survey.places, survey.cells, survey.sweep, sweep):
        return survey_strip(raster, known, sweep, dropouts, survey.clip, spot)
    dn, lost = raster.read(0, raster.n_lines), dropouts.mask(0, raster.n_lines)
    strokes = gather_strokes(dn, lost, sweep, known, survey.clip, spot)
    places = tuple(place.by(survey.sweep, sweep) for place in survey.places)
    return replace(survey, sweep=sweep, places=places, strokes=strokes, stroke_cells=strokes.cells)


def _without_banding(patches: PatchMeans, cells: Cells, curve: FirstCurve, n_samples: int) -> PatchMeans:
    """Patch means corrected to all columns: otherwise the banding of the columns of a partial patch would bias it."""
    chosen = select(cells, cells.label != cell_kernels.FOG)
    film = polished(curve.density_of(chosen.dn), chosen.label, chosen.sample, n_samples)
    dn = patches.dn.copy()
    dn[film.sorts] = np.where(np.isfinite(dn[film.sorts]), curve.dn_of(film.level), np.nan)
    return replace(patches, dn=dn)


def scene_lines(n_lines: int) -> tuple[NDArray[np.int64], int]:
    """The lines of a strip whose scene is used, at most `MOST_SCENE_LINES` spread evenly, and the lines per block.

    The scene's vote never counts for much more than the known film, which has far fewer samples; more lines would
    hardly help.
    """
    n_used = min(n_lines, MOST_SCENE_LINES)
    lines = (np.arange(n_used) * n_lines + n_lines // 2) // n_used if n_used < n_lines else np.arange(n_lines)
    return lines, max(SCENE_BLOCK, -(-n_used // MOST_SCENE_BLOCKS))


def label_scene(
    known: KnownFilm,
    sweep: StripSweep,
    survey: StripSurvey,
    dn: NDArray,
    dropouts: Dropouts,
    lines: NDArray[np.int64],
) -> NDArray[np.int16]:
    """Labels of the samples of some lines of a surveyed strip `dn`, strokes hidden."""
    label = label_samples(known, sweep, survey.index, survey.places, lines)
    cell_kernels.hide_spoilt(dn, lines, label, dropouts.mask(0, len(dn)), survey.clip)
    cell_kernels.hide_scene(label, lines, stroke_boxes(known, sweep, dn.shape))
    return label


def stroke_boxes(known: KnownFilm, sweep: StripSweep, shape: tuple[int, int]) -> NDArray[np.int64]:
    """Raster boxes (first line, stop line, first sample, stop sample) that hold a strip's strokes, two to a mark.

    Each stroke is widened by the readout's blur and by twice the doubt of its place; the ground between the arms stays.
    """
    doubt_x, doubt_y = 2 * float(np.median(sweep.sigma_x_mm)), 2 * float(np.median(sweep.sigma_y_mm))
    half, arm = known.stroke_mm / 2, known.arm_mm
    right_of, left_of = sweep.x_sample_mm[0] - 2 * (arm + doubt_x), sweep.x_sample_mm[-1] + 2 * (arm + doubt_x)
    near = (known.mark_x_mm > right_of) & (known.mark_x_mm < left_of)
    reach_x, reach_y = np.array([half + doubt_x, arm + doubt_x]), np.array([arm + doubt_y, half + doubt_y])
    ends = np.array([-1.0, 1.0])
    x_mm = known.mark_x_mm[near, None, None] + reach_x[:, None] * ends
    y_mm = known.mark_y_mm[near, None, None] + reach_y[:, None] * ends
    return _raster_boxes(sweep, shape, x_mm.reshape(-1, 2), y_mm.reshape(-1, 2))


def _raster_boxes(sweep: StripSweep, shape: tuple[int, int], x_mm: Array, y_mm: Array) -> NDArray[np.int64]:
    """Boxes (B, 4) that hold film rectangles (B, 2) wherever the strip wanders within them, widened for the blur."""
    rising = sweep.y_line_mm[-1] > sweep.y_line_mm[0]
    tilt = float(np.ptp(sweep.y_sample_mm)) / 2
    line = np.searchsorted(sweep.y_line_mm if rising else sweep.y_line_mm[::-1], y_mm + np.array([-tilt, tilt]))
    line = line if rising else shape[0] - line[:, ::-1]
    line = np.clip(line + np.array([-BLUR_SAMPLES, BLUR_SAMPLES]), 0, shape[0])
    along = np.zeros_like(x_mm)
    for box, (low, high) in enumerate(line.tolist()):
        if high > low:
            wander = sweep.x_line_mm[low:high]
            along[box] = wander.max(), wander.min()
    sample = np.searchsorted(sweep.x_sample_mm, x_mm - along) + np.array([-BLUR_SAMPLES, BLUR_SAMPLES])
    return np.concatenate([line, np.clip(sample, 0, shape[1])], axis=1)


def first_tone(
    known: KnownFilm, patches: PatchMeans, shape: tuple[float, float] | None = None
) -> tuple[FirstCurve | None, NoiseModel | None, NDArray[np.bool_], str]:
    """First curve and noise from the patch means, the mask of spoilt patches, and the reason if there is no whole
    curve.

    Patches that differ by no more than the scatter of a single sample are no patches: a dead channel has noise but no
    tone, and where the wedge is missing there is unexposed film.
    """
    seen = np.isfinite(patches.dn) & np.isfinite(known.patch_density)
    spoilt = np.zeros(known.n_patches, dtype=np.bool_)
    density = np.where(np.isfinite(known.patch_density), known.patch_density, 0.0)
    curve = None
    for _ in range(3):
        use = seen & ~spoilt
        if len(np.unique(density[use])) < 2:
            return None, None, spoilt, "no wedge could be measured"
        if np.ptp(patches.dn[use]) <= np.median(patches.scatter_dn[use]):
            return None, None, spoilt | use, "no wedge could be measured"
        curve = _first_curve(patches, density, use, shape)
        if not _is_out_of_line(curve, patches, density, use) or use.sum() <= 4:
            break
        spoilt[_odd_patch(patches, density, use, shape)] = True
    use = seen & ~spoilt
    if curve is None:
        return None, None, spoilt, "no wedge could be measured"
    slope = curve.slope(np.array([curve.lightest, curve.deepest]))
    is_flat = np.ptp(curve.dn_of(density[use])) <= np.median(patches.scatter_dn[use])
    if is_flat or not np.all(np.isfinite(slope)) or np.abs(slope).min() < FLATTEST * np.ptp(patches.dn[use]):
        is_none = is_flat or shape is None  # no patches, and not only none of a law of that shape
        return None, None, spoilt | use if is_none else spoilt, "its wedge fits no transfer curve"
    noise = _noise_of(curve, patches, density, use)
    return curve, noise, spoilt, _what_is_missing(known, patches, use)


def with_shape(survey: StripSurvey, known: KnownFilm, shape: tuple[float, float]) -> StripSurvey:
    """A survey with its first curve of a given shape (exponent, bend), if it has one."""
    if survey.curve is None:
        return survey
    curve, noise, spoilt, reason = first_tone(known, survey.patches, shape)
    return replace(survey, curve=curve, noise=noise, spoilt=spoilt, reason=reason)


def _first_curve(
    patches: PatchMeans, density: Array, use: NDArray[np.bool_], shape: tuple[float, float] | None
) -> FirstCurve:
    """The first curve of some patches."""
    scatter_dn = np.maximum(patches.scatter_dn[use], LEAST_SCATTER_DN)
    sigma_dn = scatter_dn / np.sqrt(np.maximum(patches.count[use], 1) / ALIKE)
    return fit_first_curve(patches.dn[use], density[use], sigma_dn, shape)


def _off(curve: FirstCurve, patches: PatchMeans, density: Array, use: NDArray[np.bool_]) -> Array:
    """How far some patches lie off a curve, in density."""
    return np.abs(curve.density_of(patches.dn[use]) - density[use])


def _is_out_of_line(curve: FirstCurve, patches: PatchMeans, density: Array, use: NDArray[np.bool_]) -> bool:
    """Whether some patch of a curve lies far off it, beside the others."""
    off = _off(curve, patches, density, use)
    return bool(off.max() > OUT_OF_LINE + OFTEN_OFF * np.median(off))


def _odd_patch(patches: PatchMeans, density: Array, use: NDArray[np.bool_], shape: tuple[float, float] | None) -> int:
    """The patch without which the others agree best. It need not be the one farthest off the curve of all, because a
    spoilt patch at an end pulls that curve towards itself."""
    left = []
    for patch in np.flatnonzero(use):
        others = use & (np.arange(use.size) != patch)
        left.append((float(_off(_first_curve(patches, density, others, shape), patches, density, others).max()), patch))
    return int(min(left)[1])


def _noise_of(
    curve: FirstCurve, patches: PatchMeans, density: Array, use: NDArray[np.bool_], grain: float | None = None
) -> NoiseModel:
    per_dn = 1.0 / np.abs(curve.slope(density[use]))
    return fit_noise(density[use], patches.scatter_dn[use], per_dn, grain)


def with_grain(survey: StripSurvey, known: KnownFilm, grain: float) -> StripSurvey:
    """A survey with its noise fitted again about the grain that all strips share."""
    if survey.curve is None or survey.noise is None:
        return survey
    use = usable_patches(survey, known)
    return replace(survey, noise=_noise_of(survey.curve, survey.patches, known.patch_density, use, grain))


def _what_is_missing(known: KnownFilm, patches: PatchMeans, use: NDArray[np.bool_]) -> str:
    """What the wedge of a strip lacks, as the end of a sentence; empty if it is complete enough.

    Patches at an end of the video's range are not needed if the others give a whole curve: samples of their density
    have no tone anyway.
    """
    usable = np.isfinite(known.patch_density)
    at_end = np.array([reason == AT_END for reason in patches.reason])
    if use.sum() >= FEWEST_OF_SHAPE:
        usable &= use | ~at_end
    span = np.ptp(known.patch_density[usable])
    covered = np.ptp(known.patch_density[use])
    if covered < LEAST_SPAN * span or use.sum() < LEAST_USED * usable.sum():
        return f"only {use.sum()} of {usable.sum()} wedge patches could be used"
    return ""


def usable_patches(survey: StripSurvey, known: KnownFilm) -> NDArray[np.bool_]:
    """Which patches of a strip count: seen, of known density, and in line with the others."""
    return np.isfinite(survey.patches.dn) & np.isfinite(known.patch_density) & ~survey.spoilt
