"""The unknowns of a frame's tone and the prior knowledge of their sizes, with scales estimated from the data.

A strip has: spline corrections of its curve and one of its dark level, its drift as cosines along the lines, its own
banding by sample. All strips share: a spline correction of the curves, the common banding, the errors of the patches'
stated densities, the density of unexposed film and that of the strokes.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import dct

from calib.coordinates import Array
from calib.tone.model import Scales
from calib.tone.system import NormalEquations, Solution
from calib.tone.transfer import CorrectionBasis

DRIFT_MODES = 10
DARK_SIGMA = 0.05  # density at the dark end that an error of the first curve's dark level may make
LEVEL_SIGMA = 0.5  # density: nothing is known of level and slope of a strip's correction
FOG_SIGMA = 0.05  # density of unexposed film, about the first knot of the characteristic curve
FIXED = 1e-5  # 1-sigma of what is zero by definition
FIRST_ROUGHNESS, FIRST_DRIFT, FIRST_BANDING = 0.01, 1e-4, 1e-3  # starting variances: stiff curves, free banding
SMALLEST = 1e-10
FREE_BANDING = 10.0  # variance of a cosine component: no prior at all
# No video chain bends its curve by more than about 0.02 in density within a few tenths: between patches the data alone
# cannot tell a staircase of a curve without banding from a smooth curve with it, so the roughness has these bounds.
MOST_COMMON_ROUGHNESS, MOST_OWN_ROUGHNESS, LEAST_ROUGHNESS = 0.03, 0.01, 1e-6


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each unknown stands in a strip's vector and in the common one."""

    n_curve: int
    n_samples: int
    n_patches: int

    @property
    def n_own(self) -> int:
        """Unknowns of a strip."""
        return self.n_curve + 1 + DRIFT_MODES + self.n_samples

    @property
    def n_common(self) -> int:
        """Common unknowns."""
        return self.n_curve + self.n_samples + self.n_patches + 2

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
    def own_banding(self) -> slice:
        """A strip's own banding."""
        return slice(self.n_curve + 1 + DRIFT_MODES, self.n_own)

    @property
    def banding(self) -> slice:
        """The common banding."""
        return slice(self.n_curve, self.n_curve + self.n_samples)

    @property
    def patches(self) -> slice:
        """Errors of the stated densities."""
        first = self.n_curve + self.n_samples
        return slice(first, first + self.n_patches)

    @property
    def fog(self) -> int:
        """Density of unexposed film less the guess."""
        return self.patches.stop

    @property
    def stroke(self) -> int:
        """Density of the strokes less the stated one."""
        return self.patches.stop + 1


def first_scales(n_samples: int) -> Scales:
    """Starting values, wide."""
    band = np.full(n_samples, FIRST_BANDING)
    return Scales(FIRST_ROUGHNESS, FIRST_ROUGHNESS, FIRST_DRIFT, band, 10 * band)


def free_banding(scales: Scales) -> Scales:
    """The same scales with banding of any size allowed.

    Where its range does not reach from one patch to the next, all banding could be taken as steps of a curve that is
    flat at every patch. A prior that prefers small banding would pull there, thousands of columns against a few
    patches; so curves are fitted with free banding, and banding with its prior only once the curves are known.
    """
    wide = np.full_like(scales.banding, FREE_BANDING)
    return replace(scales, own_banding=wide, banding=wide)


def hold_curves(equations: NormalEquations, layout: Layout, fit: Solution) -> None:
    """Add that the curves are those of a fit."""
    hold = 1 / FIXED**2
    part = np.arange(layout.n_curve + 1)
    for block, right, values in zip(equations.diagonal, equations.right, fit.strips, strict=True):
        block[part, part] += hold
        right[part] += hold * values[part]
    part = np.arange(layout.n_curve)
    equations.corner[part, part] += hold
    equations.right_common[part] += hold * fit.common[part]


def cosines(n: int, at: Array, modes: int) -> Array:
    """Cosine modes 1..`modes` over `n` lines at fractional lines `at`: (len(at), modes); each sums to zero."""
    order = np.arange(1, modes + 1)
    return np.asarray(np.cos(np.pi * order * (np.asarray(at, dtype=np.float64)[..., None] + 0.5) / n))


