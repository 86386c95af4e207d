"""The truth of a simulated frame, which only the simulator knows, and functions to evaluate it."""

from dataclasses import dataclass

import numpy as np
from calib_demo import emulsion
from calib_demo.film import Film, density_of_strip, exposure_of
from calib_demo.layout import Layout
from calib_demo.readout import StripTruth
from calib_demo.scenario import Scenario
from calib_demo.view import View, film_of_point, lon_lat_of, meet_ground, point_of, sight_of_film
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """The truth of one frame. Lines are raster lines (a reversed strip's line 0 lies at the far end).

    `common_column_density` is P, already contained in each strip's `column_density`; P and each strip's own part and
    drift have mean zero. `stated_position_km` and `stated_quaternion` are what the package says of the pointing.
    """

    scenario: Scenario
    layout: Layout
    view: View
    film: Film
    strips: tuple[StripTruth, ...]
    common_column_density: Array
    stated_position_km: Array
    stated_quaternion: Array

    def center_x_mm(self) -> tuple[float, ...]:
        """Nominal film x of each strip's centre line."""
        return tuple(self.layout.first_center_mm + k * self.scenario.scan.pitch_mm for k in range(len(self.strips)))

    def film_of(self, strip: int, line: Array, sample: Array) -> tuple[Array, Array]:
        """True film mm of fractional raster places, linear between the tables' entries and beyond them."""
        s = self.strips[strip]
        x = _read(s.x_sample_mm, sample) + _read(s.x_line_mm, line)
        return x, _read(s.y_line_mm, line) + _read(s.y_sample_mm, sample)

    def clean_density(self, strip: int) -> NDArray[np.float32]:
        """Film density (lines, samples) without grain, banding, drift or noise; wedge and marks included."""
        return density_of_strip(self.film, self.strips[strip], self.center_x_mm())

    def seen_density(self, strip: int) -> Array:
        """Clean density plus banding and drift: what the video chain's curve turns into DN."""
        s = self.strips[strip]
        return self.clean_density(strip) + s.column_density[None, :] + s.line_density[:, None]

    def noise_sigma(self, strip: int) -> Array:
        """1-sigma in density (lines, samples) of one sample: grain, video noise and rounding to whole DN."""
        return self.noise_at(strip, self.clean_density(strip))

    def noise_at(self, strip: int, clean_density: NDArray[np.float32]) -> Array:
        """The same for a given clean density of the strip, which takes far longer to compute than the rest."""
        clean = clean_density.astype(np.float64)
        s = self.strips[strip]
        seen = clean + s.column_density[None, :] + s.line_density[:, None]
        grain = grain_sigma(self.scenario, clean)
        return np.asarray(np.hypot(grain, video_sigma_dn(self.scenario, rounded=True) * s.video.density_per_dn(seen)))

    def dropout_mask(self, strip: int) -> NDArray[np.bool_]:
        """(lines, samples), true where the tape dropped out."""
        s = self.strips[strip]
        mask = np.zeros(s.shape, dtype=bool)
        for line, first, stop in s.dropouts:
            mask[line, first:stop] = True
        return mask

    def damaged_marks(self) -> dict[str, str]:
        """Identifier -> "missing", "scratched" or "cut" of the marks that are not whole."""
        marks = self.layout.marks
        return {name: kind for name, kind in zip(marks.ids, marks.damage, strict=True) if kind}

    def exposure_of_film(self, x_mm: Array, y_mm: Array) -> Array:
        """Lux seconds at film places inside the format; NaN outside the simulated raster."""
        return exposure_of(self.film, x_mm, y_mm)

    def reflectance_of_film(self, x_mm: Array, y_mm: Array) -> Array:
        """Radiance factor seen at film places; 0 off the Moon, NaN outside the simulated raster."""
        return self.film.picture.at(x_mm, y_mm)

    def ground_of_film(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Longitude and latitude in degrees, and whether the ray meets the Moon."""
        origin, rays = sight_of_film(self.view, np.asarray(x_mm, float), np.asarray(y_mm, float))
        points, hit = meet_ground(self.view, origin, rays)
        lon, lat = lon_lat_of(points)
        return np.where(hit, lon, np.nan), np.where(hit, lat, np.nan), hit

    def height_km(self, lon_deg: Array, lat_deg: Array) -> Array:
        """Terrain height; 0 where the scenario has none."""
        if self.view.terrain is None:
            return np.zeros(np.broadcast_shapes(np.shape(lon_deg), np.shape(lat_deg)))
        return 1e-3 * self.view.terrain.height_m(np.asarray(lon_deg, float), np.asarray(lat_deg, float))

    def film_of_ground(self, lon_deg: Array, lat_deg: Array, height_km: Array | None = None) -> tuple[Array, Array]:
        """True film mm (distorted) of ground points; NaN behind the horizon. Height: the terrain's where not given."""
        height = self.height_km(lon_deg, lat_deg) if height_km is None else height_km
        points = point_of(lon_deg, lat_deg, height)
        x, y, before = film_of_point(self.view, points)
        faces = ((self.view.position_km - points) * points).sum(-1) > 0.0
        seen = before & faces
        return np.where(seen, x, np.nan), np.where(seen, y, np.nan)

    def reflectance_of(self, lon_deg: Array, lat_deg: Array) -> Array:
        """Radiance factor of the ground as imaged by the lens: the reference for the map. NaN if not photographed."""
        x, y = self.film_of_ground(lon_deg, lat_deg)
        half_x, half_y = (0.5 * side for side in self.layout.format_mm)
        inside = (np.abs(x) <= half_x) & (np.abs(y) <= half_y)
        return np.where(inside, self.film.picture.at(np.where(inside, x, 0.0), np.where(inside, y, 0.0)), np.nan)


def grain_sigma(scenario: Scenario, density: Array) -> Array:
    """1-sigma of the film's grain in the area of one sample."""
    area_mm2 = scenario.scan.sample_mm * scenario.scan.line_mm
    return emulsion.grain_sigma(scenario.emulsion.granularity, area_mm2, density)


def video_sigma_dn(scenario: Scenario, rounded: bool) -> float:
    """1-sigma of the video noise in DN, with the rounding to whole DN where `rounded`."""
    noise = scenario.tone.noise_of_range * 2**scenario.scan.bits
    return float(np.sqrt(noise**2 + (1.0 / 12.0 if rounded else 0.0)))


def _read(table: Array, at: Array) -> Array:
    """Linear interpolation of a table at fractional indices, extrapolated linearly beyond its ends."""
    at = np.asarray(at, float)
    low = np.clip(np.floor(at).astype(int), 0, table.size - 2)
    return np.asarray(table[low] + (at - low) * (table[low + 1] - table[low]))
