"""What several tests of the sweep take from the simulator: a strip's true sweep, and readers of its DN and density."""

import numpy as np

from calib.sweep.model import StripSweep
from calib.sweep.tables import EVERY_SAMPLE


def true_sweep(truth, k):
    """The simulator's sweep of a strip."""
    s = truth.strips[k]
    zero = np.zeros(s.shape[0])
    return StripSweep(s.x_sample_mm, s.x_line_mm, s.y_line_mm, s.y_sample_mm, zero, zero)


def readers(truth, frame, alter=None):
    """DN and density of every strip; density by the true tone, noise as it is. ``alter(k, density, rng)`` changes the
    picture in its place, and DN follow."""
    rng, dn, density = np.random.default_rng(3), [], []
    top = 2**truth.scenario.scan.bits - 1
    for k, strip in enumerate(frame.strips):
        s, raw = truth.strips[k], strip.read(0, strip.n_lines).astype(np.float64)
        lost = truth.dropout_mask(k) | (raw <= 0) | (raw >= top)
        seen = s.column_density[None, :] + s.line_density[:, None]
        value = s.video.density_of(raw) - seen
        lost |= ~np.isfinite(value)
        value = np.where(lost, 0.0, value)
        if alter is not None:
            alter(k, value, rng)
            raw = s.video.dn_of(value + seen)
        noise = np.where(lost, np.inf, truth.noise_sigma(k))
        noise_dn = np.where(lost, np.inf, max(1.0, truth.scenario.tone.noise_of_range * top))
        dn.append(lines_of(raw, noise_dn))
        density.append(lines_of(value, noise))
    return dn, density


def lines_of(values, sigma):
    """A reader of windows."""
    v, s = values.astype(np.float32), sigma.astype(np.float32)
    return lambda first, stop, samples=EVERY_SAMPLE: (v[first:stop, samples], s[first:stop, samples])
