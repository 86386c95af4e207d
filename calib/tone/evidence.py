"""Converts the survey's cells to linear evidence on the unknowns: ``z + splines - banding - drift = density``."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import MIDDLE_SIZE, medians_by
from calib.tone.cell_kernels import FOG
from calib.tone.cells import FOG_BLOCK, Cells
from calib.tone.drift import stretches
from calib.tone.known_film import KnownFilm
from calib.tone.levels import POLISHING, polished
from calib.tone.noise import grain_bias, rounding_variance
from calib.tone.overlap import OverlapCells
from calib.tone.overlap_kernels import cubic_weights
from calib.tone.placing import Curves, Placing, StripSide
from calib.tone.strokes import STROKE
from calib.tone.transfer import FirstCurve, derivatives_at
from calib.tone.unknowns import Layout

PATCH_KIND, FOG_KIND, STROKE_KIND, OVERLAP_KIND = range(4)
SCRATCH = 4.0  # times its patch's scatter, and
LEAST_SCRATCH = 0.05  # density: a cell farther than both from its patch's level and its sample's banding is spoilt
LEAST_FOG_STEP = 0.15  # density: unexposed film of a strip differs by no more, drift and all
CELL_FLOOR = 2e-4  # density: flatness of a patch, dirt, and what else no model knows


@dataclass(frozen=True, slots=True, eq=False)
class KnownValues:
    """Data of cells of known density, from which their rows are computed at any placing: all (N,).

    `measured` is their first-order density, `stated` the known one; `grain` and `video_dn2` are the variances of a
    sample; `count` is the number of samples, `doubt_dn` the 1-sigma of errors that do not average down.
    """

    first: FirstCurve
    measured: Array
    stated: Array
    grain: Array
    video_dn2: Array
    count: Array
    doubt_dn: Array

    def at(self, placings: tuple[Placing, ...]) -> tuple[Array, Array]:
        """Values of the rows linearised at a placing, and their 1-sigma."""
        at, value, sigma = placings[0], np.empty(self.stated.size), np.empty(self.stated.size)
        cells = self.measured, self.stated, self.grain, self.video_dn2, self.count, self.doubt_dn
        _say(at.z, at.slope, self.first.law, cells, value, sigma)
        return value, sigma


_bias_of_grain, _variance_of_rounding = (njit(cache=True, nogil=True)(of) for of in (grain_bias, rounding_variance))


@njit(cache=True, nogil=True, error_model="numpy")
def _say(z, slope, law, cells, value, sigma):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What cells of known density say where they are placed, and its 1-sigma."""
    measured, stated, grain, video_dn2, count, doubt_dn = cells
    for row in range(z.size):
        per_dn, curvature = derivatives_at(z[row], law)
        seen = z[row] + slope[row] * (measured[row] - z[row])
        value[row] = stated[row] - seen + _bias_of_grain(per_dn, curvature, grain[row])
        square = per_dn * per_dn
        variance_dn = video_dn2[row] + grain[row] / square
        doubt2_dn = _variance_of_rounding(np.sqrt(variance_dn)) + doubt_dn[row] * doubt_dn[row]
        sigma[row] = slope[row] * np.sqrt((variance_dn / count[row] + doubt2_dn) * square + CELL_FLOOR**2)


@dataclass(frozen=True, slots=True, eq=False)
class OverlapValues:
    """Data of an overlap's cells, from which their rows are computed at any placing; their density must be the same."""

    cells: OverlapCells

    def at(self, placings: tuple[Placing, ...]) -> tuple[Array, Array]:
        """Values of the rows linearised at the placings, and their 1-sigma."""
        one, two = placings
        cells = self.cells
        measured = one.z + one.slope * (cells.density - one.z) - two.z - two.slope * (cells.next_density - two.z)
        return -measured, cells.sigma * (one.slope + two.slope) / 2


def known_values(curves: Curves, known: KnownFilm, strip: int, cells: Cells) -> KnownValues:
    """Data of cells of known density: patches, unexposed film or strokes."""
    first, noise = curves.first[strip], curves.noise[strip]
    is_patch = (cells.label != FOG) & (cells.label != STROKE)
    stated = np.where(cells.label == STROKE, known.stroke_density or 0.0, known.fog_guess)
    stated[is_patch] = known.patch_density[cells.label[is_patch]]
    grain, video = noise.grain_variance(stated), noise.variance_dn(stated)
    return KnownValues(first, first.density_of(cells.dn), stated, grain, video, cells.count, cells.doubt_dn)


def known_side(curves: Curves, strip: int, cells: Cells, measured: Array) -> StripSide:
    """The side of a strip that cells of known density have."""
    own = np.ones(cells.dn.size)
    drift = stretches(curves.n_lines[strip], cells.line)
    return StripSide(strip, drift, cells.sample[:, None], own[:, None], measured, own)


