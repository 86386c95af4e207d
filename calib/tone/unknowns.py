"""The unknowns of a frame's curves and drifts, and their prior variances.

A strip has: spline corrections of its curve and one of its dark level, its drift as cosines along the lines, and its
banding by sample. All strips share: a spline correction of the curves, the errors of the patches' stated densities,
the density of unexposed film and that of the strokes.

The banding has no prior here. Where its range does not reach from one patch to the next, all of it could be taken as
steps of a curve that is flat at every patch; a prior that prefers small banding would pull there, thousands of samples
against a few patches. It gets its prior once the curves are known (`banding`).
"""

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from calib.coordinates import Array
from calib.tone.drift import DRIFT_MODES, drift_variances, likeliest_drift
from calib.tone.model import Scales
from calib.tone.system import FREE_BANDING, NormalEquations, Solution, Values
from calib.tone.transfer import CorrectionBasis

DARK_SIGMA = 0.05  # density at the dark end that an error of the first curve's dark level may make
LEVEL_SIGMA = 0.5  # density: nothing is known of level and slope of a strip's correction
FOG_SIGMA = 0.05  # density of unexposed film, about the first knot of the characteristic curve
FIXED = 1e-5  # 1-sigma of what is zero by definition
FIRST_ROUGHNESS = 0.01  # starting variance: stiff curves
FIRST_DRIFT, FIRST_CORNER = 1e-4, 3.0  # of the drift's cosines, and the number from which on it falls
FIRST_WEDGE = 0.005**2  # of a wedge value whose sigma is not stated (common practice, no source)
EXPECTED = 4.0  # patches' worth of evidence for that (no source)
# Bounds of what a fit may find. No video chain bends its curve by more than about 0.02 in density within a few tenths;
# the wedge tells no more. A wedge whose values err by more than 0.02 is none (common practice).
LEAST_SCALES = np.array([1e-6, 1e-6, 1e-9, 0.5, 3e-4**2])
MOST_SCALES = np.array([0.01, 0.03, 100.0, DRIFT_MODES, 0.02**2])
FEWEST_TOLD = 0.1  # bends of a curve: with fewer their size is anybody's guess
LEAST_SHARE = 0.1  # of the variance of an error: where the evidence lowers it by less, the curves take the error up
UNEVEN = 1e-3  # density: what even patches that are said to be exact may differ by (common practice, no source)
BY_CHANCE = 1e-5  # of frames whose wedge is as good as stated
LONGEST = 4.0  # times a step of the scales at most
DRIFT = slice(2, 4)  # of the scales: its variance and corner, which are found together
BORROWED_ROUGHNESS = 0.05  # of the correction of a curve that was borrowed


@dataclass(frozen=True, slots=True, eq=False)
class Stated:
    """Stated uncertainties of known densities: 1-sigma of the patches (P,) and of the strokes.

    Where the wedge's own sigma is not stated, `patch_slope` (P,) turns that of a value, which the fit finds, into
    density.
    """

    patch_sigma: Array
    stroke_sigma: float
    patch_slope: Array
    is_sigma_stated: bool

    def sigma_of_patches(self, scales: Scales) -> Array:
        """1-sigma of the patches' densities, with what a fit found where nothing is stated."""
        if self.is_sigma_stated:
            return self.patch_sigma
        return np.hypot(self.patch_sigma, np.sqrt(scales.wedge) * self.patch_slope)


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """The index of each unknown in a strip's vector and in the common one.

    `edge` (strips, n_samples): a sample's place among the banding that is kept in the strip's vector, or -1;
    `borrowed` (strips,): whether a strip's first curve came from others, so that it may be bent further off.
    """

    n_curve: int
    n_samples: int
    n_patches: int
    edge: NDArray[np.int64]
    borrowed: NDArray[np.bool_]

    def n_own(self, strip: int) -> int:
        """Unknowns of a strip, but for its eliminated banding."""
        return self.drift.stop + int(self.edge[strip].max(initial=-1)) + 1

    @property
    def n_common(self) -> int:
        """Common unknowns."""
        return self.n_curve + self.n_patches + 2

    @property
    def curve(self) -> slice:
        """Spline coefficients, at the same place in both vectors."""
        return slice(0, self.n_curve)

    @property
    def dark(self) -> int:
        """The dark level's place in a strip's vector."""
        return self.n_curve

    @property
    def drift(self) -> slice:
        """Cosine amplitudes of a strip's drift."""
        return slice(self.n_curve + 1, self.n_curve + 1 + DRIFT_MODES)

    @property
    def patches(self) -> slice:
        """Errors of the stated densities."""
        return slice(self.n_curve, self.n_curve + self.n_patches)

    @property
    def fog(self) -> int:
        """Density of unexposed film less the guess."""
        return self.patches.stop

    @property
    def stroke(self) -> int:
        """Density of the strokes less the stated one."""
        return self.patches.stop + 1


