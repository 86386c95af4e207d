"""Reseau strokes as a control of tone: the light that leaks in from beside them is taken off."""

from dataclasses import replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from calib_demo.truth import Truth
from frames import made, sweeps_of
from numpy.typing import NDArray

from calib.frame.frame import Frame
from calib.tone.known_film import known_film
from calib.tone.strokes import ASSUMED, Spot, clear_strokes, gather_strokes, spot_told, stroke_sigma
from calib.tone.transfer import fit_first_curve

SMALL = scenario("small")


@pytest.mark.parametrize(("density", "blur"), [(0.12, 0.7), (0.12, 1.1), (1.9, 0.5), (1.9, 0.7), (1.9, 1.1)])
def test_strokes_read_their_own_density(density: float, blur: float) -> None:
    """Strokes of 3.3 samples, lighter and darker than the ground, whatever the blur: what is left of the light from
    beside them is much the same in all strips, where one may be brighter than the other, but for their doubt; and no
    more than the sigma says that they have in common."""
    reseau = replace(SMALL.reseau, density=density, width_mm=0.025, damaged=0.0)
    frame, truth = made(replace(SMALL, reseau=reseau, tone=replace(SMALL.tone, drift=0.0, blur_samples=blur)))
    error, doubt, sigma = _errors(frame, truth, density, ASSUMED)
    middle, most = np.mean(error), {0.12: 0.04, 1.9: 0.25}[density]
    assert abs(middle) < most
    assert abs(middle) < 2 * sigma
    assert np.all(np.abs(error - middle) < 3 * doubt)


def test_a_blur_that_marks_tell_takes_the_light_off() -> None:
    """Strokes told that the spot is sharp are nearer to their density than by the usual one, and doubt less."""
    blur = 0.5
    reseau = replace(SMALL.reseau, density=0.12, width_mm=0.025, damaged=0.0)
    frame, truth = made(replace(SMALL, reseau=reseau, tone=replace(SMALL.tone, drift=0.0, blur_samples=blur)))
    usual, usual_doubt, _ = _errors(frame, truth, 0.12, ASSUMED)
    told, told_doubt, _ = _errors(frame, truth, 0.12, Spot(float(np.hypot(blur, 12**-0.5))))
    assert abs(told.mean()) < 0.5 * abs(usual.mean())
    assert np.all(told_doubt < usual_doubt)
    _, sure_doubt, _ = _errors(frame, truth, 0.12, Spot(ASSUMED.blur_px, 0.1 * ASSUMED.log_sigma))
    assert np.all(sure_doubt < 0.2 * usual_doubt)


def test_where_no_mark_tells_the_spot_the_usual_one_is_taken_with_its_doubt() -> None:
    assert spot_told(None) == ASSUMED
    assert spot_told(0.6).blur_px == 0.6
    assert spot_told(0.6).log_sigma < ASSUMED.log_sigma


def _errors(frame: Frame, truth: Truth, density: float, spot: Spot) -> tuple[NDArray, NDArray, float]:
    """The strokes' mean error and its stated doubt in density, by strip, and the sigma that all have in common."""
    sweeps, known = sweeps_of(frame, truth, sigma=0.02), known_film(frame)
    read = [
        gather_strokes(strip.dn, truth.dropout_mask(strip.index), sweep, known, (0, 65535), spot)
        for strip, sweep in zip(frame.strips, sweeps, strict=True)
    ]
    z, video = np.linspace(0.1, 2.2, 12), truth.strips[0].video
    curve = fit_first_curve(video.dn_of(z), z, np.ones(z.size))
    sigma = stroke_sigma(known, curve, read, frame.scan.sample_mm)
    error, doubt = [], []
    for cells, true in zip(clear_strokes(read), truth.strips, strict=True):
        density_read = float(true.video.density_of(np.average(cells.dn, weights=cells.count)))
        error.append(density_read - true.column_density[cells.sample].mean() - density)
        doubt.append(np.sqrt(np.mean(cells.doubt_dn**2) / cells.dn.size) * true.video.density_per_dn(density))
    return np.array(error), np.array(doubt), sigma
