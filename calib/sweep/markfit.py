"""One reseau mark's place in a strip to a small part of a pixel, with its covariance.

Model of a window: ``v = b (1 - g) + v0 g``, ``logit g = logit c + p``, with c the cross's coverage (`cross`), v0 the
strokes' value, b the scene, and p a bend: the spot blurs light, while values are densities or the video's DN, so half
covered is not half way. b is a cubic tensor spline whose second differences have a prior variance estimated in each
window (as in `adjust`): on flat ground b becomes a plane and the place reaches its Cramer-Rao bound; on rough ground
its covariance says so. Gauss-Newton, with weights that fall off for samples far from the model (rims, scratches,
dropouts unnoticed); the model itself is trusted to a small part of the strokes' contrast along their edges.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.cross import CrossShape, coverage
from calib.sweep.scene import SceneSpline, scene_at, scene_rows_times, scene_spline, scene_sums
from calib.sweep.smallsolve import factor, solve

N_SHAPE = 7  # line, sample, two tilts, two log blurs and the bend; the stroke's value comes after them
TRIM = 3.0  # residuals beyond this many sigma lose weight
CELLS_PX = (6, 12)  # residuals may hang together within cells of either size
MARGIN_PX = 9  # flank looked at on either side of the strokes
EDGE_TRUST = 0.05  # 1-sigma of the model at a stroke's edge, in parts of its contrast
MOST_LOG_BLUR = 2.0  # a spot seven times as wide as thought, or as narrow: no readout has it, and nothing overflows
BEND_SIGMA = 1.5
BY_CHANCE = 1.4  # ratio of variances that white noise may give
GONE = 0.4  # a half arm with a smaller share of the contrast is damaged


@dataclass(frozen=True, slots=True, eq=False)
class MarkWindow:
    """A square piece of a strip, its middle sample at (line, sample) of the strip; sigma is inf without signal.

    `to_film` (2, 2): film (x, y) mm per (line, sample) px at the middle, `curve` (2, 2): the same per px^2 (the sweep's
    own curvature over the window); `guess`: where the mark should be, px from the middle.
    """

    line: int
    sample: int
    values: Array
    sigma: Array
    to_film: Array
    curve: Array
    guess: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class MarkFit:
    """Place (line, sample) and covariance (2, 2) px^2; blurs (x, y) mm; `parts` (8,): visible share of each half arm.

    `rise` is the stroke's value less the scene's, `bend` (p in the model above) with `bend_sigma` says how values of
    half covered samples lie between them. `contrast` is the strokes' rise over its 1-sigma, `misfit` the rms of what
    the model leaves in and by the strokes beyond noise, in parts of their rise; `chi2` is reduced.
    """

    place: Array
    cov: Array
    blur_mm: Array
    chi2: float
    misfit: float
    contrast: float
    rise: float
    bend: float
    bend_sigma: float
    stroke_value: float
    stroke_sigma: float
    parts: Array


@dataclass(frozen=True, slots=True)
class FitPriors:
    """1-sigma of what is known beforehand: place (px), tilts (radians), relative blur; the most iterations, and the
    step (px) at which they may end."""

    place_px: float
    tilt: float
    blur: float
    iterations: int
    settled_px: float = 2e-3


@dataclass(frozen=True, slots=True, eq=False)
class _Pixels:
    """The window's samples that take part: offsets from its middle, row and column in it, values and 1-sigma."""

    line: Array
    sample: Array
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    values: Array
    sigma: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """The model at some unknowns: residuals, derivatives by shape and stroke value, the strokes' part, what is covered,
    and film places (u, v) from the centre."""

    residual: Array
    jacobian: Array
    mark_part: Array
    covered: Array
    u_mm: Array
    v_mm: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """A finished iteration: shape unknowns, covariance, weights, model, and the place's gain per sample (N, 2)."""

    theta: Array
    cov: Array
    weight: Array
    model: _Model
    gain: Array


def fit_mark(window: MarkWindow, shape: CrossShape, priors: FitPriors) -> MarkFit | None:
    """Fit the cross to a window; None where too little of the window carries signal."""
    half = window.values.shape[0] // 2
    spline = scene_spline(half)
    line, sample = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    start = np.array([*window.guess])
    near = _near_strokes(line - start[0], sample - start[1], window.to_film, shape)
    seen = np.isfinite(window.sigma) & near
    if seen.sum() < 0.3 * near.sum():
        return None
    row, column = np.nonzero(seen)
    pixels = _Pixels(line[seen], sample[seen], row, column, window.values[seen], window.sigma[seen])
    try:
        return _fit_seen(pixels, window, start, shape, priors, spline)
    except (
        np.linalg.LinAlgError,
        ValueError,
    ):  # nothing in the window says where a cross could be, or how its strokes look
        return None


