"""Look-alikes of reseau marks in the scene, missing marks, and bright and dark strokes: the whole sweep stage."""

from dataclasses import replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from scipy.ndimage import gaussian_filter
from simulated_strips import readers, true_sweep

from calib.coordinates import FilmPoints
from calib.frame.read import read_frame
from calib.sweep.estimate import refine
from calib.sweep.first_look import first_look
from calib.sweep.model import to_scan

HALF = 45
LINE, SAMPLE = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)


def cross(arm, width, turn_deg=0.0):
    """Coverage by two crossed strokes, sizes in px, blurred as by a readout."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    along, across = c * SAMPLE + s * LINE, c * LINE - s * SAMPLE
    strokes = [(np.abs(u) <= arm) & (np.abs(v) <= width / 2) for u, v in ((along, across), (across, along))]
    return gaussian_filter((strokes[0] | strokes[1]).astype(float), 0.8)


def rayed_crater(radius):
    """A ring with four rays."""
    ring = np.abs(np.hypot(LINE, SAMPLE) - radius) < 2
    return np.maximum(cross(30, 4), gaussian_filter(ring.astype(float), 0.8))


ALIKE = (cross(26.7, 5.3), cross(26.7, 5.3), cross(33, 7, 11), cross(22, 4, -20), rayed_crater(14))


def paint(density, at, share, value):
    """Mix a value into a window of the picture around (line, sample), whole px, in place, by its coverage."""
    low = np.array(at) - HALF
    first, stop = np.maximum(low, 0), np.minimum(low + 2 * HALF + 1, density.shape)
    if np.any(stop <= first):
        return
    place = tuple(slice(a, b) for a, b in zip(first, stop, strict=True))
    part = share[tuple(slice(a - c, b - c) for a, b, c in zip(first, stop, low, strict=True))]
    density[place] += part * (value - density[place])


def true_places(truth, k):
    """True places (line, sample) of the marks in a strip, (M, 2)."""
    at = to_scan(true_sweep(truth, k), FilmPoints(*truth.layout.marks.true_mm.T))
    return np.column_stack([at.line, at.sample])


def wrong_marks(truth, table, gone):
    """Marks used in a strip although they are missing, or found more than half a px from their true place."""
    wrong = []
    for row in np.flatnonzero(table.used):
        k, m = int(table.strip[row]), int(table.mark[row])
        off = np.array([table.line[row], table.sample[row]]) - true_places(truth, k)[m]
        if np.abs(off).max() > 0.5 or m in gone:
            wrong.append((k, m, off))
    return wrong


def test_no_look_alike_beside_a_mark_or_in_place_of_a_lost_one_is_accepted(tmp_path):
    truth = make_frame(scenario("oblique50"), tmp_path)
    frame = read_frame(tmp_path / "frame.toml")
    gone = set(range(2, len(frame.marks.ids), 6))
    whole, cover = truth.scenario.reseau.density, gaussian_filter((cross(30, 12) > 0.5).astype(float), 1.0)

    def alter(k, density, rng):
        for m, place in enumerate(true_places(truth, k)):
            at = np.rint(place).astype(int)
            if np.any(at < 0) or np.any(at >= density.shape):
                continue
            around = density[max(at[0] - 40, 0) : at[0] + 40, max(at[1] - 40, 0) : at[1] + 40]
            if m in gone:
                paint(density, at, cover, np.median(around))
            angle, distance = rng.uniform(0, 2 * np.pi), rng.uniform(12, 40)
            away = np.rint(distance * np.array([np.sin(angle), np.cos(angle)])).astype(int)
            paint(density, at + away, ALIKE[rng.integers(len(ALIKE))], whole if rng.random() < 0.7 else 1.5)

    dn, density = readers(truth, frame, alter)
    first = first_look(frame, dn)
    fit = refine(frame, density, first.sweeps)
    assert wrong_marks(truth, fit.marks, gone) == []
    whole_marks = ~np.isin(fit.marks.mark, sorted(gone))
    assert fit.marks.used[whole_marks].mean() > 0.5
    for k, sweep in enumerate(fit.sweeps):
        off = sweep.x_sample_mm + np.median(sweep.x_line_mm) - truth.strips[k].x_sample_mm
        assert np.abs(off - np.median(truth.strips[k].x_line_mm)).max() < 0.5 * frame.scan.sample_mm


@pytest.mark.parametrize("density", [0.05, 2.4])
def test_strokes_lighter_or_darker_than_all_the_film_place_the_strips(density, tmp_path):
    whole = scenario("small")
    truth = make_frame(replace(whole, reseau=replace(whole.reseau, density=density)), tmp_path)
    frame = read_frame(tmp_path / "frame.toml")
    dn, values = readers(truth, frame, lambda k, picture, rng: None)
    fit = refine(frame, values, first_look(frame, dn).sweeps)
    missing = {m for m, name in enumerate(frame.marks.ids) if truth.damaged_marks().get(name) == "missing"}
    assert wrong_marks(truth, fit.marks, missing) == []
    assert fit.marks.used.mean() > 0.8
