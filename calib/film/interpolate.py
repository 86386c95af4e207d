"""The one interpolation: values at film places from the samples of all strips that show them.

A value is made from raw samples by one kernel (`kernels`), which includes the mean over an output pixel larger than a
sample. Overlapping strips are blended by the distance to their own edges. Variances follow the same weights:
uncorrelated noise averages down, the systematic error of the samples does not.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import repeat
from math import prod

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints
from calib.film.gather import Gathered, gather
from calib.film.kernels import DEFAULT_KERNEL, Axes, axis_weights
from calib.film.landing import Landing, extent_of, landing, landing_in, landing_of_scan
from calib.film.pack import packed_strip, packed_window
from calib.film.packed import Samples
from calib.film.raster import Raster
from calib.film.source import StripSource, StripWindow
from calib.film.tables import DENSITY, ValueTable
from calib.film.tiles import tiles_of


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """Values at N film places: value, its 1-sigma (both NaN where there is none), and the quality bits."""

    value: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class KernelScale:
    """Number of lines and samples that an output pixel spans; 1 if it is no larger than a sample."""

    line: float = 1.0
    sample: float = 1.0


def sample_strips(
    sources: Sequence[StripSource],
    places: FilmPoints | Raster,
    *,
    scale: KernelScale,
    fill: bool,
    values: Sequence[ValueTable] | None = None,
    kernel: str = DEFAULT_KERNEL,
) -> Sampled:
    """Values at `places` (N,), or at the pixels of a raster row by row, from all strips that cover them.

    A place that is NaN is outside. With `fill`, marks and short dropouts are bridged (for a map); without, marks stay
    as they are on the film, and places whose nearest sample is a dropout in every strip are NaN. Samples touched by a
    dropout are used only where no other strip shows the place. `values`, one for each source, convert density to
    another quantity before the interpolation, so that the averaged quantity is linear in the wanted one (averaging
    density and then taking the antilogarithm is biased).
    """
    made = Gathered.nothing_at(places.x_mm.size if isinstance(places, FilmPoints) else prod(places.shape))
    landings = _landings(sources, places)
    for source, table, at in zip(sources, values or repeat(DENSITY, len(sources)), landings, strict=True):
        if at is not None:
            noise_correlation = source.tone.noise_correlation
            along = axis_weights(kernel, scale.line, noise_correlation.along)
            axes = Axes(along, axis_weights(kernel, scale.sample, noise_correlation.across))
            packed = packed_strip(source, table, at.needed(axes), axes.taps, fill_marks=fill)
            n_samples = source.raster.n_samples
            gather(Samples.of(packed, axes, n_samples, fill=fill, correlation=noise_correlation.shared), axes, at, made)
    made.finish()
    return Sampled(made.value, made.sigma, made.quality)


def _landings(sources: Sequence[StripSource], places: FilmPoints | Raster) -> Iterator[Landing | None]:
    """Yield where the places lie on each strip, computed on demand; None for a strip without any."""
    sweeps = [source.sweep for source in sources]
    if isinstance(places, FilmPoints):
        extent = extent_of(places)
        return (landing(sweep, places, extent) for sweep in sweeps)
    known = np.isfinite(places.nodes.x_mm).all()
    tiles = tiles_of(sweeps, places, extent_of(places.nodes if known else places.pixels()))
    return (landing_in(one) if one is not None else None for one in tiles)


def interpolate_window(
    window: StripWindow, line: Array, sample: Array, scale: KernelScale, kernel: str = DEFAULT_KERNEL
) -> Sampled:
    """Values at fractional places (N,) of one window that holds a whole picture."""
    made = Gathered.nothing_at(line.size)
    axes = Axes(axis_weights(kernel, scale.line), axis_weights(kernel, scale.sample))
    at = landing_of_scan(line, sample, window.value.shape[0])
    if at is not None:
        packed = packed_window(window, at.needed(axes), axes.taps)
        gather(Samples.of(packed, axes, window.value.shape[1], fill=False, correlation=0.0), axes, at, made)
    made.finish()
    return Sampled(made.value, made.sigma, made.quality)