def _fit_seen(
    pixels: _Pixels, window: MarkWindow, start: Array, shape: CrossShape, priors: FitPriors, spline: SceneSpline
) -> MarkFit:
    """Fit the cross to the samples seen; strokes found missing are left out and the rest fitted again."""
    lost = np.zeros(len(pixels.line), bool)
    fitted = _iterate(pixels, lost, window, start, shape, priors, spline)
    parts = _visible_parts(pixels, fitted.model, shape)
    gone = parts < GONE
    if gone.any() and not gone.all():
        lost = np.isin(_part_of(fitted.model.u_mm, fitted.model.v_mm, shape), np.flatnonzero(gone))
        fitted = _iterate(pixels, lost, window, fitted.theta[:2], shape, priors, spline)
        parts = np.where(gone, parts, _visible_parts(pixels, fitted.model, shape))
    return _result(window, pixels, fitted, shape, parts)


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
    window: MarkWindow,
    start: Array,
    shape: CrossShape,
    priors: FitPriors,
    spline: SceneSpline,
) -> _Fitted:
    """Gauss-Newton; the scene's block of the normal matrix, slow to change, is renewed every third turn."""
    known = np.array([priors.place_px] * 2 + [priors.tilt] * 2 + [priors.blur] * 2 + [BEND_SIGMA])
    origin = np.concatenate([start, np.zeros(N_SHAPE - 1)])
    theta, scene = origin.copy(), np.zeros(spline.side**2)
    noise2 = float(np.median(pixels.sigma)) ** 2
    weight, rough = np.where(lost, 0.0, 1.0 / pixels.sigma**2), noise2
    grid = (pixels.row, pixels.column, spline.first, spline.values)
    turn, moved = 0, np.inf
    while True:
        model = _evaluate(pixels, theta, scene_at(*grid, scene, spline.side), window, shape)
        last = turn >= priors.iterations or (turn > 3 and moved < priors.settled_px)
        if turn > 1:
            weight = _weights(pixels, model, lost)
        jacobian, share = model.jacobian, 1 - model.covered
        renew = turn % 3 == 0 or last
        with_residual = np.column_stack([jacobian, model.residual])
        square, cross = scene_sums(*grid, spline.side, share, weight, with_residual, renew)
        if renew:
            lower = factor(square + spline.penalty / rough)
        weighted = jacobian * weight[:, None]
        prior = np.append(1.0 / (known if turn else np.full(N_SHAPE, 1e-6)) ** 2, 0.0)
        spread = solve(lower, np.ascontiguousarray(cross[:, :-1]))
        cov = _inverse(weighted.T @ jacobian + np.diag(prior) - cross[:, :-1].T @ spread)
        if last:
            behind = scene_rows_times(*grid, spline.side, share, spread)
            return _Fitted(theta, cov, weight, model, (weighted - behind * weight[:, None]) @ cov[:, :2])
        pull = cross[:, -1] - spline.penalty @ scene / rough
        step = cov @ (weighted.T @ model.residual - prior * (theta - origin) - spread.T @ pull)
        scene = scene + solve(lower, (pull - cross[:, :-1] @ step)[:, None])[:, 0]
        step[:2] = np.clip(step[:2], -1.5, 1.5)
        theta, moved = theta + step, float(np.abs(step[:2]).max())
        theta[4:6] = np.clip(theta[4:6], -MOST_LOG_BLUR, MOST_LOG_BLUR)
        if turn % 3 == 0:
            freedom = spline.rank - np.sum(solve(lower, spline.penalty).diagonal()) / rough
            rough = max(float(scene @ spline.penalty @ scene) / max(freedom, 0.5), 1e-6 * noise2)
        turn += 1


def _inverse(matrix: Array) -> Array:
    """Inverse of a small symmetric matrix; LinAlgError where it has none."""
    if not np.all(np.isfinite(matrix)):
        raise np.linalg.LinAlgError("a normal matrix that is not finite")
    return np.asarray(np.linalg.inv(matrix), np.float64)


def _evaluate(pixels: _Pixels, theta: Array, ground: Array, window: MarkWindow, shape: CrossShape) -> _Model:
    """Residuals and derivatives at `theta` = line, sample, tilts, log blurs, bend, stroke value."""
    flat, curve = window.to_film, window.curve
    offsets = []
    for axis in (0, 1):
        here = theta[:2] @ flat[axis] + theta[:2] ** 2 @ curve[axis]
        along = (flat[axis, 0] + curve[axis, 0] * pixels.line) * pixels.line
        offsets.append(along + (flat[axis, 1] + curve[axis, 1] * pixels.sample) * pixels.sample - here)
    u_mm, v_mm = offsets
    per_px = flat + 2 * curve * theta[:2]
    blur_x, blur_y = shape.blur_x_mm * np.exp(theta[4]), shape.blur_y_mm * np.exp(theta[5])
    c, slopes = coverage(u_mm, v_mm, (theta[2], theta[3]), replace(shape, blur_x_mm=blur_x, blur_y_mm=blur_y))
    bend = np.exp(np.clip(theta[6], -6, 6))
    below = 1 + (bend - 1) * c
    g = bend * c / below
    rise = theta[N_SHAPE] - ground
    steep = rise * bend / below**2
    jacobian = np.empty((len(c), N_SHAPE + 1))
    jacobian[:, 0] = -steep * (per_px[0, 0] * slopes[:, 0] + per_px[1, 0] * slopes[:, 1])
    jacobian[:, 1] = -steep * (per_px[0, 1] * slopes[:, 0] + per_px[1, 1] * slopes[:, 1])
    jacobian[:, 2:6] = steep[:, None] * slopes[:, 2:6]
    jacobian[:, 6] = rise * g * (1 - g)
    jacobian[:, 7] = g
    return _Model(pixels.values - ground - g * rise, jacobian, g * rise, g, u_mm, v_mm)