def errors_of(layout: Layout, cells: Cells) -> NDArray[np.int64]:
    """Index of the common unknown that is the error of each cell's stated density."""
    place = np.where(cells.label == STROKE, layout.n_patches + 1, cells.label)
    return np.asarray(layout.patches.start + np.where(cells.label == FOG, layout.n_patches, place))


def overlap_sides(curves: Curves, strip: int, cells: OverlapCells) -> tuple[StripSide, StripSide]:
    """The sides that an overlap's cells have in their strip and in the next one."""
    sample, n_samples = cells.next_sample, curves.layout.n_samples
    about, shares = np.stack(_about(sample, n_samples), axis=1), np.stack(_shares(sample), axis=1)
    drift = stretches(curves.n_lines[strip], cells.line)
    next_drift = stretches(curves.n_lines[strip + 1], cells.next_line)
    one = np.ones((sample.size, 1))
    return (
        StripSide(strip, drift, cells.sample[:, None], one, cells.density, cells.own_share),
        StripSide(strip + 1, next_drift, about, shares, cells.next_density, 1.0 - cells.own_share),
    )


def kinds_of(cells: Cells) -> NDArray[np.int8]:
    """The kind of evidence of each cell of known density."""
    fog, stroke = cells.label == FOG, cells.label == STROKE
    return np.where(fog, FOG_KIND, np.where(stroke, STROKE_KIND, PATCH_KIND)).astype(np.int8)


def first_placing(first: FirstCurve, cells: Cells, n_samples: int) -> Array:
    """Placing of cells before any fit, as first-order densities: the level of the label plus the banding of the sample.

    Both are estimated from all cells by median polish, so that no cell is placed by its own noise.
    """
    z = first.density_of(cells.dn)
    per_dn, _ = first.derivatives(z)
    labels, which = np.unique(cells.label, return_inverse=True)
    weight = cells.count / medians_by(per_dn, which, labels.size)[which] ** 2
    level, banding = np.zeros(labels.size), np.zeros(n_samples)
    total = np.maximum(np.bincount(cells.sample, weight, n_samples), 1e-300)
    for _ in range(POLISHING):
        level = medians_by(z - banding[cells.sample], which, labels.size)
        banding = np.bincount(cells.sample, weight * (z - level[which]), n_samples) / total
    return np.asarray(level[which] + banding[cells.sample])


def unscratched(first: FirstCurve, cells: Cells, n_samples: int, fog_density: float) -> NDArray[np.bool_]:
    """Mask (N,) of the cells that are not spoilt by a scratch or spot; unexposed film is judged block by block.

    Robust weights are not enough: many spoilt cells, each with the pull of a few sigma, outweigh uncertain statements
    about the patches, and they would all fit better if all film had the same density.
    """
    z, fog = first.density_of(cells.dn), cells.label == FOG
    sort = np.where(fog, -1 - (cells.line // FOG_BLOCK).astype(np.int64), cells.label)
    film = polished(z, sort, cells.sample.astype(np.int64), n_samples)
    off = np.abs(z - film.level[film.which] - film.banding[cells.sample.astype(np.int64)])
    limit = SCRATCH * medians_by(off, film.which, film.sorts.size) / MIDDLE_SIZE
    whole = np.ones(film.sorts.size, dtype=np.bool_)
    of_fog = np.flatnonzero(film.sorts < 0)
    if of_fog.size:  # the block nearest to the expected density is unexposed for sure; the others must agree with it
        level = film.level[of_fog]
        best = level[np.argmin(np.abs(level - fog_density))]
        whole[of_fog] = np.abs(level - best) <= np.maximum(limit[of_fog], LEAST_FOG_STEP)
    return np.asarray(whole[film.which] & (fog | (off <= np.maximum(limit[film.which], LEAST_SCRATCH))))


def _about(sample: Array, n_samples: int) -> list[NDArray[np.int64]]:
    """The four samples that a value between samples was interpolated from."""
    low = np.floor(sample).astype(np.int64)
    return [np.clip(low + step, 0, n_samples - 1) for step in (-1, 0, 1, 2)]


def _shares(sample: Array) -> tuple[Array, ...]:
    return cubic_weights(sample - np.floor(sample))


def overlap_edges(n_samples: int, overlaps: Sequence[OverlapCells | None]) -> NDArray[np.int64]:
    """Samples whose banding overlaps tie together: (strips, n_samples), their number within the strip, or -1."""
    touched = np.zeros((len(overlaps) + 1, n_samples), dtype=np.bool_)
    for strip, cells in enumerate(overlaps):
        if cells is not None:
            touched[strip, cells.sample] = True
            touched[strip + 1, np.concatenate(_about(cells.next_sample, n_samples))] = True
    return np.where(touched, np.cumsum(touched, axis=1) - 1, -1)
