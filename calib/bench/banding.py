"""Measures residual banding in column means of density, and how much real structure along columns was kept."""

from dataclasses import dataclass

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.bench import perfect
from calib.bench.arrays import amplitude, amplitude_sigma, high_passed, rms
from calib.bench.figure import Figure, Reach
from calib.bench.joined import Joined, join_strips
from calib.bench.stripe_filters import moment_matched, wavelet_fourier
from calib.bench.wedge_error import WedgeError
from calib.coordinates import ScanPoints
from calib.film.source import StripSource, read_window
from calib.frame.frame import Frame
from calib.run.fitting.fit import FrameFits
from calib.sweep.model import to_film
from calib.tone.apply import density_window

Floats = NDArray[np.float64]
FEWEST = 50  # least number of good samples in a column that is used
PASS = 8.0  # strip width over 1-sigma of the high-pass filter's running mean: features up to the pitch are kept
FINE = 4.0  # samples, 1-sigma of the smoothing that separates smooth from fine banding
RIVALS = {"column moments": moment_matched, "wavelet-Fourier": wavelet_fourier}


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Column means of density, (strips, samples), NaN with too few good samples: found, of the ideal calibration, true,
    the error implied by the wedge's errors, and the 1-sigma due to the samples' noise (`floor`).
    """

    found: Floats
    ideal: Floats
    true: Floats
    implied: Floats
    floor: Floats

    @property
    def known(self) -> NDArray[np.bool_]:
        """Mask (strips, samples) of the columns used."""
        return np.isfinite(self.found)


def frame_columns(fits: FrameFits, truth: Truth, wedge: WedgeError) -> Columns:
    """The column means of every strip over the exposed format, without marks and dropouts."""
    ideals = perfect.sources(fits.frame, truth)
    rows = [_columns(fits.frame, source, ideals[k], truth, k, wedge) for k, source in enumerate(fits.sources())]
    return Columns(*(np.array([row[n] for row in rows]) for n in range(5)))


def _columns(
    frame: Frame, source: StripSource, ideal: StripSource, truth: Truth, strip: int, wedge: WedgeError
) -> list[Floats]:
    n_lines, n_samples = source.raster.n_lines, source.raster.n_samples
    window = read_window(source, 0, n_lines, fill_marks=False)
    perfected = density_window(ideal.raster, ideal.tone, ideal.dropouts, 0, n_lines)
    clean = truth.clean_density(strip)
    noise = truth.noise_at(strip, clean)
    place = to_film(source.sweep, ScanPoints(*np.mgrid[:n_lines, :n_samples].astype(float)))
    half_x, half_y = (side / 2 for side in frame.camera.format_mm)
    good = (window.quality == 0) & (perfected.quality == 0)
    good &= (np.abs(place.x_mm) < half_x) & (np.abs(place.y_mm) < half_y)
    count = good.sum(axis=0)

    def mean(values: NDArray) -> Floats:
        total = np.where(good, values, 0.0).sum(axis=0, dtype=np.float64)
        return np.where(count >= FEWEST, total / np.maximum(count, 1), np.nan)

    floor = np.sqrt(mean(np.square(noise)) / np.maximum(count, 1))
    return [mean(window.value), mean(perfected.density), mean(clean), mean(wedge.of_density(clean)), floor]


def joined_columns(joined: Joined, filtered: Floats) -> Columns:
    """The column means of a filtered picture of joined strips."""
    n_strips = int(joined.strip.max()) + 1
    count = joined.good.sum(axis=0)

    def mean(values: Floats) -> Floats:
        total = np.where(joined.good, values, 0.0).sum(axis=0)
        return np.where(count >= FEWEST, total / np.maximum(count, 1), np.nan).reshape(n_strips, -1)

    floor = np.sqrt(mean(joined.noise**2) / np.maximum(count, 1).reshape(n_strips, -1))
    true = mean(joined.clean)
    return Columns(mean(filtered), true, true, np.zeros_like(true), floor)


def banding_left(columns: Columns) -> Floats:
    """Error of the column means (N,) minus its mean over the frame, because a common level is not banding."""
    error = (columns.found - columns.true)[columns.known]
    return error - error.mean()


def kept(columns: Columns, found: Floats) -> float:
    """Share of the true column profile's high-passed contrast in the profile `found` (1: all)."""
    pairs = [_high_passed_pair(columns, row, k) for k, row in enumerate(found)]
    return amplitude(np.concatenate([p[0] for p in pairs]), np.concatenate([p[1] for p in pairs]))


