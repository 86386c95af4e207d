"""Column means of the scene before and after the banding came out, and their spectrum."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.runs import flag_mask, within
from calib.film.source import StripSource
from calib.film.strokes import marked_runs
from calib.frame.frame import Frame
from calib.ordered import in_order
from calib.products.report_data import ColumnSpectrum

LINES = 1024  # read at once: a few megabytes of a strip
SHARE_GOOD = 0.25  # a column needs this share of its lines to count
FEWEST = 64  # known columns of which a spectrum is drawn: it has half as many frequencies


@dataclass(frozen=True, slots=True, eq=False)
class ColumnMeans:
    """Mean density of each column over the scene, all strips one behind the other, (strips * samples,).

    `after` with the banding taken out, `before` with it left in, `floor` the 1-sigma that noise alone leaves.
    """

    after: NDArray[np.float64]
    before: NDArray[np.float64]
    floor: NDArray[np.float64]


def column_means(frame: Frame, sources: tuple[StripSource, ...], threads: int = 1) -> ColumnMeans:
    """Measure every strip's columns over the exposed format, marks and dropouts left out."""
    strips = in_order(lambda source: _strip(frame, source), sources, threads)
    after, floor = (np.concatenate(parts) for parts in zip(*strips, strict=True))
    banding = np.concatenate([source.tone.column_density for source in sources])
    return ColumnMeans(after, after + banding, floor)


def _strip(frame: Frame, source: StripSource) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    tone, n_samples = source.tone, source.raster.n_samples
    total, variance, count = sums = tuple(np.zeros(n_samples) for _ in range(3))
    lines = np.flatnonzero(np.abs(source.sweep.y_line_mm) < frame.camera.format_mm[1] / 2)
    marks, noise = marked_runs(source.sweep, source.marks), np.square(tone.noise_density)
    for first in range(lines[0], lines[-1] + 1, LINES) if lines.size else ():
        stop = min(first + LINES, lines[-1] + 1)
        bad = source.dropouts.mask(first, stop)
        flag_mask(within(marks, first, stop), first, 0, bad)
        drift = tone.line_density[first:stop]
        dn = source.raster.read(first, stop)
        _add_up(dn, bad, (tone.density_of_dn, noise), drift, tone.dn_span, sums)
    enough = count > SHARE_GOOD * max(lines.size, 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        after, floor = total / count - tone.column_density, np.sqrt(variance) / count
    return np.where(enough, after, np.nan), np.where(enough, floor, np.nan)


@njit(cache=True, nogil=True)
def _add_up(dn, bad, tables, drift, span, sums):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Sums down the columns of a strip's density, banding left in, of its noise variance and of one, over good samples;
    `tables` are density and variance by DN."""
    (density, noise), (first_dn, last_dn), (total, variance, count) = tables, span, sums
    for i in range(dn.shape[0]):
        for j in range(dn.shape[1]):
            number = np.uint64(dn[i, j])
            if not bad[i, j] and first_dn <= dn[i, j] <= last_dn:
                total[j] += density[number] - drift[i]
                variance[j] += noise[number]
                count[j] += 1.0


def joined_columns(frame: Frame, sources: tuple[StripSource, ...], means: ColumnMeans) -> ColumnMeans:
    """The column means by column of the joined frame, `sample_mm` wide, each from the strip that serves there.

    The nearest sample is taken: interpolation would take noise out of the high frequencies.
    """
    scan, n_strips = frame.scan, len(sources)
    per_strip = [part.reshape(n_strips, -1) for part in (means.after, means.before, means.floor)]
    step, pitch = scan.sample_mm, scan.pitch_mm
    x_mm = np.arange(scan.first_center_mm - pitch / 2, scan.first_center_mm + (n_strips - 0.5) * pitch, step)
    serves = np.clip(np.round((x_mm - scan.first_center_mm) / pitch), 0, n_strips - 1).astype(np.int64)
    joined = np.full((3, x_mm.size), np.nan)
    for strip, source in enumerate(sources):
        here = serves == strip
        sweep = source.sweep
        sample = np.arange(sweep.n_samples, dtype=np.float64)
        place = np.interp(x_mm[here] - np.median(sweep.x_line_mm), sweep.x_sample_mm, sample, left=np.nan, right=np.nan)
        seen = np.isfinite(place)
        nearest = np.round(place[seen]).astype(np.int64)
        joined[:, np.flatnonzero(here)[seen]] = [part[strip, nearest] for part in per_strip]
    return ColumnMeans(*joined)


def column_spectrum(means: ColumnMeans, pitch_samples: float | None = None) -> ColumnSpectrum | None:
    """Power of the column means against spatial frequency; None where too few columns are known.

    `pitch_samples` is the strips' distance in columns where the means are those of the joined frame.
    """
    known = np.isfinite(means.after)
    if known.sum() < FEWEST:
        return None
    at = np.arange(means.after.size)
    window = np.hanning(means.after.size)
    power = []
    for values in (means.before, means.after):
        whole = np.interp(at, at[known], values[known])
        spectrum = np.abs(np.fft.rfft((whole - whole.mean()) * window)) ** 2 / np.sum(window**2)
        power.append(spectrum[1:])
    frequency = np.fft.rfftfreq(at.size)[1:]
    noise = float(np.nanmean(means.floor**2))
    return ColumnSpectrum(frequency, power[0], power[1], noise, pitch_samples)
