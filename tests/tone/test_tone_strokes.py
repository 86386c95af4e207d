"""Reseau strokes as a control of tone: the light that leaks in from beside them is taken off."""

from dataclasses import replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from calib_demo.readout import StripTruth
from calib_demo.truth import Truth
from frames import made, sweeps_of
from numpy.typing import NDArray

from calib.frame.frame import Frame
from calib.tone.cells import Cells
from calib.tone.known_film import known_film
from calib.tone.strokes import ASSUMED, Spot, Strokes, clear_strokes, gather_strokes, spot_told, stroke_sigma
from calib.tone.transfer import FirstCurve, fit_first_curve

SMALL = scenario("small")


@pytest.mark.parametrize(("density", "blur"), [(0.12, 0.7), (0.12, 1.1), (1.9, 0.5), (1.9, 0.7), (1.9, 1.1)])
def test_strokes_read_their_own_density(density: float, blur: float) -> None:
    """Strokes of 3.3 samples, lighter and darker than the ground, whatever the blur: what is left of the light from
    beside them is much the same in all strips, where one may be brighter than the other, but for their doubt; and no
    more than the sigma says that they have in common."""
    frame, truth = _frame(density, blur)
    error, doubt, sigma = _errors(frame, truth, density, ASSUMED)
    middle, most = np.mean(error), {0.12: 0.05, 1.9: 0.25}[density]
    assert abs(middle) < most
    assert abs(middle) < 3 * sigma
    assert np.all(np.abs(error - middle) < 3 * doubt)


@pytest.mark.parametrize(("density", "most"), [(0.12, 0.004), (0.35, 0.004), (1.9, 0.03)])
def test_what_leaks_is_taken_off_in_light(density: float, most: float) -> None:
    """Strokes of 3 samples, clear, gray and dark, read by a wide spot, which is known: DN are not in proportion to
    light, and would be off by several hundredths."""
    frame, truth = _frame(density, blur=0.95, width_mm=0.0225)
    error, _, sigma = _errors(frame, truth, density, _spot(frame, 0.95))
    assert abs(error.mean()) < most
    assert abs(error.mean()) < sigma < 0.1


def test_a_spot_is_as_wide_along_as_across_on_the_film_not_in_samples() -> None:
    """Lines half as far apart again as samples: upright strokes ask for the spot's width across, level ones for that
    along; either for both puts the one or the other off by several times as much."""
    blur = 0.7
    frame, truth = _frame(0.12, blur, width_mm=0.03, line_mm=1.5 * SMALL.scan.sample_mm)
    told = _spot(frame, blur)
    across, along = told.blur_px
    upright, level = _errors_of_arms(frame, truth, 0.12, told)
    assert max(abs(upright), abs(level)) < 0.001
    assert abs(_errors_of_arms(frame, truth, 0.12, Spot((across, across)))[1]) > 0.02
    assert abs(_errors_of_arms(frame, truth, 0.12, Spot((along, along)))[0]) > 0.003


def test_strokes_of_a_strip_without_a_curve_are_cleared_as_if_dn_were_light() -> None:
    frame, truth = _frame(0.12, blur=0.5)
    (strokes,) = _read(frame, truth, _spot(frame, 0.5))[:1]
    leak, dn = strokes.leak, strokes.cells.dn[:, None]
    np.testing.assert_allclose(strokes.cleared(None) * (1 - leak) + leak * strokes.ground_dn[:, None], dn * np.ones(3))


def test_nothing_is_taken_off_where_nothing_leaks() -> None:
    """Whatever the ground: also samples beyond both ends of the curve keep their DN."""
    curve = fit_first_curve(np.array([900.0, 500.0, 200.0]), np.array([0.3, 0.8, 1.8]), np.ones(3))
    dn = np.linspace(1.0, 1500.0, 40)
    cells = Cells(*np.zeros((2, 40), dtype=np.int64), *np.zeros((2, 40)), dn, np.zeros(40))
    leak = np.zeros((40, 3))
    strokes = Strokes(cells, np.zeros(40, dtype=np.int64), dn[::-1].copy(), leak, ASSUMED)
    np.testing.assert_allclose(strokes.cleared(curve), dn[:, None] + leak, rtol=1e-12)


def test_strokes_that_the_end_of_the_video_cuts_off_say_nothing() -> None:
    """What is left of their samples is not the strokes: on a frame whose shadows were clipped they read 0.3 of density
    too much. What is left of others is what they read without the end."""
    frame, truth = _frame(0.12, blur=0.5)
    (whole,) = _read(frame, truth, ASSUMED)[:1]
    (cut,) = _read(frame, truth, ASSUMED, (0, int(np.percentile(whole.cells.dn, 90))))[:1]
    kept = np.isin(whole.mark, cut.mark)
    assert 0.1 < kept.mean() < 0.9
    assert abs(cut.cells.dn.mean() - whole.cells.dn[kept].mean()) < 0.03 * whole.cells.dn.std()