def kept_sigma(columns: Columns) -> float:
    """1-sigma of `kept` due to the samples' noise alone."""
    true = np.concatenate([_high_passed_pair(columns, row, k)[1] for k, row in enumerate(columns.true)])
    return amplitude_sigma(np.nan_to_num(columns.floor).ravel(), true)


def _high_passed_pair(columns: Columns, row: Floats, strip: int) -> tuple[Floats, Floats]:
    known, scale = columns.known[strip], row.size / PASS
    return high_passed(row, known, scale), high_passed(columns.true[strip], known, scale)


def parts_of_banding(columns: Columns) -> dict[str, float]:
    """Banding beyond the ideal calibration, rms in density: levels of strips, part common to all, and own parts."""
    beyond = columns.found - columns.ideal
    known = columns.known.all(axis=0)
    beyond = beyond[:, known] - beyond[:, known].mean()
    level = beyond.mean(axis=1, keepdims=True)
    common = (beyond - level).mean(axis=0)
    own = beyond - level - common
    smooth = gaussian_filter1d(own, FINE, axis=1)
    return {"levels": rms(level), "common": rms(common), "own smooth": rms(smooth), "own fine": rms(own - smooth)}


def banding_figures(scene: str, fits: FrameFits, told: FrameFits, truth: Truth, wedge: WedgeError) -> list[Figure]:
    """The figures of the column means: ours and those of two other methods on the same scene."""
    columns, joined = frame_columns(fits, truth, wedge), join_strips(fits.frame, truth)
    rivals = {name: joined_columns(joined, filter_(joined.banded)) for name, filter_ in RIVALS.items()}
    plain, is_ridges = truth.scenario.scene.kind == "featureless", truth.scenario.scene.kind == "ridges"
    left, known = banding_left(columns), columns.known
    floor = rms(columns.floor[known])
    less = left - (columns.implied[known] - columns.implied[known].mean())
    informed = frame_columns(told, truth, wedge)
    beyond = (columns.found - columns.ideal)[known]
    ratios = {name: rms(banding_left(c)) / rms(c.floor[c.known]) for name, c in rivals.items()}
    amounts = {name: rms(banding_left(c)) for name, c in rivals.items()}
    amplitudes = {name: 100 * kept(c, c.found) for name, c in rivals.items()}
    limits = {"ideal": 100 * kept(columns, columns.ideal), "1-sigma": 100 * kept_sigma(columns)}
    posterior = rms(np.concatenate([tone.column_sigma for tone in fits.tone.strips]))
    bound = {"by the fit's own sigma": float(np.hypot(floor, posterior)) / floor}
    name = "banding left in column means over noise floor"
    return [
        Figure(scene, name, rms(left) / floor, "", Reach(high=1.2), bound | ratios),
        Figure(scene, "the same, told the true wedge", rms(banding_left(informed)) / floor),
        Figure(scene, "the same, less the interpolated errors", rms(less) / floor),
        Figure(scene, "banding left, with the noise", rms(left), "D", None, {"floor": floor} | amounts),
        Figure(
            scene,
            "banding left beyond the ideal calibration",
            rms(beyond - beyond.mean()),
            "D",
            Reach(high=0.0010) if plain else None,
            parts_of_banding(columns),
        ),
        Figure(
            scene,
            "amplitude of column-parallel features",
            100 * kept(columns, columns.found),
            "%",
            Reach(99.0, 101.0) if is_ridges else None,
            limits | amplitudes,
        ),
    ]
