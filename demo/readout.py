"""The readout of each strip: sweep, banding, drift and video chain, drawn from the seed."""

from dataclasses import dataclass

import numpy as np
from calib_demo.chance import smooth_curve, stream
from calib_demo.scenario import Scenario, StripScan, ToneFaults
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]
BRIGHTEST_DENSITY = 0.02  # film plus banding gets no thinner: light is measured in units of 10^-0.02


@dataclass(frozen=True, slots=True, eq=False)
class Video:
    """A monotone curve, light -> DN: ``dark + (bright - dark) (1 + knee^toe) u^toe / (u^toe + knee^toe)``.

    u is the light relative to 10^-`BRIGHTEST_DENSITY`; `bright` < `dark` where the video falls.
    """

    dark: float
    bright: float
    toe: float
    knee: float

    def dn_of(self, density: Array) -> Array:
        """DN (before noise and rounding) of a total density D + P + Q + R."""
        u = 10.0 ** (-self.toe * (np.asarray(density) - BRIGHTEST_DENSITY))
        k = self.knee**self.toe
        return self.dark + (self.bright - self.dark) * (1.0 + k) * u / (u + k)

    def density_of(self, dn: Array) -> Array:
        """The inverse of `dn_of`; NaN for DN that no light gives."""
        share = (np.asarray(dn, float) - self.dark) / (self.bright - self.dark)
        k = self.knee**self.toe
        with np.errstate(invalid="ignore", divide="ignore"):
            density = BRIGHTEST_DENSITY - np.log10(share * k / (1.0 + k - share)) / self.toe
        return np.where((share > 0) & (share < 1.0 + k), density, np.nan)

    def density_per_dn(self, density: Array) -> Array:
        """|dD/dDN| at a total density."""
        u = 10.0 ** (-self.toe * (np.asarray(density) - BRIGHTEST_DENSITY))
        k = self.knee**self.toe
        slope = abs(self.bright - self.dark) * (1.0 + k) * k * u / (u + k) ** 2 * self.toe * np.log(10.0)
        return np.asarray(1.0 / slope)


@dataclass(frozen=True, slots=True, eq=False)
class StripTruth:
    """One strip as it is, in raster line order: ``x = x_sample[s] + x_line[l]``, ``y = y_line[l] + y_sample[s]``.

    Density seen by the video = film density + column_density[s] (common and own part) + line_density[l].
    `dropouts` (n, 3) int: line, first sample, stop sample.
    """

    x_sample_mm: Array
    x_line_mm: Array
    y_line_mm: Array
    y_sample_mm: Array
    column_density: Array
    line_density: Array
    video: Video
    is_reversed: bool
    dropouts: NDArray[np.int64]

    @property
    def shape(self) -> tuple[int, int]:
        """(lines, samples)."""
        return self.y_line_mm.size, self.x_sample_mm.size


def line_counts(scenario: Scenario) -> list[int]:
    """Lines of each strip."""
    scan = scenario.scan
    spread = stream(scenario.seed, "lines").integers(-scan.line_count_spread, scan.line_count_spread + 1, scan.strips)
    return [int(scan.lines + extra) for extra in spread]


def is_reversed(scan: StripScan, strip: int) -> bool:
    """Whether the strip was scanned the other way."""
    return scan.reversed == ("odd" if strip % 2 else "even")


def common_column_density(scenario: Scenario) -> Array:
    """P (n_samples,): the spot's profile in density, mean zero; a smooth bow and fine structure."""
    return _columns(
        scenario.tone, scenario.scan.samples, stream(scenario.seed, "banding"), scenario.tone.banding_smooth
    )


def _columns(tone: ToneFaults, n: int, chance: np.random.Generator, smooth: float) -> Array:
    fine = ndimage.gaussian_filter1d(chance.standard_normal(n), 0.8)
    share = smooth / tone.banding_smooth if tone.banding_smooth > 0 else 1.0
    profile = smooth_curve(chance, n, n / 7.0, smooth) + share * tone.banding_fine * fine / fine.std()
    return np.asarray(profile - profile.mean())


def draw_sweep(
    scenario: Scenario, strip: int, lines: int, first_mm: tuple[float, float]
) -> tuple[Array, Array, Array, Array]:
    """x_sample, x_line, y_line, y_sample in mm; `first_mm` is the nominal (x of the centre line, y of line 0)."""
    scan, faults = scenario.scan, scenario.sweep
    n, sample_mm, line_mm = scan.samples, scan.sample_mm, scan.line_mm
    chance = stream(scenario.seed, "sweep", strip)
    common = smooth_curve(stream(scenario.seed, "sweep"), n, n / 5.0, faults.common_samples)
    own = smooth_curve(chance, n, n / 4.0, faults.own_samples)
    offset_x, offset_y = chance.uniform(-1, 1, 2) * (faults.offset_samples * sample_mm, faults.offset_lines * line_mm)
    turn = 1e-3 * faults.rotation_mrad * chance.uniform(-1, 1)
    wander_y = smooth_curve(chance, lines, faults.wander_scale_lines, faults.wander_lines) * line_mm
    wander_x = smooth_curve(chance, lines, faults.wander_scale_lines, faults.wander_samples) * sample_mm
    jitter = faults.jitter_samples * sample_mm * stream(scenario.seed, "jitter", strip).standard_normal(lines)
    across_mm = (np.arange(n) - (n - 1) / 2) * sample_mm
    order = np.arange(lines)[::-1] if is_reversed(scan, strip) else np.arange(lines)
    along_mm = order * line_mm
    middle_mm = (lines - 1) / 2 * line_mm
    drawn = [
        first_mm[0] + across_mm + (common + own) * sample_mm,
        offset_x + wander_x - turn * (along_mm - middle_mm) + jitter,
        first_mm[1] + along_mm + offset_y + wander_y,
        turn * across_mm,
    ]
    return drawn[0], drawn[1], drawn[2], drawn[3]


def draw_video(scenario: Scenario, strip: int) -> Video:
    """The strip's curve: that of the scenario, with gain, offset and bend of its own."""
    tone, full = scenario.tone, float(2**scenario.scan.bits - 1)
    chance = stream(scenario.seed, "video", strip)
    spread = 1.0 + tone.curve_spread * chance.uniform(-1, 1, 3)
    low, high = full * tone.use_of_range[0], full * tone.use_of_range[1]
    shift = tone.curve_spread * low * chance.uniform(-1, 1)
    top = low + (high - low) * spread[0]
    dark, bright = (low + shift, top + shift) if tone.rising else (top + shift, low + shift)
    return Video(float(dark), float(bright), float(tone.toe * spread[1]), float(tone.knee * spread[2]))


def draw_strip(
    scenario: Scenario, strip: int, lines: int, first_mm: tuple[float, float], dropouts: NDArray[np.int64]
) -> StripTruth:
    """Everything about one strip but the picture on the film."""
    tone = scenario.tone
    chance = stream(scenario.seed, "tone", strip)
    own = _columns(tone, scenario.scan.samples, chance, tone.own_banding * tone.banding_smooth)
    drift = smooth_curve(chance, lines, tone.drift_scale_lines, tone.drift)
    return StripTruth(
        *draw_sweep(scenario, strip, lines, first_mm),
        column_density=common_column_density(scenario) + own,
        line_density=drift,
        video=draw_video(scenario, strip),
        is_reversed=is_reversed(scenario.scan, strip),
        dropouts=dropouts,
    )
