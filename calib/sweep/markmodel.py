"""Evaluates the model of a reseau mark's window at each sample, compiled: residuals, derivatives and weights.

The model is described in `markfit`. The unknowns `theta` are line, sample, two tilts, two log blurs, bend, the relative
excess lengths of the arms towards +x and -x, and the strokes' value, in the order of the indices below.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import MIDDLE_SIZE, middle_size
from calib.sweep.cross import Sizes, cover, is_bare
from calib.sweep.scene import N_OWN, N_TERMS, RESIDUAL, SCENE

LINE, SAMPLE, TILT_U, TILT_V, BLUR_X, BLUR_Y, BEND, LONGER_RIGHT, LONGER_LEFT, STROKE = range(10)
MOST_LONGER = 0.5  # greatest relative difference of an arm from the stated length
TRIM = 3.0  # sigma beyond which residuals lose weight
FLANK_BLURS = 8.0  # width, in spot radii, of the film used beside the strokes: with less, look-alikes fit; with more,
LEAST_FLANK_PX = 3.0  # the spline describes the scene less well. At least this many px
EDGE_TRUST = 0.05  # 1-sigma of the model's error at a stroke's edge, relative to the contrast
MOST_BEND = 6.0  # limit of the bend p, against overflow


class Pixels(NamedTuple):
    """The window's samples that are used, (N,) each, sorted by row and column: offsets from the window's middle, row
    and column in the window, values and 1-sigma."""

    line: Array
    sample: Array
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    values: Array
    sigma: Array


class Model(NamedTuple):
    """The model at given unknowns, for N samples: `terms` (N, N_TERMS), derivatives and residual as described in
    `scene`; `residual` (N,); `mark_part` (N,), the strokes' contribution to the value; `covered` (N,), the coverage
    after the bend; film places (u, v) mm (N,) from the mark's centre."""

    terms: Array
    residual: Array
    mark_part: Array
    covered: Array
    u_mm: Array
    v_mm: Array


@njit(cache=True, nogil=True)
def pixels_near(
    values: Array, sigma: Array, place: tuple[float, float], steps: tuple[float, float], sizes: Sizes, every: int
) -> tuple[Pixels, int]:  # pragma: no cover
    """The samples with signal in the strokes or in the flanks beside and beyond them, and the number there would be if
    all samples had signal.

    `steps`: film mm per sample and per line. Only one of every `every` samples of a line is taken, with an offset that
    changes from line to line, so that all distances from a stroke occur.
    """
    half = values.shape[0] // 2
    flank_s = max(FLANK_BLURS * sizes[2] / steps[0], LEAST_FLANK_PX)
    flank_l = max(FLANK_BLURS * sizes[3] / steps[1], LEAST_FLANK_PX)
    wide_s, wide_l = sizes[1] / steps[0] + flank_s, sizes[1] / steps[1] + flank_l
    far_s, far_l = sizes[0] / steps[0] + flank_s, sizes[0] / steps[1] + flank_l
    row, column = np.empty(values.size, np.int64), np.empty(values.size, np.int64)
    count = expected = 0
    for i in range(values.shape[0]):
        off_line = abs(i - half - place[0])
        for j in range(i % every, values.shape[1], every):
            off_sample = abs(j - half - place[1])
            if (off_line < wide_l and off_sample < far_s) or (off_sample < wide_s and off_line < far_l):
                expected += 1
                if np.isfinite(sigma[i, j]):
                    row[count], column[count] = i, j
                    count += 1
    row, column = row[:count].copy(), column[:count].copy()
    line, sample, some, noise = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    for n in range(count):
        line[n], sample[n] = row[n] - half, column[n] - half
        some[n], noise[n] = values[row[n], column[n]], sigma[row[n], column[n]]
    return Pixels(line, sample, row, column, some, noise), expected


