"""One reseau mark's place in a strip to a small part of a pixel, with its covariance.

Model of a window: ``v = b (1 - g) + v0 g``, ``logit g = logit c + p``, with c the cross's coverage (`cross`), v0 the
strokes' value, b the scene, and p a bend: the spot blurs light, while values are densities or the video's DN, so half
covered is not half way. b is a cubic tensor spline whose second differences have a prior variance estimated in each
window (as in `adjust`): on flat ground b becomes a plane and the place reaches its Cramer-Rao bound; on rough ground
its covariance says so. Gauss-Newton, with weights that fall off for samples far from the model (rims, scratches,
dropouts unnoticed); the model itself is trusted to a small part of the strokes' contrast along their edges.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve

from calib.coordinates import Array
from calib.sweep.cross import CrossShape, coverage

KNOT_PX = 14.0
N_SHAPE = 6  # line, sample, two tilts, two blurs come before the stroke's value and the scene's coefficients
TRIM = 3.0  # residuals beyond this many sigma lose weight
CELL_PX = 6  # residuals are taken as unrelated beyond a cell of this size
MARGIN_PX = 9  # flank looked at on either side of the strokes


@dataclass(frozen=True, slots=True, eq=False)
class MarkWindow:
    """A square piece of a strip, its middle sample at (line, sample) of the strip; sigma is inf without signal.

    `to_film` (2, 2): film (x, y) mm per (line, sample) px there, `guess`: where the mark should be, px from the middle.
    """

    line: int
    sample: int
    values: Array
    sigma: Array
    to_film: Array
    guess: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class MarkFit:
    """Place (line, sample) and covariance (2, 2) px^2; blurs (x, y) mm; `parts` (8,): visible share of each half arm.

    `contrast` is the strokes' difference from the scene over its 1-sigma, `misfit` the rms of what the model leaves in
    and by the strokes beyond noise, in parts of the strokes' difference from the scene; `chi2` is reduced.
    """

    place: Array
    cov: Array
    blur_mm: Array
    chi2: float
    misfit: float
    contrast: float
    stroke_value: float
    stroke_sigma: float
    parts: Array


@dataclass(frozen=True, slots=True)
class FitPriors:
    """1-sigma of what is known beforehand: place (px), tilts (radians), relative blur; and the most iterations."""

    place_px: float
    tilt: float
    blur: float
    iterations: int


@cache
def _scene_basis(half: int) -> tuple[Array, Array, int]:
    """Tensor spline on a (2 half + 1)^2 window: values (pixels, n), penalty (n, n) and the penalty's rank."""
    intervals = max(3, round((2 * half + 1) / KNOT_PX))
    inner = np.linspace(-half, half, intervals + 1)
    knots = np.concatenate([np.full(3, inner[0]), inner, np.full(3, inner[-1])])
    one = BSpline.design_matrix(np.arange(-half, half + 1, dtype=float), knots, 3).toarray()
    # Second differences over the coefficients' own places: zero for a straight line although the end knots crowd.
    places = (knots[1:-3] + knots[2:-2] + knots[3:-1]) / 3
    slope = np.diff(np.eye(len(places)), axis=0) / np.diff(places)[:, None]
    bend = np.diff(slope, axis=0) * (2 * half / intervals)
    rough, same = bend.T @ bend, np.eye(len(places))
    penalty = np.kron(rough, same) + np.kron(same, rough)
    n = len(places)
    return np.kron(one, one), penalty, n * n - 4


