"""The film of known density: wedge patches, reseau strokes, and the unexposed film around the format; places in mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from calib.coordinates import Array
from calib.frame.wedge_columns import covered_by_most

if TYPE_CHECKING:
    from calib.frame.film import CharacteristicCurve
    from calib.frame.frame import Frame

ROUNDING_SIGMA = 3e-4  # of a stated value with three decimals
APART = 1.5  # patches further apart than this multiple of a patch's height belong to different groups


@dataclass(frozen=True, slots=True, eq=False)
class KnownFilm:
    """The film's places of known density, the same in every strip but for its centre line.

    `patch_density` (P,): density that the stated `patch_value` means; NaN where the film's curve does not reach it.
    `patch_sigma` (P,): its 1-sigma. `is_sigma_stated`: whether the description says anything of the patches' errors.
    `patch_slope` (P,): slope of density against the stated value; 0 where the density is NaN.
    `patch_y_mm`, `patch_across_mm` (P, 2): where a patch lies. `group` (P,): number of those it lies with.
    `stroke_density`: of the reseau's strokes, None where it is not stated.
    `tolerance_mm`: how far all of it may lie from where the scan's description puts it.
    """

    patch_value: Array
    patch_density: Array
    patch_sigma: Array
    patch_slope: Array
    is_sigma_stated: bool
    patch_y_mm: Array
    patch_across_mm: Array
    group: NDArray[np.int64]
    center_mm: Array
    pitch_mm: float
    half_format_mm: tuple[float, float]
    mark_x_mm: Array
    mark_y_mm: Array
    arm_mm: float
    stroke_mm: float
    stroke_density: float | None
    fog_guess: float
    tolerance_mm: float

    @property
    def n_patches(self) -> int:
        """Number of patches of one wedge."""
        return self.patch_density.size

    def group_span_mm(self, group: int) -> tuple[float, float]:
        """First and last film y of a group of patches."""
        chosen = self.patch_y_mm[self.group == group]
        return float(chosen[:, 0].min()), float(chosen[:, 1].max())

    def group_columns_mm(self, group: int) -> tuple[float, float]:
        """Left and right end, from a strip's centre line, of the film that most patches of a group cover."""
        return covered_by_most(self.patch_across_mm[self.group == group])


def known_film(frame: Frame) -> KnownFilm:
    """The known places of a frame as its description states them."""
    film, scan = frame.film, frame.scan
    patches = film.wedge.patches
    value = np.array([patch.value for patch in patches], dtype=np.float64)
    density, slope = value, np.ones_like(value)
    if film.wedge.quantity == "log_exposure":
        density, slope = density_of_exposure(film.characteristic, value)
        slope = np.nan_to_num(slope)
    y_mm = np.array([patch.y_mm for patch in patches], dtype=np.float64)
    reseau = film.reseau
    return KnownFilm(
        patch_value=value,
        patch_density=density,
        patch_sigma=np.hypot((film.wedge.sigma or 0.0) * slope, ROUNDING_SIGMA),
        patch_slope=slope,
        is_sigma_stated=film.wedge.sigma is not None,
        patch_y_mm=y_mm,
        patch_across_mm=np.array([patch.across_mm for patch in patches], dtype=np.float64),
        group=groups_of(y_mm),
        center_mm=scan.first_center_mm + scan.pitch_mm * np.arange(len(frame.strips), dtype=np.float64),
        pitch_mm=scan.pitch_mm,
        half_format_mm=(frame.camera.format_mm[0] / 2, frame.camera.format_mm[1] / 2),
        mark_x_mm=frame.marks.x_mm,
        mark_y_mm=frame.marks.y_mm,
        arm_mm=reseau.arm_mm,
        stroke_mm=reseau.width_mm,
        stroke_density=reseau.density,
        fog_guess=film.characteristic.density[0],
        tolerance_mm=scan.tolerance_mm,
    )


def density_of_exposure(curve: CharacteristicCurve, log_exposure: Array) -> tuple[Array, Array]:
    """Density, and its slope against log exposure, by the film's curve; NaN beyond its ends.

    The monotone cubic of Fritsch and Butland (1984), as everywhere in the toolkit.
    """
    cubic = PchipInterpolator(np.array(curve.log_exposure), np.array(curve.density), extrapolate=False)
    return cubic(log_exposure), np.abs(cubic.derivative()(log_exposure))


def groups_of(y_mm: Array) -> NDArray[np.int64]:
    """Number the groups of patches (P, 2) that follow each other along y without a wide gap."""
    order = np.argsort(y_mm[:, 0], kind="stable")
    height = np.median(y_mm[:, 1] - y_mm[:, 0])
    group = np.zeros(len(y_mm), dtype=np.int64)
    reached, number = y_mm[order[0], 1], 0
    for index in order:
        if y_mm[index, 0] - reached > APART * height:
            number += 1
        reached = max(reached, y_mm[index, 1])
        group[index] = number
    return group
