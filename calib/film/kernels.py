"""Interpolation kernels by name, with their weights tabulated by phase.

Effect of a kernel along one axis, for places spread evenly between the samples (tested). The response is that at half
the Nyquist frequency (a quarter of a cycle per sample), mean and minimum over the phases; the variance is the factor on
that of independent noise:

    kernel      taps   response mean / least   variance
    bilinear     2         0.811 / 0.707         0.667
    cubic        4         0.939 / 0.884         0.814
    lanczos      6         1.011 / 1.000         0.893
    six-point    6         1.000 / 1.000         0.858

The default, `six-point`, is the one kernel of six taps that reproduces cubic polynomials and also waves at half the
Nyquist frequency, whatever their phase: at every place its six weights solve the six equations

    sum w = 1,  sum w d = sum w d^2 = sum w d^3 = 0,  sum w cos(pi d / 2) = 1,  sum w sin(pi d / 2) = 0,

d the distance of a tap from the place; from the longest waves to those at half Nyquist it is off by 1.2 % at most. The
cubic is that of Keys (1981, IEEE Trans. Acoust. 29:1153, a = -1/2), lanczos the sinc under a sinc window three samples
wide on each side (Duchon 1979, J. Appl. Meteorol. 18:1016), normalised.

Where an output pixel spans s > 1 samples, its value is the mean over it: the interpolated picture is averaged over
sqrt(s^2 - 1) samples along each axis. A sample is itself a mean over its own width; so the second moment of both
together is that of the pixel, however the pixel is turned on the film, and at s = 1 the plain kernel is left. What is
neglected are the corners of a pixel that lies askew (moments of the fourth order), and that it may be sheared.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

LANES = 8  # samples that the inner sums process at once; tables are padded to whole multiples
ALIGNED = 16  # float32 values per cache line
PHASE_BITS = 9
PHASES = 1 << PHASE_BITS  # a place is rounded to the nearest of this many parts of a sample: by a thousandth at most
CELL = 2  # lines and samples that share one uncertainty
LEAST_HALF = 2  # taps on each side: with one, a place at a sample has no second tap to balance it
SCALE_STEPS = 64  # the scale of a pixel is rounded to multiples of 1 / SCALE_STEPS
DEFAULT_KERNEL = "six-point"
LEAST_VARIANCE_FACTOR = 0.1  # times independent noise's: correlations at few lags may give less, even below 0


@dataclass(frozen=True, slots=True)
class Kernel:
    """A kernel of half width `support`, as a function of the distance in samples."""

    support: int
    weight: Callable[[Array], Array]


class AxisWeights(NamedTuple):
    """Weights along one axis: row p of `rows` is for a place p / PHASES of a sample beyond a sample's centre.

    There are `taps` taps, the first `before` samples before that sample. A row of `rows` (PHASES + 1, n) holds what the
    inner loop, which is compiled code, reads together:

    - `lanes` weights of values, a whole number of LANES; those beyond the taps are 0;
    - for each place in a cell at which the first tap may lie, `cells` pairs of weights: that of variance (squared,
      times a factor for correlated noise) and that of systematic error (plain), summed over the taps in a cell. With
      eight taps the last cell takes the rest;
    - the sums of the positive and of the negative weights of values, both as absolute values.
    """

    taps: int
    before: int
    lanes: int
    cells: int
    rows: NDArray[np.float32]

    @property
    def values(self) -> NDArray[np.float32]:
        """The weights (PHASES + 1, taps), which sum to 1."""
        return self.rows[:, : self.taps]


class Taps(NamedTuple):
    """Number of lines and samples that a place reaches from its first tap on, and of samples read from each line."""

    lines: int
    samples: int
    lanes: int


class Axes(NamedTuple):
    """The weights along the lines' axis and the samples'."""

    along: AxisWeights
    across: AxisWeights

    @property
    def taps(self) -> Taps:
        """The extent of the kernel."""
        return Taps(self.along.taps, self.across.taps, self.across.lanes)


def _bilinear(d: Array) -> Array:
    return np.maximum(1.0 - np.abs(d), 0.0)


def _cubic(d: Array) -> Array:
    t = np.abs(d)
    near = (1.5 * t - 2.5) * t * t + 1.0
    far = ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0
    return np.where(t < 1.0, near, np.where(t < 2.0, far, 0.0))


def _lanczos(d: Array) -> Array:
    return np.where(np.abs(d) < 3.0, np.sinc(d) * np.sinc(d / 3.0), 0.0)


def _six_point(d: Array) -> Array:
    """Weights at distances `d`, from the six equations solved at the phase of each distance."""
    d = np.clip(np.asarray(d, np.float64), -3.0, 3.0)
    phase = np.ceil(d) - d
    tap = np.ceil(d).astype(np.intp) + 2
    away = np.arange(-2, 4) - phase[..., np.newaxis]
    rows = [away**0, away, away**2, away**3, np.cos(np.pi / 2 * away), np.sin(np.pi / 2 * away)]
    aim = np.array([1.0, 0.0, 0.0, 0.0, 1.0, 0.0])
    weights = np.linalg.solve(np.stack(rows, axis=-2), np.broadcast_to(aim[:, np.newaxis], (*d.shape, 6, 1)))[..., 0]
    at = np.take_along_axis(weights, np.clip(tap, 0, 5)[..., np.newaxis], axis=-1)[..., 0]
    return np.where((tap >= 0) & (tap <= 5), at, 0.0)


KERNELS: dict[str, Kernel] = {
    "bilinear": Kernel(1, _bilinear),
    "cubic": Kernel(2, _cubic),
    "lanczos": Kernel(3, _lanczos),
    DEFAULT_KERNEL: Kernel(3, _six_point),
}


def kernel_called(name: str) -> Kernel:
    """The kernel of that name.

    Raises:
        ValueError: unknown name; the message lists the known ones.
    """
    if name not in KERNELS:
        raise ValueError(f"kernel {name!r}: expected one of {', '.join(KERNELS)}")
    return KERNELS[name]


def axis_weights(name: str, scale: float, correlations: tuple[float, ...] = ()) -> AxisWeights:
    """Weights for the mean over a pixel that spans `scale` (1 or more) samples along one axis.

    `correlations` are those of the samples' noise at lags of one, two, ... samples.
    """
    kernel_called(name)
    return _axis_weights(name, max(1, round(scale * SCALE_STEPS) / SCALE_STEPS), correlations)


@lru_cache(maxsize=256)
def _axis_weights(name: str, scale: float, correlations: tuple[float, ...]) -> AxisWeights:
    kernel = KERNELS[name]
    width = mean_width(scale)
    half = max(ceil(kernel.support + width / 2), LEAST_HALF)
    away = np.arange(1 - half, half + 1) - np.arange(PHASES + 1)[:, np.newaxis] / PHASES
    weights = _centred(_mean_weight(kernel, away, width), away)
    pairs = _by_cells(weights)
    pairs[..., 0] *= _variance_factor(weights, correlations)[:, np.newaxis, np.newaxis]
    lanes, cells = -(-2 * half // LANES) * LANES, pairs.shape[2]
    behind = lanes + CELL * 2 * cells
    rows = np.zeros((PHASES + 1, -(-(behind + 2) // ALIGNED) * ALIGNED), np.float32)
    rows[:, : 2 * half] = weights
    rows[:, lanes:behind] = pairs.reshape(PHASES + 1, -1)
    rows[:, behind], rows[:, behind + 1] = (np.maximum(part, 0.0).sum(axis=1) for part in (weights, -weights))
    return AxisWeights(2 * half, half - 1, lanes, cells, rows)


def mean_width(scale: float) -> float:
    """Width in samples over which the interpolated picture is averaged, for a pixel that spans `scale` (1 or more)."""
    return sqrt(scale**2 - 1.0)


def _mean_weight(kernel: Kernel, away: Array, width: float) -> Array:
    """A kernel's weights at distances `away` in samples, averaged over `width` samples centred on the place."""
    if width == 0.0:
        return kernel.weight(away)
    at = np.linspace(-kernel.support, kernel.support, 2 * kernel.support * PHASES + 1)
    weight = kernel.weight(at)
    rising = np.concatenate([[0.0], np.cumsum((weight[1:] + weight[:-1]) / 2)]) / PHASES
    upper, lower = (np.interp(away + side * width / 2, at, rising) for side in (1, -1))
    return (upper - lower) / width


