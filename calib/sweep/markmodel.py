"""The model of a reseau mark's window at some unknowns, sample by sample, compiled: residuals, derivatives, weights.

The model is described in `markfit`. Unknowns `theta` are line, sample, two tilts, two log blurs, bend, stroke value.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.cross import Sizes, cover, is_bare
from calib.sweep.scene import N_COLUMNS, SUMS

N_SHAPE = 7  # line, sample, two tilts, two log blurs and the bend; the stroke's value comes after them
TRIM = 3.0  # residuals beyond this many sigma lose weight
FLANK_BLURS = 8.0  # spot radii looked at beside the strokes: nearer, look-alikes fit; farther, the scene is known worse
LEAST_FLANK_PX = 3.0  # and at least so much
EDGE_TRUST = 0.05  # 1-sigma of the model at a stroke's edge, in parts of its contrast
MOST_BEND = 6.0


class Pixels(NamedTuple):
    """The window's samples that take part, (N,) each, in order of row and column: offsets from its middle, row and
    column in it, values and 1-sigma."""

    line: Array
    sample: Array
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    values: Array
    sigma: Array


class Model(NamedTuple):
    """The model at some unknowns: `others` (N, N_COLUMNS), derivatives by the unknowns and then the residual; the
    strokes' part, what is covered, what is not (N,); film places (u, v) from the centre; `plain` where no stroke is."""

    others: Array
    mark_part: Array
    covered: Array
    share: Array
    u_mm: Array
    v_mm: Array
    plain: NDArray[np.bool_]


@njit(cache=True, nogil=True)
def pixels_near(
    values: Array, sigma: Array, place: tuple[float, float], steps: tuple[float, float], sizes: Sizes
) -> tuple[Pixels, int]:  # pragma: no cover
    """Samples with signal in the strokes or in the flank beside them, a box around the cross's ends included; and how
    many there would be if all carried some. `steps`: film mm per sample and per line."""
    half = values.shape[0] // 2
    flank_s = max(FLANK_BLURS * sizes[2] / steps[0], LEAST_FLANK_PX)
    flank_l = max(FLANK_BLURS * sizes[3] / steps[1], LEAST_FLANK_PX)
    wide_s, wide_l = sizes[1] / steps[0] + flank_s, sizes[1] / steps[1] + flank_l
    far_s, far_l = sizes[0] / steps[0] + flank_s, sizes[0] / steps[1] + flank_l
    row, column = np.empty(values.size, np.int64), np.empty(values.size, np.int64)
    count = expected = 0
    for i in range(values.shape[0]):
        off_line = abs(i - half - place[0])
        for j in range(values.shape[1]):
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
    """Room for the model at n samples."""
    return Model(
        np.empty((n, N_COLUMNS)), np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n, np.bool_)
    )


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def evaluate(
    pixels: Pixels, theta: Array, ground: Array, flat: Array, curve: Array, sizes: Sizes, out: Model
) -> None:  # pragma: no cover
    """Fill the model at `theta` over the ground (N,); `flat`, `curve` as in `markfit.MarkWindow`."""
    blurred = (sizes[0], sizes[1], sizes[2] * np.exp(theta[4]), sizes[3] * np.exp(theta[5]))
    tilts = (theta[2], theta[3])
    bend = np.exp(min(max(theta[6], -MOST_BEND), MOST_BEND))
    here = np.empty(2)
    per_px = flat + 2.0 * curve * theta[:2]
    for axis in range(2):
        here[axis] = (flat[axis, 0] + curve[axis, 0] * theta[0]) * theta[0]
        here[axis] += (flat[axis, 1] + curve[axis, 1] * theta[1]) * theta[1]
    lines, samples, values, others = pixels.line, pixels.sample, pixels.values, out.others
    for i in range(lines.size):
        line, sample = lines[i], samples[i]
        u = (flat[0, 0] + curve[0, 0] * line) * line + (flat[0, 1] + curve[0, 1] * sample) * sample - here[0]
        v = (flat[1, 0] + curve[1, 0] * line) * line + (flat[1, 1] + curve[1, 1] * sample) * sample - here[1]
        plain = is_bare(u, v, tilts, blurred)
        g = rise = 0.0
        if plain:
            for j in range(N_COLUMNS - 1):
                others[i, j] = 0.0
        else:
            c, by_u, by_v, by_tilt_u, by_tilt_v, by_blur_x, by_blur_y = cover(u, v, tilts, blurred)
            below = 1.0 + (bend - 1.0) * c
            g, rise = bend * c / below, theta[N_SHAPE] - ground[i]
            steep = rise * bend / (below * below)
            others[i, 0] = -steep * (per_px[0, 0] * by_u + per_px[1, 0] * by_v)
            others[i, 1] = -steep * (per_px[0, 1] * by_u + per_px[1, 1] * by_v)
            others[i, 2], others[i, 3] = steep * by_tilt_u, steep * by_tilt_v
            others[i, 4], others[i, 5] = steep * by_blur_x, steep * by_blur_y
            others[i, 6], others[i, 7] = rise * g * (1.0 - g), g
        others[i, N_COLUMNS - 1] = values[i] - ground[i] - g * rise
        out.u_mm[i], out.v_mm[i], out.plain[i] = u, v, plain
        out.mark_part[i], out.covered[i], out.share[i] = g * rise, g, 1.0 - g


@njit(cache=True, nogil=True, error_model="numpy")
def weigh(pixels: Pixels, model: Model, lost: NDArray[np.bool_], out: Array) -> None:  # pragma: no cover
    """Weights from noise, from the model's own trust at the strokes' edges, and from how far a residual lies out."""
    rise = np.abs(model.mark_part).max()
    ratio2, kept = np.empty(lost.size), 0
    for i in range(lost.size):
        if not lost[i]:
            ratio2[kept] = model.others[i, N_COLUMNS - 1] ** 2 / _variance(pixels, model, rise, i)
            kept += 1
    factor = max(1.0, median_of(ratio2[:kept]) / 0.6745**2) if kept else 1.0
    kept = 0
    for i in range(lost.size):
        out[i] = 0.0
        if not lost[i]:
            trimmed = min(1.0, (TRIM * TRIM * factor) / max(ratio2[kept], 1e-12))
            out[i] = trimmed / (_variance(pixels, model, rise, i) * factor)
            kept += 1


@njit(cache=True, nogil=True)
def _variance(pixels: Pixels, model: Model, rise: float, i: int) -> float:  # pragma: no cover
    """A sample's noise and the model's own trust there."""
    trust = EDGE_TRUST * rise * 4.0 * model.covered[i] * (1.0 - model.covered[i])
    return pixels.sigma[i] ** 2 + trust * trust


@njit(cache=True, nogil=True, fastmath=SUMS)
def normal_sums(model: Model, weight: Array) -> Array:  # pragma: no cover
    """Weighted sums (N_COLUMNS, N_COLUMNS) of the products of the model's columns, over the samples under strokes: that
    of the residual with itself is not the whole one."""
    out, others = np.zeros((N_COLUMNS, N_COLUMNS)), model.others
    for i in range(weight.size):
        if not model.plain[i]:
            for a in range(N_COLUMNS):
                weighted = weight[i] * others[i, a]
                for b in range(a, N_COLUMNS):
                    out[a, b] += weighted * others[i, b]
    for a in range(N_COLUMNS):
        for b in range(a):
            out[a, b] = out[b, a]
    return out
