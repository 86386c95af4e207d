"""Reseau strokes as a control of tone: the light that leaks in from beside them is taken off."""

from dataclasses import replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from frames import made, sweeps_of

from calib.tone.known_film import known_film
from calib.tone.strokes import clear_strokes, gather_strokes, stroke_sigma
from calib.tone.transfer import fit_first_curve

SMALL = scenario("small")


@pytest.mark.parametrize(("density", "blur"), [(0.12, 0.7), (0.12, 1.1), (1.9, 0.5), (1.9, 0.7), (1.9, 1.1)])
def test_strokes_read_their_own_density(density: float, blur: float) -> None:
    """Strokes of 3.3 samples, lighter and darker than the ground, whatever the blur: what is left of the light from
    beside them is much the same in all strips, where one may be brighter than the other, but for their doubt; and no
    more than the sigma says that they have in common."""
    reseau = replace(SMALL.reseau, density=density, width_mm=0.025, damaged=0.0)
    frame, truth = made(replace(SMALL, reseau=reseau, tone=replace(SMALL.tone, drift=0.0, blur_samples=blur)))
    sweeps, known = sweeps_of(frame, truth, sigma=0.02), known_film(frame)
    read = [
        gather_strokes(strip.dn, truth.dropout_mask(strip.index), sweep, known, (0, 65535))
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
    middle, most = np.mean(error), {0.12: 0.04, 1.9: 0.25}[density]
    assert abs(middle) < most
    assert abs(middle) < 2 * sigma
    assert np.all(np.abs(np.array(error) - middle) < 3 * np.array(doubt))
