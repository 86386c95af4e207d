"""Measures the response of the interpolation at half the map's Nyquist frequency, relative to the mean over a pixel."""

import numpy as np
from numpy.typing import NDArray

from calib.bench.figure import Figure, Reach
from calib.film.image import sample_image
from calib.film.interpolate import KernelScale
from calib.film.kernels import mean_width
from calib.run.rasters.map import MapMaker, scale_at

SIZE = 96  # samples along each side of the picture that is interpolated
PLACES = 20_000
MARGIN = 16.0  # samples from its edges that are not used
HALF_NYQUIST = 0.25  # cycles per pixel


def response(scale: KernelScale, line_cycles: float, sample_cycles: float) -> float:
    """Amplitude after interpolation of a unit wave, given in cycles per line and per sample, over places of all phases.

    An ideal interpolation of a band-limited picture gives `ideal`.
    """
    line, sample = np.mgrid[:SIZE, :SIZE].astype(float)
    at = np.random.default_rng(0).uniform(MARGIN, SIZE - 1 - MARGIN, (2, PLACES))
    phase = _phase(line, sample, line_cycles, sample_cycles)
    there = _phase(at[0], at[1], line_cycles, sample_cycles)
    even, odd = (sample_image(wave, at[0], at[1], scale).astype(float) for wave in (np.cos(phase), np.sin(phase)))
    return float(np.mean(even * np.cos(there) + odd * np.sin(there)))


def ideal(scale: float, cycles: float) -> float:
    """Amplitude of a unit wave of `cycles` per sample after averaging over a pixel; 1 for a pixel of one sample."""
    return float(np.sinc(mean_width(scale) * cycles))


def _phase(line: NDArray, sample: NDArray, line_cycles: float, sample_cycles: float) -> NDArray[np.float64]:
    return np.asarray(2 * np.pi * (line_cycles * line + sample_cycles * sample))


def resolution_figure(scene: str, maker: MapMaker) -> Figure:
    """The smaller response of the map along lines and samples, over that of the mean over a pixel, at its middle."""
    scan, grid = maker.fits.frame.scan, maker.grid
    middle = (grid.rows - 1) / 2, (grid.columns - 1) / 2
    scale = scale_at(maker.where, *middle, sample_mm=scan.sample_mm, line_mm=scan.line_mm)
    line, sample = HALF_NYQUIST / scale.line, HALF_NYQUIST / scale.sample
    along = response(scale, line, 0.0) / ideal(scale.line, line)
    across = response(scale, 0.0, sample) / ideal(scale.sample, sample)
    said = {
        "lines": along,
        "samples": across,
        "plain, both at once": response(scale, line, sample),
        "lines a pixel": scale.line,
        "samples a pixel": scale.sample,
    }
    return Figure(scene, "MTF at half Nyquist over the ideal's", min(along, across), "", Reach(low=0.98), said)
