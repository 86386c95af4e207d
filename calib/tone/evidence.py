"""The survey's cells as linear evidence on the unknowns: ``z + splines - banding - drift = density``, row by row."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.tone.cell_kernels import FOG
from calib.tone.cells import Cells
from calib.tone.known_film import KnownFilm
from calib.tone.noise import NoiseModel, grain_bias, rounding_variance
from calib.tone.overlap import OverlapCells
from calib.tone.overlap_kernels import cubic_weights
from calib.tone.strokes import STROKE
from calib.tone.system import Rows, Values
from calib.tone.terms import Terms
from calib.tone.transfer import CorrectionBasis, FirstCurve, power_of_ten
from calib.tone.unknowns import DRIFT_MODES, Layout, cosines

PATCH_KIND, FOG_KIND, STROKE_KIND, OVERLAP_KIND = range(4)
POLISHING = 4
SLOPES = (0.25, 4.0)  # bounds of a corrected curve's slope against the first
CELL_FLOOR = 2e-4  # density: flatness of a patch, dirt, and what else no model knows


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """First curves of all strips and the splines that correct them: what every row is linearised about."""

    first: tuple[FirstCurve, ...]
    noise: tuple[NoiseModel, ...]
    basis: CorrectionBasis
    layout: Layout
    n_lines: tuple[int, ...]

    def dark_shape(self, strip: int, density: Array) -> Array:
        """How an error of a strip's dark level shows in density, 1 at the dark end of the basis."""
        exponent = self.first[strip].exponent
        return power_of_ten(exponent * (np.clip(density, self.basis.low, self.basis.high) - self.basis.high))


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """Where the model puts cells, as first-order densities, and the corrected curve's slope against the first there.

    Rows are linearised there. At the measured places their splines would have the data's own noise in them, and the
    curve would flatten towards the mean (errors in variables); with the slope, residuals keep the weight that they
    have in DN, so that a flat stretch of curve cannot hide them.
    """

    z: Array
    slope: Array


def placed(curves: Curves, strip: int, z: Array, solution: Values | None) -> Placing:
    """A placing at first-order densities, its slope by a solution."""
    if solution is None:
        return Placing(z, np.ones_like(z))
    step = 1e-3
    rise = correction(curves, strip, z + step, solution) - correction(curves, strip, z - step, solution)
    return Placing(z, np.clip(1.0 + rise / (2 * step), *SLOPES))


def correction(curves: Curves, strip: int, z: Array, solution: Values) -> Array:
    """What a solution adds to the first-order densities of a strip."""
    weights = solution.strips[strip][curves.layout.curve] + solution.common[curves.layout.curve]
    dark = curves.dark_shape(strip, z) * solution.strips[strip][curves.layout.dark]
    return np.asarray(curves.basis.curve(z, weights) + dark)


def known_rows(curves: Curves, known: KnownFilm, strip: int, cells: Cells, placings: tuple[Placing, ...]) -> Rows:
    """Evidence of cells of known density: patches, unexposed film, strokes."""
    layout, first, noise = curves.layout, curves.first[strip], curves.noise[strip]
    at = placings[0]
    per_dn, curvature = 1.0 / np.abs(first.slope(at.z)), first.curvature(at.z)
    is_fog, is_stroke = cells.label == FOG, cells.label == STROKE
    stated = np.full(at.z.size, known.fog_guess)
    stated[is_stroke] = known.stroke_density or 0.0
    is_patch = ~is_fog & ~is_stroke
    stated[is_patch] = known.patch_density[cells.label[is_patch]]
    grain = noise.grain_variance(stated)
    measured = at.z + at.slope * (first.density_of(cells.dn) - at.z)
    value = stated - measured + grain_bias(per_dn, curvature, grain)
    variance_dn = noise.variance_dn(stated) + grain / per_dn**2
    variance = noise.variance(stated, per_dn) / cells.count + rounding_variance(np.sqrt(variance_dn)) * per_dn**2
    sigma = at.slope * np.sqrt(variance + (cells.doubt_dn * per_dn) ** 2 + CELL_FLOOR**2)
    place = np.where(is_fog, layout.n_patches, np.where(is_stroke, layout.n_patches + 1, cells.label))
    own, common, column = _parts(curves, strip, at.z, cells.line, [(cells.sample, np.ones(at.z.size))])
    error = Terms((layout.patches.start + place[:, None]).astype(np.int32), np.full((at.z.size, 1), -1.0))
    return Rows(own, None, common.beside(error), column, value, sigma)


