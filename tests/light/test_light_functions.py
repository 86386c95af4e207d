"""Photometric functions: published values, other programs, and the laws that hold for all of them."""

import numpy as np
import pytest
from check_tables import columns_of
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calib.light import functions, hapke
from calib.light.functions import DEFAULT_MODEL, MODELS, evaluate, to_standard
from calib.published import constants

Array = NDArray[np.float64]
TWELVE = columns_of("disk_functions", "i_deg", "e_deg", "g_deg")
ANGLE = st.floats(0.0, 89.5)


@st.composite
def geometries(draw: st.DrawFn) -> tuple[float, float, float]:
    """Incidence, emission and a phase that a triangle of directions can have, short of 175 degrees."""
    i, e = draw(ANGLE), draw(ANGLE)
    part = draw(st.floats(0.0, 1.0))
    return i, e, min(abs(i - e) + part * (i + e - abs(i - e)), 175.0)


def multiple_2002(x: Array, albedo: float) -> Array:
    """Hapke 2002 (Icarus 157:523), the second approximation to the H function."""
    gamma = np.sqrt(1.0 - albedo)
    r0 = (1.0 - gamma) / (1.0 + gamma)
    return 1.0 / (1.0 - albedo * x * (r0 + (1.0 - 2.0 * r0 * x) / 2.0 * np.log((1.0 + x) / x)))


def two_lobes(g: Array) -> Array:
    """Double Henyey-Greenstein function, b = 0.26, c = 0.30."""
    b, c = 0.26, 0.30
    back = (1.0 - b * b) / (1.0 - 2.0 * b * np.cos(g) + b * b) ** 1.5
    forward = (1.0 - b * b) / (1.0 + 2.0 * b * np.cos(g) + b * b) ** 1.5
    return (1.0 + c) / 2.0 * back + (1.0 - c) / 2.0 * forward


@pytest.mark.parametrize("name", ["lommel-seeliger", "lunar-lambert", "akimov", "hapke"])
def test_twelve_geometries(name: str) -> None:
    """Eight printed decimals; the sources stand at the head of the table."""
    (expected,) = columns_of("disk_functions", name)
    np.testing.assert_allclose(evaluate(name, *TWELVE), expected, rtol=0, atol=6e-9)


def test_hapke_without_roughness_and_with_the_later_h_function() -> None:
    i, e, g = np.radians(TWELVE)
    smooth, later = columns_of("disk_functions", "hapke_smooth", "hapke_2002")
    amplitude = 0.71 / (0.21 * 1.68)
    particle = hapke.legendre(0.29, 0.39)
    soil = hapke.Soil(0.21, amplitude, 0.07, 0.0)
    found = hapke.radiance_factor(i, e, g, soil, particle, hapke.multiple_1981)
    np.testing.assert_allclose(found, smooth, rtol=0, atol=6e-9)
    soil = hapke.Soil(0.21, amplitude, 0.07, np.radians(20.0))
    found = hapke.radiance_factor(i, e, g, soil, particle, multiple_2002)
    np.testing.assert_allclose(found, later, rtol=0, atol=6e-9)


def test_hapke_agrees_with_an_independent_renderer() -> None:
    """Ten printed decimals, 12 geometries, smooth and rough (source: head of the table)."""
    names = ("roughness_deg", "i_deg", "e_deg", "g_deg", "radiance_factor")
    roughness, i, e, g, expected = columns_of("hapke_renderer", *names)
    for row in range(expected.size):
        soil = hapke.Soil(0.33, 1.2, 0.06, np.radians(roughness[row]))
        angles = np.radians([i[row], e[row], g[row]])
        found = hapke.radiance_factor(*angles, soil, two_lobes, multiple_2002)
        assert found == pytest.approx(expected[row], abs=6e-11)


@pytest.mark.parametrize(("slope_deg", "expected"), [(0.0, 0.13639), (20.0, 0.13632)])
def test_hapke_geometric_albedo(slope_deg: float, expected: float) -> None:
    """Disk at zero phase by quadrature; without roughness Hapke's closed form (1981) gives 0.13661, within 0.3 %."""
    i, weight = np.polynomial.legendre.leggauss(400)
    i = (i + 1.0) * np.pi / 4.0
    soil = hapke.Soil(0.21, 0.71 / (0.21 * 1.68), 0.07, np.radians(slope_deg))
    bright = hapke.radiance_factor(i, i, np.zeros_like(i), soil, hapke.legendre(0.29, 0.39), hapke.multiple_1981)
    albedo = 2.0 * np.sum(weight * np.pi / 4.0 * bright * np.cos(i) * np.sin(i))
    assert albedo == pytest.approx(expected, abs=6e-6)
    r0 = (1.0 - np.sqrt(0.79)) / (1.0 + np.sqrt(0.79))
    closed = r0 * (0.5 + r0 / 6.0) + 0.21 / 8.0 * ((1.0 + soil.surge_amplitude) * 1.68 - 1.0)
    assert albedo == pytest.approx(closed, rel=3e-3)


def test_limb_darkening_is_the_published_cubic_while_it_is_positive() -> None:
    """Read back from the function at e = 0, i = g: f = L 2 mu0/(mu0 + 1) + (1 - L) mu0."""
    phase, expected = columns_of("limb_darkening", "phase_deg", "limb_darkening")
    for g, limb in zip(phase, expected, strict=True):
        if 0.0 < g < 175.0:
            i = e = max(g / 2.0, 60.0)
            mu0 = np.cos(np.radians(i))
            found = (float(evaluate("lunar-lambert", i, e, g)) - mu0) / (1.0 - mu0)
            assert found == pytest.approx(max(limb, 0.0), abs=1e-6)