def _weights(pixels: _Pixels, model: _Model, lost: NDArray[np.bool_]) -> Array:
    """Weights from noise, from the model's own trust at the strokes' edges, and from how far a residual lies out."""
    rise = float(np.abs(model.mark_part).max())
    variance = pixels.sigma**2 + (EDGE_TRUST * rise * 4 * model.covered * (1 - model.covered)) ** 2
    ratio2 = model.residual**2 / variance
    factor = max(1.0, float(np.median(ratio2[~lost])) / 0.6745**2)
    trimmed = np.minimum(1.0, (TRIM**2 * factor) / np.maximum(ratio2, 1e-12))
    return np.where(lost, 0.0, trimmed / (variance * factor))


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


def _visible_parts(pixels: _Pixels, model: _Model, shape: CrossShape) -> Array:
    """Share (8,) of the expected contrast found in each half arm; 0 where too little of it carries signal."""
    part = _part_of(model.u_mm, model.v_mm, shape)
    found = np.zeros(8)
    full = (shape.arm_mm - shape.width_mm) / 2 * shape.width_mm
    # The film area of a sample, from the spread of film places in the window.
    area = (np.ptp(model.u_mm) * np.ptp(model.v_mm)) / (np.ptp(pixels.line) + 1) / (np.ptp(pixels.sample) + 1)
    for i in range(8):
        mine = part == i
        m = model.mark_part[mine]
        if m.size and model.covered[mine].sum() * area > 0.3 * full and m @ m > 0:
            most = 2 * np.abs(m).max()
            found[i] = (m @ np.clip(m + model.residual[mine], -most, most)) / (m @ m)
    return found


def _result(window: MarkWindow, pixels: _Pixels, fitted: _Fitted, shape: CrossShape, parts: Array) -> MarkFit:
    """Collect the figures of a finished fit; the covariance is widened where residuals hang together."""
    model, weight = fitted.model, fitted.weight
    used = (model.covered > 0.05) & (weight > 0)
    residual2, sigma2, m = model.residual[used] ** 2, pixels.sigma[used] ** 2, model.mark_part
    strength = float(np.sum(weight * m * m))
    share = float(np.sum(weight * m * (m + model.residual)) / strength) if strength > 0 else 0.0
    rise = float(np.sqrt(np.mean(m[used] ** 2))) if used.any() else 0.0
    excess = max(float(np.mean(residual2 - sigma2)), 0.0) if used.any() else 0.0
    return MarkFit(
        place=np.array([window.line, window.sample]) + fitted.theta[:2],
        cov=fitted.cov[:2, :2] * _clumping(pixels, fitted),
        blur_mm=np.array([shape.blur_x_mm, shape.blur_y_mm]) * np.exp(fitted.theta[4:6]),
        chi2=float(np.mean(residual2 / sigma2)) if used.any() else np.inf,
        misfit=float(np.sqrt(excess) / rise) if rise > 0 else np.inf,
        contrast=share * np.sqrt(strength),
        rise=float(np.sum(weight * model.covered * m) / max(np.sum(weight * model.covered**2), 1e-300)),
        bend=float(fitted.theta[6]),
        bend_sigma=float(np.sqrt(fitted.cov[6, 6])),
        stroke_value=float(fitted.theta[N_SHAPE]),
        stroke_sigma=float(np.sqrt(fitted.cov[N_SHAPE, N_SHAPE])),
        parts=parts,
    )


def _clumping(pixels: _Pixels, fitted: _Fitted) -> float:
    """Factor by which residuals that hang together within cells widen the place's variance; 1 for white noise.

    The place's error is a weighted sum of residuals; its variance from the sums over cells is set against that from
    single samples, for two sizes of cells. Ratios that white noise gives by chance do not count.
    """
    pull = fitted.gain * fitted.model.residual[:, None]
    known = np.where(fitted.weight > 0, 1.0 / np.maximum(fitted.weight, 1e-300), 0.0)
    expected = np.maximum(np.sum(fitted.gain**2 * known[:, None], axis=0), 1e-300)
    ratios = []
    for size in CELLS_PX:
        row, column = ((part - part.min()).astype(np.intp) // size for part in (pixels.line, pixels.sample))
        cell = row * (column.max() + 1) + column
        sums = np.stack([np.bincount(cell, pull[:, i]) for i in range(2)])
        ratios.append(float(np.mean(np.sum(sums**2, axis=1) / expected)))
    return max(1.0, *(ratio for ratio in ratios if ratio > BY_CHANCE), 1.0)