def kinds_of(cells: Cells) -> NDArray[np.int8]:
    """The sort of evidence that cells of known density are."""
    fog, stroke = cells.label == FOG, cells.label == STROKE
    return np.where(fog, FOG_KIND, np.where(stroke, STROKE_KIND, PATCH_KIND)).astype(np.int8)


def first_placing(curves: Curves, strip: int, cells: Cells) -> Array:
    """Where cells lie before any fit, as first-order densities: each label's level plus each sample's banding.

    Both come from the cells themselves, in turn (median polish), so that no cell is placed by its own noise.
    """
    z = curves.first[strip].density_of(cells.dn)
    per_dn = 1.0 / np.abs(curves.first[strip].slope(z))
    labels, which = np.unique(cells.label, return_inverse=True)
    scatter = np.array([np.median(per_dn[which == index]) for index in range(labels.size)])
    weight = cells.count / scatter[which] ** 2
    level, banding = np.zeros(labels.size), np.zeros(curves.layout.n_samples)
    total = np.bincount(cells.sample, weight, banding.size)
    for _ in range(POLISHING):
        rest = z - banding[cells.sample]
        level = np.array([np.median(rest[which == index]) for index in range(labels.size)])
        off = weight * (z - level[which])
        banding = np.bincount(cells.sample, off, banding.size) / np.maximum(total, 1e-300)
    return np.asarray(level[which] + banding[cells.sample])


def overlap_rows(curves: Curves, strip: int, cells: OverlapCells, placings: tuple[Placing, ...]) -> Rows:
    """Evidence of an overlap of a strip with the next: the same film, so no difference."""
    one, two = placings
    own, common, column = _parts(curves, strip, one.z, cells.line, [(cells.sample, np.ones(cells.sample.size))])
    samples = list(zip(_about(cells.next_sample, curves.layout.n_samples), _shares(cells.next_sample), strict=True))
    following, following_common, _ = _parts(curves, strip + 1, two.z, cells.next_line, samples)
    measured = one.z + one.slope * (cells.density - one.z) - two.z - two.slope * (cells.next_density - two.z)
    sigma = cells.sigma * (one.slope + two.slope) / 2
    return Rows(own, following.negative(), common.beside(following_common.negative()), column, -measured, sigma)


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


def _parts(
    curves: Curves, strip: int, z: Array, line: Array, samples: list[tuple[NDArray[np.int64], Array]]
) -> tuple[Terms, Terms, NDArray[np.int64]]:
    """Rows of ``splines - banding - drift``: on the strip's unknowns, on the common ones, and the eliminated sample.

    `samples` are those whose banding is in a row, each with its share; only the first one can be eliminated.
    """
    layout = curves.layout
    places = np.zeros((z.size, 5 + DRIFT_MODES + len(samples)), dtype=np.int32)
    values = np.zeros(places.shape)
    begin, values[:, :4] = curves.basis.rows(z)
    places[:, :4] = begin[:, None] + np.arange(4)
    places[:, 4], values[:, 4] = layout.dark, curves.dark_shape(strip, z)
    drift = slice(5, 5 + DRIFT_MODES)
    places[:, drift] = np.arange(layout.drift.start, layout.drift.stop)
    values[:, drift] = -cosines(curves.n_lines[strip], line, DRIFT_MODES)
    for column, (sample, share) in enumerate(samples, start=drift.stop):
        edge = layout.edge[strip, sample]
        places[:, column] = np.where(edge >= 0, layout.drift.stop + edge, 0)
        values[:, column] = np.where(edge >= 0, -share, 0.0)
    own = Terms(places, values)
    first = samples[0][0]
    common = Terms(places[:, :4], values[:, :4])
    return own, common, np.where(layout.edge[strip, first] >= 0, -1, first)
