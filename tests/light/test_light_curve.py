"""The characteristic curve: exact both ways for every legal set of knots."""

import numpy as np
import pytest
from check_tables import columns_of
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from calib.light.curve import density_of, exposure_of, film_curve, log_exposure_of, slope_of

# A negative film of our own: toe, straight part of gamma 0.9, shoulder.
LOG_EXPOSURE = (-3.0, -2.6, -2.2, -1.8, -1.4, -1.0, -0.6, -0.2, 0.2)
DENSITY = (0.20, 0.215, 0.26, 0.42, 0.74, 1.10, 1.46, 1.70, 1.80)


@st.composite
def knots(draw: st.DrawFn) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Any legal curve: 2 to 20 knots, steps of very unequal size, rising or falling."""
    count = draw(st.integers(1, 19))
    steps = st.lists(st.floats(0.01, 1.0), min_size=count, max_size=count)
    x = draw(st.floats(-4.0, 1.0)) + np.concatenate([[0.0], np.cumsum(draw(steps))])
    rises = st.lists(st.floats(1e-4, 1.0), min_size=count, max_size=count)
    y = 0.05 + np.concatenate([[0.0], np.cumsum(draw(rises))])
    return x, y if draw(st.booleans()) else y[::-1].copy()


@settings(deadline=None)
@given(knots())
def test_the_cubic_is_the_published_one(curve_knots: tuple[NDArray[np.float64], NDArray[np.float64]]) -> None:
    """scipy's own evaluation of Fritsch and Butland's interpolant, also where the knots are reversed."""
    x, y = curve_knots
    at = np.linspace(x[0], x[-1], 301)
    np.testing.assert_allclose(density_of(film_curve(x, y), at), PchipInterpolator(x, y)(at), rtol=0, atol=1e-12)


@settings(deadline=None)
@given(knots())
def test_there_and_back(curve_knots: tuple[NDArray[np.float64], NDArray[np.float64]]) -> None:
    """Density -> log exposure -> density to rounding (of the exposure, times a slope of up to 300); and the other way.

    Log exposure to 1e-7 wherever a rounding of the density does not already mean more than that.
    """
    x, y = curve_knots
    curve = film_curve(x, y)
    density = np.linspace(*curve.span, 501)
    back = log_exposure_of(curve, density)
    np.testing.assert_allclose(density_of(curve, back), density, rtol=0, atol=1e-12)
    assert (np.diff(back) * np.sign(y[-1] - y[0]) > 0).all()
    log_exposure = np.linspace(x[0], x[-1], 501)[1:-1]
    of = density_of(curve, log_exposure)
    known = np.abs(slope_of(curve, of)) < 1e6
    np.testing.assert_allclose(log_exposure_of(curve, of)[known], log_exposure[known], rtol=0, atol=1e-7)


@settings(deadline=None)
@given(knots())
@example((np.array([0.0, 1.0, 1.03125, 1.90625]), np.array([0.05, 1.05, 1.55, 2.55])))  # flat at its end
@example((np.array([-0.7, 0.3, 0.33, 1.17]), np.array([0.07, 1.03, 1.61, 2.57])))
def test_knots_are_met_exactly_and_nothing_lies_beyond(
    curve_knots: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> None:
    x, y = curve_knots
    curve = film_curve(x, y)
    np.testing.assert_allclose(log_exposure_of(curve, y), x, rtol=0, atol=1e-12)
    low, high = curve.span
    beyond = [np.nextafter(low, -np.inf), np.nextafter(high, np.inf), -np.inf, np.inf, np.nan]
    assert np.isnan(log_exposure_of(curve, beyond)).all()
    assert np.isnan(slope_of(curve, beyond)).all()
    assert np.isnan(exposure_of(curve, beyond)).all()
    assert np.isnan(density_of(curve, [np.nextafter(x[0], -np.inf), np.nextafter(x[-1], np.inf), np.nan])).all()


@settings(deadline=None)
@given(knots())
def test_slope_is_the_derivative_of_the_inverse(
    curve_knots: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> None:
    """Against scipy's derivative of the cubic at the same place."""
    x, y = curve_knots
    curve = film_curve(x, y)
    inner = np.linspace(*curve.span, 103)[1:-1]
    expected = 1.0 / PchipInterpolator(x, y).derivative()(log_exposure_of(curve, inner))
    near = np.abs(expected) < 1e4  # where the cubic is flat, both are differences of nearly equal numbers
    np.testing.assert_allclose(slope_of(curve, inner)[near], expected[near], rtol=1e-6)


