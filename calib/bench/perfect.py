"""Makes a frame's fits from the simulator's truth, as a perfect estimation would give them to the later stages.

Applied to the frame's own noisy samples they give the ideal calibration, whose errors are only the samples' noise.
"""

from dataclasses import replace

import numpy as np
from calib_demo.readout import StripTruth
from calib_demo.truth import Truth, grain_sigma, video_sigma_dn
from numpy.typing import NDArray

from calib.film.source import StripSource
from calib.film.strokes import strip_marks
from calib.frame.frame import Frame
from calib.run.fitting.fit import FrameFits
from calib.sweep.model import StripSweep
from calib.tone.dropouts import Dropouts
from calib.tone.model import StripTone

Floats = NDArray[np.float64]
DENSITY = np.linspace(0.0, 3.2, 20_001)  # finer than any rounding to DN
CALIBRATED = (0.1, 2.5)  # range of densities in which the true tone counts as calibrated
OUTER = (
    3.0**0.5
)  # outer node, in sigma, of the three-point Gauss-Hermite rule (Abramowitz and Stegun 1964, table 25.10)


def sources(frame: Frame, truth: Truth) -> tuple[StripSource, ...]:
    """Strips with the true sweep, the true tone and the true dropouts."""
    marks = strip_marks(frame)
    return tuple(
        StripSource(strip, sweep(truth, k), tone(truth, k), dropouts(truth, k), marks)
        for k, strip in enumerate(frame.strips)
    )


def perfected(fits: FrameFits, truth: Truth) -> FrameFits:
    """The fits of a run with sweep, tone and dropouts replaced by the truth; the pointing is unchanged."""
    strips = range(len(fits.frame.strips))
    return replace(
        fits,
        dropouts=tuple(dropouts(truth, k) for k in strips),
        sweep=replace(fits.sweep, sweeps=tuple(sweep(truth, k) for k in strips)),
        tone=replace(fits.tone, strips=tuple(tone(truth, k) for k in strips)),
    )


def sweep(truth: Truth, strip: int) -> StripSweep:
    """The true sweep of a strip, without uncertainty."""
    s = truth.strips[strip]
    zero = np.zeros(s.shape[0])
    return StripSweep(s.x_sample_mm, s.x_line_mm, s.y_line_mm, s.y_sample_mm, sigma_x_mm=zero, sigma_y_mm=zero)


def tone(truth: Truth, strip: int) -> StripTone:
    """The true video chain, inverted by a fine table and corrected for noise bias, with the true noise of each DN."""
    s = truth.strips[strip]
    dn = np.arange(2**truth.scenario.scan.bits, dtype=np.float64)
    noise_dn = video_sigma_dn(truth.scenario, rounded=True)
    here, above, below = (_density_of_dn(s, dn + shift * OUTER * noise_dn) for shift in (0.0, 1.0, -1.0))
    video = noise_dn * s.video.density_per_dn(here)
    low, high = sorted(float(v) for v in s.video.dn_of(np.array(CALIBRATED)))
    zero = np.zeros(dn.size, np.float32)
    return StripTone(
        density_of_dn=(here - (above + below - 2 * here) / 6).astype(np.float32),
        dn_span=(max(0, int(low)), min(dn.size - 1, int(high))),
        rising=bool(here[-1] > here[0]),
        column_density=s.column_density,
        line_density=s.line_density,
        noise_density=np.hypot(grain_sigma(truth.scenario, here), video).astype(np.float32),
        curve_sigma=zero,
        column_sigma=np.zeros(s.shape[1]),
        line_sigma=np.zeros(s.shape[0]),
    )


def dropouts(truth: Truth, strip: int) -> Dropouts:
    """The runs of samples that the simulator damaged."""
    n_lines, n_samples = truth.strips[strip].shape
    runs = np.array(truth.strips[strip].dropouts, dtype=np.int32).reshape(-1, 3)
    return Dropouts(runs=runs[np.lexsort(runs.T[::-1])], n_lines=n_lines, n_samples=n_samples)


def _density_of_dn(s: StripTruth, dn: Floats) -> Floats:
    """Density for which the video chain gives `dn`; constant beyond the table's ends."""
    shown = s.video.dn_of(DENSITY)
    order = np.argsort(shown)
    return np.interp(dn, shown[order], DENSITY[order])