def laid_out(values: Values, layout: Layout) -> Values:
    """Values of a fit without overlaps as those of one with some: the banding that overlaps tie is no more apart."""
    tied = [banding[edge >= 0] for banding, edge in zip(values.banding, layout.edge, strict=True)]
    strips = [np.concatenate([own, some]) for own, some in zip(values.strips, tied, strict=True)]
    return Values(strips, values.common, values.banding)


def kept_banding(layout: Layout, strip: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The samples whose banding is kept in a strip's vector, and its places there."""
    sample = np.flatnonzero(layout.edge[strip] >= 0)
    return sample, layout.drift.stop + layout.edge[strip][sample]


def banding_of(values: Values, layout: Layout, strip: int) -> Array:
    """The banding of all samples of a strip, kept or eliminated, (n_samples,)."""
    banding, (sample, place) = values.banding[strip].copy(), kept_banding(layout, strip)
    banding[sample] = values.strips[strip][place]
    return banding


def first_scales() -> Scales:
    """Starting values."""
    return Scales(FIRST_ROUGHNESS, FIRST_ROUGHNESS, FIRST_DRIFT, FIRST_CORNER, FIRST_WEDGE)


def add_priors(
    equations: NormalEquations,
    layout: Layout,
    basis: CorrectionBasis,
    scales: Scales,
    stated: Stated,
    about: Values | None = None,
) -> None:
    """Add what is known beforehand, where an earlier solution lies `about` the one that is sought.

    Level and slope of the curves are told by the patches alone: all densities, drifts and bends may be drawn out in
    proportion. Priors of a strip's own unknowns would pull there, some thirty unknowns of every strip against what is
    stated of a few patches. So they act on what is left of the unknowns over the slope of the strip's curve.
    """
    rough, slope = basis.roughness(), np.zeros(layout.drift.stop)
    drift = 1 / drift_variances(scales.drift, scales.drift_corner)
    slope[layout.curve] = basis.mean_slope()
    for strip, (block, borrowed) in enumerate(zip(equations.diagonal, layout.borrowed, strict=True)):
        own = np.zeros((layout.drift.stop, layout.drift.stop))
        own[layout.curve, layout.curve] = rough / (BORROWED_ROUGHNESS if borrowed else scales.own_roughness)
        own[layout.dark, layout.dark] = 1 / DARK_SIGMA**2
        own[layout.drift, layout.drift] = np.diag(drift)
        if about is not None:
            at = about.strips[strip][: slope.size]
            relative = np.eye(slope.size) - np.outer(at, slope) / (1 + slope @ at)
            own = relative.T @ own @ relative
        block[: slope.size, : slope.size] += own
        block[layout.curve, layout.curve] += np.eye(layout.n_curve) / LEVEL_SIGMA**2
        edge = np.arange(layout.drift.stop, len(block))
        block[edge, edge] += 1 / FREE_BANDING
    corner = equations.corner
    straight = np.linalg.qr(np.stack([np.ones(layout.n_curve), np.arange(layout.n_curve)], axis=1))[0]
    corner[layout.curve, layout.curve] += rough / scales.common_roughness + straight @ straight.T / FIXED**2
    corner[layout.patches, layout.patches] += np.diag(1 / stated.sigma_of_patches(scales) ** 2)
    corner[layout.fog, layout.fog] += 1 / FOG_SIGMA**2
    corner[layout.stroke, layout.stroke] += 1 / stated.stroke_sigma**2


def updated_scales(
    solution: Solution, scales: Scales, layout: Layout, basis: CorrectionBasis, stated: Stated
) -> Scales:
    """The next step towards the variances of the greatest restricted likelihood (REML), from those of a solution.

    That of the drift is looked for (`likeliest_drift`). Of splines and the wedge's errors, which the curves all but
    take up, the data tell few: their square is shared among those alone (MacKay 1992, Neural Comput. 4:415).
    """
    rough = basis.roughness()
    own, told = 0.0, 0.0
    alone = np.flatnonzero(~layout.borrowed)
    for values, covariance in ((solution.strips[k], solution.strip_covariance[k]) for k in alone):
        own += float(values[layout.curve] @ rough @ values[layout.curve])
        told += _n_told(covariance[layout.curve, layout.curve], rough / scales.own_roughness)
    common = solution.common[layout.curve]
    shared = float(common @ rough @ common)
    told_shared = _n_told(solution.common_covariance[layout.curve, layout.curve], rough / scales.common_roughness)
    roughness = own / told if told > 0 else 0.0, shared / told_shared
    asked = *roughness, *_drift(solution, scales, layout, alone), _wedge_variance(solution, scales, layout, stated)
    return Scales(*np.clip(asked, LEAST_SCALES, MOST_SCALES).tolist())


def _drift(solution: Solution, scales: Scales, layout: Layout, strips: NDArray[np.int64]) -> tuple[float, float]:
    """Variance and corner of the drift's cosines by the solution of some strips."""
    before = scales.drift, scales.drift_corner
    if strips.size == 0:
        return before
    values = np.stack([solution.strips[k][layout.drift] for k in strips])
    covariance = np.stack([solution.strip_covariance[k][layout.drift, layout.drift] for k in strips])
    return likeliest_drift(values, covariance, before, LEAST_SCALES[DRIFT], MOST_SCALES[DRIFT])


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A step of the search for scales: logarithms of those that a solution was found with, and how it moves them."""

    at: Array
    move: Array


def stepped(scales: Scales, found: Scales, before: Step | None) -> tuple[Scales, Step]:
    """The scales to go on with after a solution with `scales` asked for those `found`, and the step `before` the next.

    A scale whose steps shrink as it moves is taken to where they would end, `LONGEST` steps at most (Wegstein 1958,
    Commun. ACM 1(6):9); one whose steps grow or turn is not. The drift's two go equally far: one alone makes a drift
    that neither asked for.
    """
    at = np.log(astuple(scales))
    step = Step(at, np.log(astuple(found)) - at)
    slope = np.ones(at.size)
    if before is not None:
        shrinks = (step.move * before.move > 0) & (np.abs(step.move) < np.abs(before.move))
        np.divide(before.move - step.move, step.at - before.at, out=slope, where=shrinks)
    longer = 1.0 / np.clip(slope, 1.0 / LONGEST, 1.0)
    longer[DRIFT] = longer[DRIFT].min()
    last = np.clip(np.exp(at + longer * step.move), LEAST_SCALES, MOST_SCALES)
    return Scales(*last.tolist()), step


def _n_told(covariance: Array, prior: Array) -> float:
    """Effective number of spline bends determined by the data: all of them, minus the share determined by the prior."""
    return max(len(covariance) - 2 - float((prior * covariance).sum()), FEWEST_TOLD)


def _wedge_variance(solution: Solution, scales: Scales, layout: Layout, stated: Stated) -> float:
    """Mean square error of the stated wedge values, as the fit sees it, of those alone that the data tell; what is
    common practice counts as some patches do, because few tell an error of theirs from a bend of all curves."""
    use = stated.patch_slope > 0
    if not use.any():
        return FIRST_WEDGE
    variance = np.diag(solution.common_covariance)[layout.patches][use]
    prior = stated.sigma_of_patches(scales)[use] ** 2
    told = float(np.sum(1.0 - variance / prior))
    squares = float(np.sum((solution.common[layout.patches][use] / stated.patch_slope[use]) ** 2))
    return (squares + EXPECTED * FIRST_WEDGE) / (told + EXPECTED)


def errors_told(solution: Solution, scales: Scales, layout: Layout, stated: Stated) -> Array:
    """Errors of the patches' densities in those of their combinations that the evidence tells, over their 1-sigma.

    What a fit finds of an error varies from frame to frame by as much as it lowers the error's variance: so all that
    is returned has variance 1 (less, where `UNEVEN` counts) if what is stated is true, noise and what the other
    unknowns take up allowed for.
    """
    found, covariance = solution.common[layout.patches], solution.common_covariance[layout.patches, layout.patches]
    sigma = stated.sigma_of_patches(scales)
    share, direction = np.linalg.eigh(np.eye(found.size) - covariance / (sigma[:, None] * sigma))
    told = share > LEAST_SHARE
    return np.asarray((direction[:, told].T @ (found / np.hypot(sigma, UNEVEN))) / np.sqrt(share[told]))


def is_contradicted(errors: Array) -> bool:
    """Whether errors in units of their 1-sigma exceed what chance allows (chi-square test)."""
    return errors.size > 0 and float(chdtrc(errors.size, float(errors @ errors))) < BY_CHANCE
