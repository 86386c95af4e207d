"""Pace observations: marks at few samples of wandering strips must not make the sweep stand still."""

import numpy as np
import pytest

from calib.sweep.adjust import Start, adjust, unknown_start
from calib.sweep.evidence import ARM, MARK, PACE, TIE, Observations
from calib.sweep.layout import GROUPS, StripShape, make_layout
from calib.sweep.nominal import departure, departure_variance
from calib.sweep.pace import PACE_SAMPLES, pace_weights, with_paces

N_LINES, N_SAMPLES, STRIPS = 1400, 128, 9
SPACING_PX = 4.0  # that a mark stands farther left in each strip than in the one before
NOISE_PX = 0.08
START = np.array(
    [{"common": 1e4, "slope": 37.0, "stretch": 3.7, "S": 4.0, "a": 4.0, "slope_x": 4.0, "Sk_line": 0.04, "Sk": 0.01}
     .get(name, 0.25) for name in GROUPS]
)  # fmt: skip
FREE = ("S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear")


def wander(k, line):
    """Departure in x of a strip, px: wander only, the sweep itself has none."""
    return 0.3 * np.sin(2.1 * k) + 0.9 * np.sin(line / 210 + 1.7 * k) + 0.5 * np.cos(line / 95 + 2.3 * k)


def marks(rng):
    """Marks at one or two samples of each strip. The sample is what is measured, with noise."""
    parts = []
    for k in range(STRIPS):
        at = [s for s in (36 - SPACING_PX * k, 36 - SPACING_PX * k + 116) if 4 < s < N_SAMPLES - 4]
        film, line = (part.ravel() for part in np.meshgrid(at, np.linspace(80, 1320, 9)))
        sample = film - wander(k, line) + rng.normal(0, NOISE_PX, line.size)
        parts.append(np.column_stack([np.full(line.size, k), line, sample, film - sample]))
    strip, line, sample, value = np.concatenate(parts).T
    n, zero = strip.size, np.zeros(strip.size)
    return Observations(
        np.full(n, MARK), strip.astype(np.int64), line, sample, zero, zero, np.column_stack([value, zero]),
        np.tile(np.eye(2) / NOISE_PX**2, (n, 1, 1)), np.full(n, -1), zero,
    )  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_marks_at_few_samples_do_not_make_the_sweep_stand_still(seed):
    layout = make_layout([StripShape(N_LINES, N_SAMPLES, False)] * STRIPS, [()] * STRIPS)
    evidence = marks(np.random.default_rng(seed))
    evidence, weight = with_paces(evidence, np.ones(len(evidence)))
    fit = adjust(layout, evidence, START, FREE, Start(START, unknown_start(START, 0).scale, weight))
    line, sample = (part.ravel() for part in np.meshgrid(np.linspace(0, 1399, 21), np.linspace(0, 127, 17)))
    z, error = [], []
    for k in range(STRIPS):
        error.append(departure(fit, k, line, sample)[:, 0] - wander(k, line))
        z.append(error[-1] / np.sqrt(departure_variance(fit, k, line, sample)[:, 0]))
    assert np.abs(error).max() < 3.0
    assert fit.scale[PACE] == 1.0
    assert np.sqrt(np.mean(np.square(z))) < 1.6


def test_paces_stand_where_samples_were_measured_with_the_weight_of_that_evidence():
    """An arm's length is a difference of samples, which needs no such factor."""
    n, zero = 6, np.zeros(6)
    o = Observations(
        np.array([MARK, MARK, TIE, MARK, ARM, ARM]), np.array([0, 0, 0, 1, 0, 0]), zero,
        np.array([40.0, 41.0, 120.0, 5.0, 40.0, 80.0]), zero, np.array([0.0, 0.0, 7.0, 0.0, 60.0, 100.0]),
        np.zeros((n, 2)), np.array([np.eye(2)] * 3 + [np.diag([0.0, 1.0])] + [np.diag([1.0, 0.0])] * 2),
        np.full(n, -1), np.zeros(n),
    )  # fmt: skip
    both, weight = with_paces(o, np.array([1.0, 0.5, 0.25, 1.0, 1.0, 1.0]))
    paces = both.select(both.kind == PACE)
    np.testing.assert_array_equal(paces.a, [0, 1])
    np.testing.assert_allclose(paces.sample_a, [40, 8], atol=4)
    np.testing.assert_array_equal(weight, [1.0, 0.5, 0.25, 1.0, 1.0, 1.0, 1.5, 0.25])
    assert not paces.information[:, 1].any()
    np.testing.assert_array_equal(
        pace_weights(both, np.array([1.0, 2.0, 3.0, 4.0, 10.0, 10.0, 5.0, 6.0]))[n:], [1 + 2, 3 + 4]
    )


def test_the_weight_of_a_pace_is_the_evidences_leverage_plus_its_squared_residual():
    layout = make_layout([StripShape(N_LINES, N_SAMPLES, False)] * STRIPS, [()] * STRIPS)
    evidence = marks(np.random.default_rng(4))
    evidence, weight = with_paces(evidence, np.ones(len(evidence)))
    fit = adjust(layout, evidence, START, (), Start(START, unknown_start(START, 0).scale, weight), rounds=1)
    is_pace = evidence.kind == PACE
    pull = fit.weight * (fit.residual[:, 0] ** 2 + fit.fit_cov[:, 0, 0]) / NOISE_PX**2
    for k, sample, found in zip(
        evidence.a[is_pace], evidence.sample_a[is_pace] + 0.5, fit.weight[is_pace], strict=True
    ):
        mine = ~is_pace & (evidence.a == k) & (np.abs(evidence.sample_a - sample) < PACE_SAMPLES / 2)
        assert found == pytest.approx(pull[mine].sum(), rel=1e-9)


def test_paces_start_with_the_weights_of_the_earlier_fit():
    """The weights of the evidence are far from those of the paces, and each fit would need another iteration."""
    layout = make_layout([StripShape(N_LINES, N_SAMPLES, False)] * STRIPS, [()] * STRIPS)
    known = marks(np.random.default_rng(4))
    evidence, weight = with_paces(known, np.ones(len(known)))
    fit = adjust(layout, evidence, START, (), Start(START, unknown_start(START, 0).scale, weight))
    assert np.abs(fit.weight - weight)[len(known) :].max() > 1
    again, carried = with_paces(known, fit.weight)
    assert len(again) == len(evidence)
    np.testing.assert_array_equal(carried, fit.weight)
    np.testing.assert_array_equal(
        with_paces(known, np.append(np.ones(len(known)), 7.0))[1], weight
    )  # of another number
