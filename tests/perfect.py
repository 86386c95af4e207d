"""A frame's fits made from the simulator's truth: what a perfect estimation would hand to the later stages."""

import numpy as np
from calib_demo.truth import Truth

from calib.film.source import StripSource
from calib.film.strokes import strip_marks
from calib.frame.frame import Frame
from calib.sweep.model import StripSweep
from calib.tone.dropouts import Dropouts
from calib.tone.model import StripTone


def sources(frame: Frame, truth: Truth) -> tuple[StripSource, ...]:
    """Strips with the true sweep, the true tone and the true dropouts."""
    marks = strip_marks(frame)
    return tuple(
        StripSource(strip, sweep(truth, k), tone(truth, k), dropouts(truth, k), marks)
        for k, strip in enumerate(frame.strips)
    )


def sweep(truth: Truth, strip: int) -> StripSweep:
    s = truth.strips[strip]
    zero = np.zeros(s.shape[0])
    return StripSweep(s.x_sample_mm, s.x_line_mm, s.y_line_mm, s.y_sample_mm, sigma_x_mm=zero, sigma_y_mm=zero)


def tone(truth: Truth, strip: int) -> StripTone:
    """Inverts the true video chain by a fine table; noise at each DN from the stated sources."""
    s = truth.strips[strip]
    size = 2**truth.scenario.scan.bits
    density = np.linspace(0.0, 3.2, 20_001)
    dn = s.video.dn_of(density)
    order = np.argsort(dn)
    table = np.interp(np.arange(size), dn[order], density[order])
    noise_density = np.full(size, float(np.median(truth.noise_sigma(strip)[::50, ::20])), np.float32)
    low, high = sorted(float(v) for v in s.video.dn_of(np.array([0.1, 2.5])))
    zero = np.zeros(size, np.float32)
    return StripTone(
        density_of_dn=table.astype(np.float32),
        dn_span=(max(0, int(low)), min(size - 1, int(high))),
        rising=bool(table[-1] > table[0]),
        column_density=s.column_density,
        line_density=s.line_density,
        noise_density=noise_density,
        curve_sigma=zero,
        column_sigma=np.zeros(s.shape[1]),
        line_sigma=np.zeros(s.shape[0]),
    )


def dropouts(truth: Truth, strip: int) -> Dropouts:
    n_lines, n_samples = truth.strips[strip].shape
    runs = np.array(truth.strips[strip].dropouts, dtype=np.int32).reshape(-1, 3)
    return Dropouts(runs=runs[np.lexsort(runs.T[::-1])], n_lines=n_lines, n_samples=n_samples)