def fit_mark(window: MarkWindow, shape: CrossShape, priors: FitPriors) -> MarkFit | None:
    """Fit the cross to a window; None where too little of the window carries signal."""
    half = window.values.shape[0] // 2
    basis, penalty, rank = _scene_basis(half)
    line, sample = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    start = np.array([*window.guess])
    near = _near_strokes(line - start[0], sample - start[1], window.to_film, shape)
    seen = np.isfinite(window.sigma) & near
    if seen.sum() < 0.3 * near.sum():
        return None
    pixels = _Pixels(line[seen], sample[seen], window.values[seen], window.sigma[seen], basis[seen.ravel()])
    lost = np.zeros(len(pixels.line), bool)
    state = _iterate(pixels, lost, window.to_film, start, shape, priors, (penalty, rank))
    parts = _visible_parts(pixels, state, shape)
    gone = parts < 0.4
    if gone.any() and not gone.all():
        lost = np.isin(_part_of(state.u_mm, state.v_mm, shape), np.flatnonzero(gone))
        state = _iterate(pixels, lost, window.to_film, state.theta[:2], shape, priors, (penalty, rank))
        parts = np.where(gone, parts, _visible_parts(pixels, state, shape))
    return _result(window, pixels, state, shape, parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Pixels:
    """The window's samples that take part: offsets from its middle, values, 1-sigma and the scene's basis there."""

    line: Array
    sample: Array
    values: Array
    sigma: Array
    basis: Array


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Where the iteration stands: unknowns, covariance, samples' weights and residuals, and the model's parts."""

    theta: Array
    cov: Array
    weight: Array
    residual: Array
    jacobian: Array
    mark_part: Array
    covered: Array
    u_mm: Array
    v_mm: Array
    start: Array
    noise: float


def _near_strokes(line: Array, sample: Array, to_film: Array, shape: CrossShape) -> NDArray[np.bool_]:
    """Samples in the strokes or within MARGIN_PX of them, a box around the cross's ends included."""
    step_x, step_y = abs(to_film[0, 1]), abs(to_film[1, 0])
    h, arm = shape.width_mm / 2, shape.arm_mm
    wide_s, wide_l = h / step_x + MARGIN_PX, h / step_y + MARGIN_PX
    far_s, far_l = arm / step_x + MARGIN_PX, arm / step_y + MARGIN_PX
    along_x = (np.abs(line) < wide_l) & (np.abs(sample) < far_s)
    along_y = (np.abs(sample) < wide_s) & (np.abs(line) < far_l)
    return along_x | along_y


def _iterate(
    pixels: _Pixels,
    lost: NDArray[np.bool_],
    to_film: Array,
    start: Array,
    shape: CrossShape,
    priors: FitPriors,
    scene_prior: tuple[Array, int],
) -> _State:
    """Gauss-Newton with a scene prior, a noise factor and robust weights that are found as it goes."""
    penalty, rank = scene_prior
    noise = float(np.median(pixels.sigma))
    n = N_SHAPE + 1 + penalty.shape[0]
    theta = np.zeros(n)
    theta[:2] = start
    prior = np.zeros((n, n))
    known = np.array([priors.place_px, priors.place_px, priors.tilt, priors.tilt, priors.blur, priors.blur])
    roughness = noise**2
    weight = np.where(lost, 0.0, 1.0 / pixels.sigma**2)
    factor = 1.0
    for turn in range(priors.iterations):
        state = _model(pixels, theta, to_film, shape, start, noise)
        if turn > 1:
            ratio = np.abs(state.residual) / pixels.sigma
            inner = ratio[~lost]
            factor = max(1.0, (np.median(inner) / 0.6745) ** 2)
            trimmed = np.minimum(1.0, (TRIM**2 * factor) / np.maximum(ratio**2, 1e-12))
            weight = np.where(lost, 0.0, trimmed / (pixels.sigma**2 * factor))
        np.fill_diagonal(prior[:N_SHAPE, :N_SHAPE], 1.0 / (known if turn else 1e-6 * np.ones(N_SHAPE)) ** 2)
        prior[N_SHAPE + 1 :, N_SHAPE + 1 :] = penalty / roughness
        jacobian = state.jacobian
        normal = (jacobian * weight[:, None]).T @ jacobian + prior
        normal[np.diag_indices(n)] *= 1 + 1e-10
        offset = theta.copy()
        offset[:2] -= start
        factors = cho_factor(normal)
        step = cho_solve(factors, jacobian.T @ (weight * state.residual) - prior @ offset)
        cov = cho_solve(factors, np.eye(n))
        step[:2] = np.clip(step[:2], -1.5, 1.5)
        theta = theta + step
        scene = theta[N_SHAPE + 1 :]
        freedom = rank - np.sum(cov[N_SHAPE + 1 :, N_SHAPE + 1 :] * penalty) / roughness
        roughness = max(float(scene @ penalty @ scene) / max(freedom, 0.5), 1e-6 * noise**2)
        if turn > 3 and np.abs(step[:2]).max() < 2e-3:
            break
    final = _model(pixels, theta, to_film, shape, start, noise)
    return _State(theta, cov, weight, final.residual, final.jacobian, final.mark_part, final.covered,
                  final.u_mm, final.v_mm, start, noise)  # fmt: skip


def _model(
    pixels: _Pixels, theta: Array, to_film: Array, shape: CrossShape, start: Array, noise: float
) -> _State:
    """Residuals and derivatives at `theta` = line, sample, tilts, log blurs, stroke value, scene coefficients."""
    d_line, d_sample = pixels.line - theta[0], pixels.sample - theta[1]
    u_mm = to_film[0, 0] * d_line + to_film[0, 1] * d_sample
    v_mm = to_film[1, 0] * d_line + to_film[1, 1] * d_sample
    blur_x, blur_y = shape.blur_x_mm * np.exp(theta[4]), shape.blur_y_mm * np.exp(theta[5])
    blurred = CrossShape(shape.arm_mm, shape.width_mm, blur_x, blur_y)
    c, slopes = coverage(u_mm, v_mm, (theta[2], theta[3]), blurred)
    scene = pixels.basis @ theta[N_SHAPE + 1 :]
    rise = theta[N_SHAPE] - scene
    jacobian = np.empty((len(c), len(theta)))
    jacobian[:, 0] = -rise * (to_film[0, 0] * slopes[0] + to_film[1, 0] * slopes[1])
    jacobian[:, 1] = -rise * (to_film[0, 1] * slopes[0] + to_film[1, 1] * slopes[1])
    jacobian[:, 2:4] = (rise * slopes[2:4]).T
    jacobian[:, 4] = rise * slopes[4] * blur_x
    jacobian[:, 5] = rise * slopes[5] * blur_y
    jacobian[:, N_SHAPE] = c
    jacobian[:, N_SHAPE + 1 :] = pixels.basis * (1 - c)[:, None]
    residual = pixels.values - scene - c * rise
    empty = np.empty(0)
    return _State(theta, empty, empty, residual, jacobian, c * rise, c, u_mm, v_mm, start, noise)


def _part_of(u_mm: Array, v_mm: Array, shape: CrossShape) -> NDArray[np.int64]:
    """Which half arm a sample belongs to, 0..7 (right, left, lower, upper; inner then outer), or -1."""
    flank = 1.5 * shape.width_mm
    part = np.full(u_mm.shape, -1)
    for axis, (along, across) in enumerate(((u_mm, v_mm), (v_mm, u_mm))):
        reach = np.abs(along)
        mine = (np.abs(across) < flank) & (reach > shape.width_mm) & (reach < shape.arm_mm + shape.width_mm)
        outer = reach > (shape.arm_mm + shape.width_mm) / 2
        part = np.where(mine, 4 * axis + 2 * (along < 0) + outer, part)
    return part


def _visible_parts(pixels: _Pixels, state: _State, shape: CrossShape) -> Array:
    """Share (8,) of the expected contrast found in each half arm; 0 where too little of it carries signal."""
    part = _part_of(state.u_mm, state.v_mm, shape)
    found = np.zeros(8)
    full = (shape.arm_mm - shape.width_mm) / 2 * shape.width_mm
    # The area per sample, from the spread of film places in the window.
    area = (np.ptp(state.u_mm) * np.ptp(state.v_mm)) / (np.ptp(pixels.line) + 1) / (np.ptp(pixels.sample) + 1)
    for i in range(8):
        mine = part == i
        m = state.mark_part[mine]
        if m.size and state.covered[mine].sum() * area > 0.3 * full and m @ m > 0:
            clipped = np.clip(m + state.residual[mine], -2 * np.abs(m).max(), 2 * np.abs(m).max())
            found[i] = (m @ clipped) / (m @ m)
    return found


def _result(window: MarkWindow, pixels: _Pixels, state: _State, shape: CrossShape, parts: Array) -> MarkFit:
    """Collect the figures of a finished fit; the covariance is widened where residuals hang together."""
    cov = state.cov[:2, :2] * _clumping(pixels, state)
    stroke = np.abs(state.covered) > 0.05
    used = stroke & (state.weight > 0)
    chi2 = float(np.mean((state.residual[used] / pixels.sigma[used]) ** 2)) if used.any() else np.inf
    rise = float(np.sqrt(np.mean(state.mark_part[used] ** 2))) if used.any() else 0.0
    excess = max(float(np.mean(state.residual[used] ** 2 - pixels.sigma[used] ** 2)), 0.0) if used.any() else 0.0
    m = state.mark_part
    information = float(np.sum(state.weight * m * m))
    share = float(np.sum(state.weight * m * (m + state.residual)) / information) if information > 0 else 0.0
    return MarkFit(
        place=np.array([window.line, window.sample]) + state.theta[:2],
        cov=cov,
        blur_mm=np.array([shape.blur_x_mm, shape.blur_y_mm]) * np.exp(state.theta[4:6]),
        chi2=chi2,
        misfit=np.sqrt(excess) / rise if rise > 0 else np.inf,
        contrast=share * np.sqrt(information),
        stroke_value=float(state.theta[N_SHAPE]),
        stroke_sigma=float(np.sqrt(state.cov[N_SHAPE, N_SHAPE])),
        parts=parts,
    )


def _clumping(pixels: _Pixels, state: _State) -> float:
    """Factor by which residuals that hang together within cells widen the place's variance; 1 for white noise.

    The place's error is a weighted sum of residuals; its variance from the sums over cells is set against that from
    single samples.
    """
    gain = (state.jacobian @ state.cov[:, :2]) * state.weight[:, None]
    pull = gain * state.residual[:, None]
    columns = int(np.ptp(pixels.sample)) // CELL_PX + 1
    cell = (pixels.line - pixels.line.min()) // CELL_PX * columns + (pixels.sample - pixels.sample.min()) // CELL_PX
    sums = np.stack([np.bincount(cell.astype(np.intp), pull[:, i]) for i in range(2)])
    expected = np.sum(gain**2 * np.where(state.weight > 0, 1.0 / np.maximum(state.weight, 1e-300), 0.0)[:, None], axis=0)
    ratio = float(np.mean(np.sum(sums**2, axis=1) / np.maximum(expected, 1e-300)))
    return ratio if ratio > 1.3 else 1.0
