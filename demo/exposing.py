"""From the radiance factor of the ground to the exposure of the film."""

from dataclasses import dataclass

import numpy as np
from calib_demo.scenario import Scenario
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Exposing:
    """H = rho * `on_axis` * falloff(r), r from the principal point as measured on the film."""

    on_axis: float
    principal_point_mm: tuple[float, float]
    focal_length_mm: float
    falloff: tuple[float, float] | None

    def factor(self, x_mm: Array, y_mm: Array) -> Array:
        """Lux seconds per unit of radiance factor."""
        r2 = (x_mm - self.principal_point_mm[0]) ** 2 + (y_mm - self.principal_point_mm[1]) ** 2
        if self.falloff is None:
            return np.asarray(self.on_axis * (1.0 + r2 / self.focal_length_mm**2) ** -2)
        return np.asarray(self.on_axis * (1.0 + self.falloff[0] * r2 + self.falloff[1] * r2 * r2))


def exposing_of(scenario: Scenario) -> Exposing:
    """The contract's ``H = rho (E/d2) transmittance falloff shutter / (4 N2)``."""
    lens, sun = scenario.lens, scenario.sun
    sunlight_lx = sun.illuminance_lx_1au / sun.distance_au**2
    on_axis = sunlight_lx * lens.transmittance * scenario.shutter_s / (4 * lens.f_number**2)
    return Exposing(on_axis, lens.principal_point_mm, lens.focal_length_mm, lens.falloff)