def test_a_value_does_not_depend_on_its_neighbours() -> None:
    """Same bytes alone, in a row, or in an image: products must not depend on the division into blocks."""
    curve = film_curve(LOG_EXPOSURE, DENSITY)
    image = np.linspace(0.15, 1.85, 200_000).reshape(400, 500)
    whole = log_exposure_of(curve, image)
    assert whole.shape == image.shape
    np.testing.assert_array_equal(whole[37], log_exposure_of(curve, image[37]))
    alone = [float(log_exposure_of(curve, value)) for value in image[37, ::50]]
    np.testing.assert_array_equal(whole[37, ::50], alone)


def test_straight_line_of_hurter_and_driffield() -> None:
    """Hurter and Driffield 1890: D = gamma (log H - log i), gamma 0.70, log i -1.20."""
    curve = film_curve((-1.2, 1.5), (0.0, 0.7 * 2.7))
    density = [0.28, 0.49, 0.84, 1.19, 1.54]
    np.testing.assert_allclose(log_exposure_of(curve, density), [-0.8, -0.5, 0.0, 0.5, 1.0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(slope_of(curve, density), 1.0 / 0.7, rtol=1e-12)


def test_one_stop_is_0_3010300_in_density_at_gamma_1() -> None:
    """log10 2 = 0.3010300, seven digits of any table of logarithms: 1.2e-7 of the exposure for half a last digit."""
    curve = film_curve((-2.0, 1.0), (0.0, 3.0))
    assert exposure_of(curve, 1.3010300) / exposure_of(curve, 1.0) == pytest.approx(2.0, rel=1.2e-7)


def test_a_positive_of_gamma_one_copies_transmittance() -> None:
    """ISO 5-1, D = -log10 T: on a falling straight curve through the origin the exposure is the transmittance."""
    density, transmittance = columns_of("density_transmittance", "density", "transmittance")
    curve = film_curve((-4.0, 0.0), (4.0, 0.0))
    np.testing.assert_allclose(exposure_of(curve, density), transmittance, rtol=1e-9)  # nine printed digits


def test_a_step_tablet_copied_onto_a_straight_film() -> None:
    """21-step tablet, 0.15 a step: behind step n the film receives that much less light, and says so."""
    density, below = columns_of("step_tablet", "density", "log_exposure_below_step_1")
    curve = film_curve((-4.0, 1.0), (0.1, 4.1))
    copied = density_of(curve, 0.5 - density)
    np.testing.assert_allclose(log_exposure_of(curve, copied), (0.5 - density[0]) - below, rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    ("log_exposure", "density", "message"),
    [
        ((0.0,), (1.0,), "two lists of equal length >= 2"),
        ((0.0, 1.0), (1.0, 2.0, 3.0), "two lists of equal length >= 2"),
        ((0.0, 1.0), (1.0, np.nan), "must be finite"),
        ((0.0, 0.0), (1.0, 2.0), "must rise"),
        ((0.0, 1.0, 2.0), (1.0, 2.0, 2.0), "density must rise or fall"),
        ((0.0, 1.0, 2.0), (1.0, 2.0, 1.5), "density must rise or fall"),
    ],
)
def test_knots_that_make_no_curve_are_refused(
    log_exposure: tuple[float, ...], density: tuple[float, ...], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        film_curve(log_exposure, density)
