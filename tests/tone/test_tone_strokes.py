"""Reseau strokes as a control of tone: the light that leaks in from beside them is taken off."""

from dataclasses import replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from frames import made, sweeps_of

from calib.tone.known_film import known_film
from calib.tone.strokes import gather_strokes

SMALL = scenario("small")


@pytest.mark.parametrize("density", [0.12, 1.9])
def test_strokes_read_their_own_density(density: float) -> None:
    """Strokes of 3.3 samples, lighter and darker than the ground: what leaks in is taken off but for its doubt."""
    reseau = replace(SMALL.reseau, density=density, width_mm=0.025, damaged=0.0)
    frame, truth = made(replace(SMALL, reseau=reseau, tone=replace(SMALL.tone, drift=0.0)))
    sweep, known = sweeps_of(frame, truth, sigma=0.02)[1], known_film(frame)
    strip, video = frame.strips[1], truth.strips[1].video
    cells, _ = gather_strokes(strip.dn, truth.dropout_mask(1), sweep, known, (0, 65535))
    banding = truth.strips[1].column_density[cells.sample]
    error = np.average(video.density_of(cells.dn) - banding, weights=cells.count) - density
    doubt = np.average(cells.doubt_dn * video.density_per_dn(density + banding), weights=cells.count)
    assert cells.dn.size > 50
    assert abs(error) < doubt
    assert abs(error) < 0.03  # 0.08 too light on dense strokes where nothing is taken off