def test_whole_disk_brightness_is_the_published_one() -> None:
    """Waxing and waning differ by odd terms in the Sun's longitude only: their geometric mean is the curve without."""
    phase, expected = columns_of("disk_reflectance", "signed_phase_deg", "disk_reflectance")
    published = dict(zip(phase, expected, strict=True))
    for g in phase[phase > 0.0]:
        mean = np.sqrt(published[g] * published[-g])
        assert functions.disk_reflectance(np.radians(g)) == pytest.approx(mean, abs=1e-6)


@pytest.mark.parametrize("phase_deg", [1.0, 30.0, 75.0, 97.0, 130.0])
def test_the_default_spread_over_the_disk_gives_the_published_brightness(phase_deg: float) -> None:
    """The disk is integrated here in photometric longitude and latitude, the closed form is not used."""
    g = np.radians(phase_deg)
    node, weight = np.polynomial.legendre.leggauss(120)
    lon = g / 2.0 + node[:, None] * (np.pi - g) / 2.0
    lat = node[None, :] * np.pi / 2.0
    i = np.degrees(np.arccos(np.cos(lat) * np.cos(lon - g)))
    e = np.degrees(np.arccos(np.cos(lat) * np.cos(lon)))
    seen = np.cos(lat) * np.cos(lon) * np.cos(lat) * weight[:, None] * weight[None, :]
    whole = np.sum(evaluate(DEFAULT_MODEL, i, e, phase_deg) * seen) * (np.pi - g) / 2.0 * np.pi / 2.0 / np.pi
    assert whole == pytest.approx(float(functions.disk_reflectance(g)), rel=1e-4)


def test_beyond_the_observed_phases_the_curve_follows_the_visual_law() -> None:
    """0.026 g + 4e-9 g^4 magnitudes (Allen 1976, Astrophysical Quantities, from memory), 10 to 130 degrees: 4 %."""
    g = np.arange(10.0, 131.0, 5.0)
    law = 10.0 ** (-0.4 * (0.026 * g + 4e-9 * g**4))
    ratio = functions.disk_reflectance(np.radians(g)) / law
    np.testing.assert_allclose(ratio / ratio[g == 60.0], 1.0, rtol=0, atol=0.04)


@pytest.mark.parametrize("name", ["akimov-phase-curve", "hapke"])
def test_functions_with_a_phase_curve_dim_with_phase(name: str) -> None:
    """At i = e = g/2 and at e = 0 alike, without end or turn up to 150 degrees (the held curve included)."""
    g = np.arange(0.0, 151.0, 1.0)
    assert MODELS[name].has_phase_curve
    assert (np.diff(evaluate(name, g / 2.0, g / 2.0, g)) <= 1e-15).all()  # a rounding, where the curve is held
    low = g[g < 89.0]
    assert (np.diff(evaluate(name, low, np.zeros_like(low), low)) < 0.0).all()


@pytest.mark.parametrize("name", sorted(MODELS))
@settings(deadline=None)
@given(geometries())
def test_reciprocity(name: str, geometry: tuple[float, float, float]) -> None:
    """Helmholtz: I/F divided by mu0 is the same when Sun and camera change places."""
    i, e, g = geometry
    forth = float(evaluate(name, i, e, g)) / np.cos(np.radians(i))
    back = float(evaluate(name, e, i, g)) / np.cos(np.radians(e))
    assert forth == pytest.approx(back, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("name", sorted(MODELS))
@settings(deadline=None)
@given(geometries())
def test_always_finite_and_never_negative(name: str, geometry: tuple[float, float, float]) -> None:
    value = float(evaluate(name, *geometry))
    assert np.isfinite(value)
    assert value >= 0.0


@pytest.mark.parametrize("name", sorted(MODELS))
def test_the_factor_is_1_at_standard_geometry_and_nan_at_horizons(name: str) -> None:
    assert to_standard(name, 30.0, 0.0, 30.0) == pytest.approx(1.0, rel=1e-15)
    beyond = to_standard(name, [90.0, 30.0, 95.0, np.nan, 30.0], [0.0, 90.0, 10.0, 0.0, 0.0], [90, 60, 90, 0, np.nan])
    assert np.isnan(beyond).all()
    i, e, g = TWELVE
    product = to_standard(name, i, e, g) * evaluate(name, i, e, g)
    np.testing.assert_allclose(product, evaluate(name, 30.0, 0.0, 30.0), rtol=1e-14)


@pytest.mark.parametrize("name", sorted(MODELS))
def test_rounded_angles_change_little(name: str) -> None:
    """Angles kept in float32 may break the triangle by a rounding, most of all at zero phase and in one plane."""
    angles = [[30.0, 30.0, 0.0], [60.0, 60.0, 1e-3], [20.0, 70.0, 50.0], [45.0, 40.0, 85.0], [89.0, 1.0, 90.0]]
    i, e, g = np.array(angles).T
    exact = evaluate(name, i, e, g)
    for shift in (-4e-6, 4e-6):
        np.testing.assert_allclose(evaluate(name, i, e, np.maximum(g + shift, 0.0)), exact, rtol=1e-4)


def test_every_model_names_its_source_and_an_unknown_one_is_refused() -> None:
    assert DEFAULT_MODEL in MODELS
    for model in MODELS.values():
        assert any(character.isdigit() for character in model.source)
    published = constants("photometry")
    assert published["phase_curve"]["source"] in MODELS[DEFAULT_MODEL].source
    with pytest.raises(ValueError, match="'minnaert': expected one of akimov-phase-curve, akimov, hapke"):
        to_standard("minnaert", 30.0, 0.0, 30.0)