def test_a_blur_that_marks_tell_takes_the_light_off() -> None:
    """Strokes told that the spot is sharp are nearer to their density than by the usual one, and doubt less."""
    blur = 0.5
    frame, truth = _frame(0.12, blur)
    usual, usual_doubt, _ = _errors(frame, truth, 0.12, ASSUMED)
    told, told_doubt, _ = _errors(frame, truth, 0.12, _spot(frame, blur))
    assert abs(told.mean()) < 0.5 * abs(usual.mean())
    assert np.all(told_doubt < usual_doubt)
    _, sure_doubt, _ = _errors(frame, truth, 0.12, Spot(ASSUMED.blur_px, 0.1 * ASSUMED.log_sigma))
    assert np.all(sure_doubt < 0.2 * usual_doubt)


def test_where_no_mark_tells_the_spot_the_usual_one_is_taken_with_its_doubt() -> None:
    assert spot_told(None) == ASSUMED
    assert spot_told((0.6, 0.7)).blur_px == (0.6, 0.7)
    assert spot_told((0.6, 0.7)).log_sigma < ASSUMED.log_sigma


def _frame(density: float, blur: float, width_mm: float = 0.025, line_mm: float = 0.0075) -> tuple[Frame, Truth]:
    """A frame with whole strokes of some density and width, read by a spot of some blur in samples."""
    reseau = replace(SMALL.reseau, density=density, width_mm=width_mm, damaged=0.0)
    tone, scan = replace(SMALL.tone, drift=0.0, blur_samples=blur), replace(SMALL.scan, line_mm=line_mm)
    return made(replace(SMALL, reseau=reseau, tone=tone, scan=scan))


def _spot(frame: Frame, blur: float) -> Spot:
    """The spot as marks would tell it, the sample with it."""
    across = float(np.hypot(blur, 12**-0.5))
    return Spot((across, across * frame.scan.sample_mm / frame.scan.line_mm))


def _read(frame: Frame, truth: Truth, spot: Spot, clip: tuple[int, int] = (0, 65535)) -> list[Strokes]:
    """What all strips read on their strokes."""
    known = known_film(frame)
    return [
        gather_strokes(strip.dn, truth.dropout_mask(strip.index), sweep, known, clip, spot)
        for strip, sweep in zip(frame.strips, sweeps_of(frame, truth, sigma=0.02), strict=True)
    ]


def _errors(frame: Frame, truth: Truth, density: float, spot: Spot) -> tuple[NDArray, NDArray, float]:
    """The strokes' mean error and its stated doubt in density, by strip, and the sigma that all have in common."""
    read, curves = _read(frame, truth, spot), _curves(truth)
    cleared = _cleared(read, curves)
    error, doubt = [], []
    for cells, true in zip(clear_strokes(read, cleared), truth.strips, strict=True):
        error.append(np.average(_error_of_cells(cells, true, density), weights=cells.count))
        doubt.append(np.sqrt(np.mean(cells.doubt_dn**2) / cells.dn.size) * true.video.density_per_dn(density))
    return np.array(error), np.array(doubt), stroke_sigma(read, curves, cleared)


def _cleared(read: list[Strokes], curves: list[FirstCurve]) -> list[NDArray]:
    return [strokes.cleared(curve) for strokes, curve in zip(read, curves, strict=True)]


def _errors_of_arms(frame: Frame, truth: Truth, density: float, spot: Spot) -> tuple[float, float]:
    """Mean error in density of upright and of level strokes: columns with many samples of a stroke, and with few."""
    read = _read(frame, truth, spot)
    cells_of = clear_strokes(read, _cleared(read, _curves(truth)))
    found = [
        (cells.count, _error_of_cells(cells, true, density)) for cells, true in zip(cells_of, truth.strips, strict=True)
    ]
    count, error = (np.concatenate(each) for each in zip(*found, strict=True))
    level = count < 10
    return float(np.average(error[~level], weights=count[~level])), float(
        np.average(error[level], weights=count[level])
    )


def _error_of_cells(cells: Cells, true: StripTruth, density: float) -> NDArray:
    """Error (N,) in density of a strip's cells by its true tone."""
    return np.asarray(true.video.density_of(cells.dn) - true.column_density[cells.sample] - density)


def _curves(truth: Truth) -> list[FirstCurve]:
    """First curves of all strips through a perfect wedge."""
    z = np.linspace(0.1, 2.2, 12)
    return [fit_first_curve(each.video.dn_of(z), z, np.ones(z.size)) for each in truth.strips]
