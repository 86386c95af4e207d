"""The camera equation and the Sun's light, against published figures and worked examples."""

from dataclasses import dataclass

import numpy as np
import pytest

from calib.coordinates import FilmPoints
from calib.light.radiometry import reflectance_per_exposure, relative_illumination
from calib.published import constants

AXIS = FilmPoints(np.zeros(()), np.zeros(()))


@dataclass(frozen=True)
class Optics:
    """A lens for one example."""

    f_number: float
    transmittance: float = 1.0
    focal_length_mm: float = 100.0
    principal_point_mm: tuple[float, float] = (0.0, 0.0)
    falloff: tuple[float, float] | None = None


def exposure_of_luminance(lens: Optics, luminance: float, shutter_s: float, film: FilmPoints = AXIS) -> float:
    """What the equation, read forwards, exposes a ground of that luminance with: L = rho E / pi."""
    reflectance = np.pi * luminance / 133100.0
    return float(reflectance / reflectance_per_exposure(lens, shutter_s, 1.0, 133100.0, film))


def test_solar_illuminance() -> None:
    """ASTM G173-03 extraterrestrial spectrum x CIE 1924 x 683.002 lm/W = 133100.8 lx; Darula, Kittler and Gueymard 2005
    (Solar Energy 79:559) give 133334 lx, 0.2 % away."""
    light = constants("photometry")["illuminance"]["lx_1au"]
    assert light == pytest.approx(133100.8, abs=1.0)
    assert light == pytest.approx(133334.0, rel=2e-3)


@pytest.mark.parametrize(("distance_au", "gain"), [(0.983, 1.03489), (1.017, 0.96685)])
def test_sunlight_falls_with_the_square_of_distance(distance_au: float, gain: float) -> None:
    """1 / r^2, exact arithmetic printed to five decimals."""
    lens = Optics(5.6)
    near = reflectance_per_exposure(lens, 0.01, distance_au, 133100.0, AXIS)
    assert reflectance_per_exposure(lens, 0.01, 1.0, 133100.0, AXIS) / near == pytest.approx(gain, abs=1e-5)


@pytest.mark.parametrize(("reflectance", "luminance"), [(0.05, 2118.35), (0.12, 5084.05)])
def test_luminance_of_the_ground(reflectance: float, luminance: float) -> None:
    """L = E (I/F) / pi for 133100 lx, by definition of the radiance factor."""
    exposure = reflectance / reflectance_per_exposure(Optics(5.6), 0.01, 1.0, 133100.0, AXIS)
    assert exposure_of_luminance(Optics(5.6), luminance, 0.01) == pytest.approx(float(exposure), rel=1e-5)


@pytest.mark.parametrize(
    ("luminance", "f_number", "transmittance", "shutter_s", "exposure"),
    [(1000.0, 5.6, 0.9, 0.01, 0.2254013), (5000.0, 5.6, 0.8, 0.02, 2.003567)],
)
def test_camera_equation(
    luminance: float, f_number: float, transmittance: float, shutter_s: float, exposure: float
) -> None:
    """E = pi L tau / (4 N^2) for a distant object on the axis (any text on optics; seven printed digits)."""
    found = exposure_of_luminance(Optics(f_number, transmittance), luminance, shutter_s)
    assert found == pytest.approx(exposure, rel=1e-6)


def test_exposure_factor_of_the_standard() -> None:
    """ISO 12232: q = (pi/4) T f_v cos^4(theta), T 0.9, f_v 0.98, theta 10 deg -> 0.6515748; H = q L t / N^2.

    colour-hdri's worked example, L 4000, N 8, t 1/250, with 0.0015 lx s of flare added: 0.1643937.
    """
    lens = Optics(8.0, 0.9 * 0.98)
    radius = 100.0 * np.tan(np.radians(10.0))
    edge = FilmPoints(np.array(0.6 * radius), np.array(0.8 * radius))
    exposure = exposure_of_luminance(lens, 4000.0, 1 / 250, edge)
    assert exposure * 8.0**2 / (4000.0 / 250) == pytest.approx(0.6515748, rel=1e-6)
    assert exposure + 0.0015 == pytest.approx(0.1643937, rel=1e-6)
    rounded = Optics(8.0, 0.65 * 4.0 / np.pi)
    assert exposure_of_luminance(rounded, 4000.0, 1 / 250) == pytest.approx(0.1625, rel=1e-12)


def test_falloff_is_measured_from_the_principal_point() -> None:
    """1 + a1 r^2 + a2 r^4 by hand: r = 5 mm."""
    lens = Optics(4.0, principal_point_mm=(1.0, -2.0), falloff=(-1e-3, 4e-6))
    light = relative_illumination(lens, FilmPoints(np.array([1.0, 4.0]), np.array([-2.0, 2.0])))
    np.testing.assert_allclose(light, [1.0, 1.0 - 25e-3 + 625 * 4e-6], rtol=1e-14)


def test_without_a_polynomial_the_field_angle_decides() -> None:
    """The cosine that is given outweighs the one of the film point; without distortion they are one."""
    lens = Optics(4.0, principal_point_mm=(1.0, -2.0))
    film = FilmPoints(np.array([11.0, 31.0]), np.array([-2.0, 38.0]))
    cosines = np.array([1.0 / np.sqrt(1.01), 1.0 / np.sqrt(1.25)])
    np.testing.assert_allclose(relative_illumination(lens, film), cosines**4, rtol=1e-14)
    np.testing.assert_allclose(relative_illumination(lens, film, cosines), cosines**4, rtol=1e-14)
    np.testing.assert_allclose(relative_illumination(lens, film, np.array([1.0, 0.5])), [1.0, 0.0625])


def test_where_a_polynomial_leaves_no_light_there_is_no_reflectance() -> None:
    lens = Optics(4.0, falloff=(-0.01, 0.0))
    factor = reflectance_per_exposure(lens, 0.01, 1.0, 133100.0, FilmPoints(np.array([0.0, 10.0, 20.0]), np.zeros(3)))
    np.testing.assert_array_equal(np.isfinite(factor), [True, False, False])