def add_priors(
    equations: NormalEquations, layout: Layout, basis: CorrectionBasis, scales: Scales, sigmas: tuple[Array, float]
) -> None:
    """Add what is known beforehand; `sigmas` are those of the patches' stated densities (P,) and of the strokes."""
    rough = basis.roughness()
    order = np.arange(1, DRIFT_MODES + 1)
    own = np.zeros((layout.n_own, layout.n_own))
    own[layout.curve, layout.curve] = rough / scales.own_roughness + np.eye(layout.n_curve) / LEVEL_SIGMA**2
    own[layout.dark, layout.dark] = 1 / DARK_SIGMA**2
    own[layout.drift, layout.drift] = np.diag(order**2 / scales.drift)
    own[layout.own_banding, layout.own_banding] = _precision(scales.own_banding)
    for block in equations.diagonal:
        block += own
    corner = equations.corner
    straight = np.linalg.qr(np.stack([np.ones(layout.n_curve), np.arange(layout.n_curve)], axis=1))[0]
    corner[layout.curve, layout.curve] += rough / scales.common_roughness + straight @ straight.T / FIXED**2
    corner[layout.banding, layout.banding] += _precision(scales.banding)
    corner[layout.patches, layout.patches] += np.diag(1 / sigmas[0] ** 2)
    corner[layout.fog, layout.fog] += 1 / FOG_SIGMA**2
    corner[layout.stroke, layout.stroke] += 1 / sigmas[1] ** 2


def _precision(variance: Array) -> Array:
    """Inverse covariance of a profile of mean zero whose cosine components (orthonormal DCT-II) are independent."""
    inverse = 1 / np.maximum(variance, SMALLEST)
    inverse[0] = 1 / FIXED**2
    basis = dct(np.eye(variance.size), axis=0, norm="ortho")
    return np.asarray(basis.T @ (basis * inverse[:, None]))


def updated_curve_scales(solution: Solution, layout: Layout, basis: CorrectionBasis, scales: Scales) -> Scales:
    """Expectation-maximisation step: each variance is the mean square of its unknowns, their uncertainty included.

    Dempster, Laird and Rubin 1977, J. R. Stat. Soc. B 39:1; for a linear model its fixed point is the REML estimate.
    """
    rough = basis.roughness()
    freedom = layout.n_curve - 2
    own = 0.0
    for values, covariance in zip(solution.strips, solution.strip_covariance, strict=True):
        own += _mean_square(values[layout.curve], covariance[layout.curve, layout.curve], rough)
    common = solution.common_covariance[layout.curve, layout.curve]
    shared = _mean_square(solution.common[layout.curve], common, rough) / freedom
    own = own / len(solution.strips) / freedom
    return replace(
        scales,
        own_roughness=float(np.clip(own, LEAST_ROUGHNESS, MOST_OWN_ROUGHNESS)),
        common_roughness=float(np.clip(shared, LEAST_ROUGHNESS, MOST_COMMON_ROUGHNESS)),
        drift=_drift_scale(solution, layout),
    )


def updated_banding_scales(solution: Solution, layout: Layout, scales: Scales) -> Scales:
    """The same step for banding and drift."""
    banding = np.zeros(layout.n_samples)
    for values, covariance in zip(solution.strips, solution.strip_covariance, strict=True):
        banding += _spectrum(values[layout.own_banding], covariance[layout.own_banding, layout.own_banding])
    common = solution.common_covariance[layout.banding, layout.banding]
    return replace(
        scales,
        drift=_drift_scale(solution, layout),
        own_banding=_by_octaves(banding / len(solution.strips)),
        banding=_by_octaves(_spectrum(solution.common[layout.banding], common)),
    )


def _drift_scale(solution: Solution, layout: Layout) -> float:
    order = np.arange(1, DRIFT_MODES + 1)
    drift = 0.0
    for values, covariance in zip(solution.strips, solution.strip_covariance, strict=True):
        drift += float((order**2 * (values[layout.drift] ** 2 + np.diag(covariance)[layout.drift])).mean())
    return max(drift / len(solution.strips), 1e-9)


def _mean_square(values: Array, covariance: Array, form: Array) -> float:
    return float(values @ form @ values + (form * covariance).sum())


def _spectrum(profile: Array, covariance: Array) -> Array:
    """Expected square of each cosine component of a profile that is known with a covariance."""
    spread = np.diag(dct(dct(covariance, axis=0, norm="ortho"), axis=1, norm="ortho"))
    return np.asarray(dct(profile, norm="ortho") ** 2 + spread)


def _by_octaves(spectrum: Array) -> Array:
    """The spectrum averaged over octaves of wavelength: all that one profile, or a few, can tell of its variance."""
    smooth = np.empty_like(spectrum)
    first = 0
    while first < spectrum.size:
        stop = min(max(2 * first, first + 2), spectrum.size)
        smooth[first:stop] = spectrum[max(first, 1) : stop].mean()
        first = stop
    return np.maximum(smooth, SMALLEST)