def _variance_factor(weights: Array, correlations: tuple[float, ...]) -> Array:
    """Factor (rows,) by which correlated noise has more variance in each weighted sum than independent noise."""
    raised = np.ones(len(weights))
    for distance, correlation in enumerate(correlations, start=1):
        together = np.sum(weights[:, distance:] * weights[:, :-distance], axis=1)
        raised += 2.0 * correlation * together / np.sum(weights**2, axis=1)
    return np.maximum(raised, LEAST_VARIANCE_FACTOR)


def _by_cells(weights: Array) -> Array:
    """Weights of variance and of systematic error, summed over the taps in each cell, (PHASES + 1, CELL, cells, 2)."""
    taps = weights.shape[1]
    together = LANES // 2
    count = together if taps <= LANES else -(-(taps // CELL + 1) // together) * together
    cells = np.zeros((len(weights), CELL, count, 2))
    for first in range(CELL):
        for tap in range(taps):
            cell = min((tap + first) // CELL, count - 1)
            cells[:, first, cell] += np.stack([weights[:, tap] ** 2, weights[:, tap]], axis=-1)
    return cells


def _centred(weights: Array, away: Array) -> Array:
    """Weights adjusted to sum to 1 and to have the place as their centroid, so that planes are reproduced."""
    weights = weights / weights.sum(axis=1, keepdims=True)
    lean = 1.0 + np.cos(np.pi * np.clip(away / (weights.shape[1] / 2), -1.0, 1.0))
    lean *= away - np.sum(lean * away, axis=1, keepdims=True) / lean.sum(axis=1, keepdims=True)
    return weights - lean * (np.sum(weights * away, axis=1) / np.sum(lean * away, axis=1))[:, np.newaxis]
