"""First curves, correction splines, and the monotone tables made of them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.tone.tables import monotone
from calib.tone.transfer import CorrectionBasis, FirstCurve, fit_first_curve, rise_at, splines

WEDGE = np.linspace(0.2, 2.2, 12)
curves = st.builds(
    FirstCurve,
    dark=st.floats(50, 5000),
    gain=st.floats(1e4, 5e4),
    exponent=st.floats(0.4, 2.0),
    bend=st.floats(0.0, 4.0),
    deepest=st.just(2.55),
    lightest=st.just(-0.15),
)


@given(curves, st.booleans())
def test_density_is_monotone_in_dn_over_the_whole_scale(curve: FirstCurve, falls: bool) -> None:
    """A table of any first curve never turns back, not even where it is continued past its ends."""
    if falls:
        curve = FirstCurve(62000.0, -curve.gain, curve.exponent, curve.bend, 2.55, -0.15)
    steps = np.diff(curve.density_of(np.arange(65536.0)))
    assert np.all(steps > 0) if curve.is_rising else np.all(steps < 0)
    assert curve.is_rising == falls


@given(curves)
def test_density_of_is_the_inverse_of_dn_of(curve: FirstCurve) -> None:
    """There and back within the curve's range."""
    density = np.linspace(-0.1, 2.5, 50)
    np.testing.assert_allclose(curve.density_of(curve.dn_of(density)), density, atol=1e-7)


@given(curves)
def test_slope_and_curvature_are_the_derivatives(curve: FirstCurve) -> None:
    """Derivatives against finite differences of the curve itself."""
    density, step = np.linspace(0.1, 2.0, 9), 1e-4
    numeric = (curve.dn_of(density + step) - curve.dn_of(density - step)) / (2 * step)
    np.testing.assert_allclose(curve.slope(density), numeric, rtol=1e-5)
    dn = curve.dn_of(density)
    reach = 1e-3 * np.abs(curve.slope(density))
    second = curve.density_of(dn + reach) - 2 * density + curve.density_of(dn - reach)
    np.testing.assert_allclose(curve.curvature(density), second / reach**2, rtol=2e-3)


@pytest.mark.parametrize("bent", ["linear", "gamma", "toe and shoulder"])
@pytest.mark.parametrize("falls", [False, True])
def test_a_wedge_gives_its_curve(bent: str, falls: bool) -> None:
    """Near linear and strongly bent video chains are met to 0.01 in density by the first curve already."""
    light = 10.0**-WEDGE
    share = {"linear": light, "gamma": light**0.45, "toe and shoulder": 1.6 * light**1.3 / (0.6 + light**1.3)}[bent]
    dn = 60000 - 52000 * share if falls else 2500 + 52000 * share
    curve = fit_first_curve(dn, WEDGE, np.full(WEDGE.size, 2.0))
    np.testing.assert_allclose(curve.density_of(dn), WEDGE, atol=0.01)


def test_one_wrong_patch_does_not_bend_the_curve() -> None:
    """A patch read at its neighbour's DN moves the others by less than the wedge's own tolerance."""
    dn = 2500 + 52000 * 10.0**-WEDGE
    wrong = dn.copy()
    wrong[5] = dn[4]
    curve = fit_first_curve(wrong, WEDGE, np.full(WEDGE.size, 2.0))
    others = np.arange(WEDGE.size) != 5
    np.testing.assert_allclose(curve.density_of(dn)[others], WEDGE[others], atol=0.01)


def test_a_wedge_of_one_tone_gives_no_curve() -> None:
    """Two different densities are the least; the message says so."""
    with pytest.raises(ValueError, match="two patches of different density"):
        fit_first_curve(np.array([5.0, 5.0]), np.array([0.3, 0.3]), np.ones(2))


def test_splines_sum_to_one_and_their_roughness_is_the_integral() -> None:
    """For f = z^2 on 0..2 the integral of f''^2 is 8; a straight line has none."""
    basis = CorrectionBasis(0.0, 2.0, 15)
    z = np.linspace(0, 2, 201)
    np.testing.assert_allclose(basis.matrix(z).sum(axis=1), 1.0, atol=1e-12)
    square = np.linalg.lstsq(basis.matrix(z), z**2, rcond=None)[0]
    line = np.linalg.lstsq(basis.matrix(z), 3 * z - 1, rcond=None)[0]
    assert square @ basis.roughness() @ square == pytest.approx(8.0, rel=1e-9)
    assert abs(line @ basis.roughness() @ line) < 1e-9


@given(st.lists(st.floats(-1, 4), min_size=2, max_size=80), st.booleans())
def test_tables_are_made_monotone_and_left_alone_where_they_are(values: list[float], rising: bool) -> None:
    """Whatever a fit gives, the table never turns back; one that does not is unchanged."""
    table = np.array(values)
    made = monotone(table, rising)
    steps = np.diff(made) if rising else -np.diff(made)
    assert np.all(steps >= 0)
    ordered = np.sort(table) if rising else np.sort(table)[::-1]
    np.testing.assert_array_equal(monotone(ordered, rising), ordered)


def test_the_slope_of_splines_is_that_of_the_function_they_make() -> None:
    """Of a cubic between the ends; beyond them it goes on straight, for values and for the splines of rows alike."""
    basis = CorrectionBasis(0.0, 2.0, 15)
    inside, beyond = np.linspace(0.0, 2.0, 203)[1:-1], np.array([-0.3, 2.5])
    weights = np.linalg.lstsq(basis.matrix(inside), inside**3 - inside, rcond=None)[0]
    pieces = basis.pieces(weights)
    np.testing.assert_allclose([rise_at(z, 0.0, 2.0, pieces) for z in inside], 3 * inside**2 - 1, atol=1e-9)
    np.testing.assert_allclose([rise_at(z, 0.0, 2.0, pieces) for z in beyond], [-1.0, 11.0], atol=1e-9)
    np.testing.assert_allclose(basis.curve(beyond, weights), [0.3, 6.0 + 0.5 * 11.0], atol=1e-9)
    for z in (*beyond, 0.7):
        first, four = splines(z, 0.0, 2.0, 15)
        assert weights[first : first + 4] @ four == pytest.approx(basis.curve(np.array([z]), weights)[0], abs=1e-9)
    assert weights @ basis.mean_slope() == pytest.approx(np.polyfit(np.arange(15) * 2.0 / 12, weights, 1)[0])


@given(curves)
def test_the_derivatives_of_a_curve_are_those_of_its_law(curve: FirstCurve) -> None:
    """By differences of the density itself; beyond its ends a curve is straight."""
    density = np.linspace(0.0, 2.4, 25)
    dn = curve.dn_of(density)
    per_dn, turn = curve.derivatives(density)
    np.testing.assert_allclose(per_dn, 1.0 / np.abs(curve.slope(density)), rtol=1e-12)
    step = 1e-4 / per_dn
    around = np.stack([curve.density_of(dn + shift * step) for shift in (-1, 0, 1)])
    np.testing.assert_allclose(
        turn, (around[0] - 2 * around[1] + around[2]) / step**2, rtol=1e-2, atol=1e-3 * per_dn.max() ** 2
    )
    assert (curve.derivatives(np.array([-0.2, 2.6]))[1] == 0.0).all()