@njit(cache=True, nogil=True)
def empty_model(n: int) -> Model:  # pragma: no cover
    """Buffers for the model at n samples."""
    return Model(np.zeros((n, N_TERMS)), np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n))


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def evaluate(
    pixels: Pixels, theta: Array, ground: Array, flat: Array, curve: Array, sizes: Sizes, across: Array, out: Model
) -> None:  # pragma: no cover
    """Fill the model at `theta`.

    `ground` (N,) is the scene at the samples, `across` (columns, 4) the values of its splines by column of the window;
    `flat` is `to_film` of `markfit.MarkWindow`, `curve` as there.
    """
    blurred = (sizes[0], sizes[1], sizes[2] * np.exp(theta[BLUR_X]), sizes[3] * np.exp(theta[BLUR_Y]))
    tilts, longer = (theta[TILT_U], theta[TILT_V]), (theta[LONGER_RIGHT], theta[LONGER_LEFT])
    bend = np.exp(min(max(theta[BEND], -MOST_BEND), MOST_BEND))
    here = np.empty(2)
    per_px = flat + 2.0 * curve * theta[:2]
    for axis in range(2):
        here[axis] = (flat[axis, 0] + curve[axis, 0] * theta[LINE]) * theta[LINE]
        here[axis] += (flat[axis, 1] + curve[axis, 1] * theta[SAMPLE]) * theta[SAMPLE]
    lines, samples, columns, values, terms = pixels.line, pixels.sample, pixels.column, pixels.values, out.terms
    for i in range(lines.size):
        line, sample = lines[i], samples[i]
        u = (flat[0, 0] + curve[0, 0] * line) * line + (flat[0, 1] + curve[0, 1] * sample) * sample - here[0]
        v = (flat[1, 0] + curve[1, 0] * line) * line + (flat[1, 1] + curve[1, 1] * sample) * sample - here[1]
        g = rise = 0.0
        if is_bare(u, v, tilts, blurred):
            for j in range(N_OWN):
                terms[i, j] = 0.0
        else:
            c, by_u, by_v, by_tilt_u, by_tilt_v, by_blur_x, by_blur_y, by_right, by_left = cover(
                u, v, tilts, blurred, longer
            )
            below = 1.0 + (bend - 1.0) * c
            g, rise = bend * c / below, theta[STROKE] - ground[i]
            steep = rise * bend / (below * below)
            terms[i, LINE] = -steep * (per_px[0, 0] * by_u + per_px[1, 0] * by_v)
            terms[i, SAMPLE] = -steep * (per_px[0, 1] * by_u + per_px[1, 1] * by_v)
            terms[i, TILT_U], terms[i, TILT_V] = steep * by_tilt_u, steep * by_tilt_v
            terms[i, BLUR_X], terms[i, BLUR_Y] = steep * by_blur_x, steep * by_blur_y
            terms[i, BEND], terms[i, STROKE] = rise * g * (1.0 - g), g
            terms[i, LONGER_RIGHT], terms[i, LONGER_LEFT] = steep * by_right, steep * by_left
        out.residual[i] = terms[i, RESIDUAL] = values[i] - ground[i] - g * rise
        for b in range(4):
            terms[i, SCENE + b] = (1.0 - g) * across[columns[i], b]
        out.u_mm[i], out.v_mm[i], out.mark_part[i], out.covered[i] = u, v, g * rise, g


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def weigh(pixels: Pixels, model: Model, lost: NDArray[np.bool_], out: Array) -> None:  # pragma: no cover
    """Fill robust weights (N,) from the noise and the model's error at the strokes' edges; 0 for `lost` samples.

    Variances are raised by a common factor if the median of the residuals exceeds them.
    """
    strongest, sizes = 0.0, np.empty(lost.size, np.float32)
    for i in range(lost.size):
        strongest = max(strongest, abs(model.mark_part[i]))
    trust = 4.0 * EDGE_TRUST * strongest
    for i in range(lost.size):
        edge = trust * model.covered[i] * (1.0 - model.covered[i])
        out[i] = 1.0 / (pixels.sigma[i] * pixels.sigma[i] + edge * edge)
        ratio2 = model.residual[i] * model.residual[i] * out[i]
        sizes[i] = np.float32(np.inf) if lost[i] else np.float32(ratio2)
    factor = max(1.0, middle_size(sizes, lost.size - np.count_nonzero(lost)) / MIDDLE_SIZE**2)
    for i in range(lost.size):
        trimmed = TRIM * TRIM * factor / max(model.residual[i] * model.residual[i] * out[i], 1e-12)
        out[i] = 0.0 if lost[i] else min(1.0, trimmed * trimmed) * out[i] / factor


@njit(cache=True, nogil=True)
def normal_sums(model: Model, weight: Array) -> Array:  # pragma: no cover
    """Weighted sums (N_TERMS, N_TERMS) of the products of the samples' terms."""
    weighted = np.empty(model.terms.shape)
    for i in range(weight.size):
        for j in range(N_TERMS):
            weighted[i, j] = weight[i] * model.terms[i, j]
    return np.dot(model.terms.T, weighted)
