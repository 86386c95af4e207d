"""A strip whose wedge and overlaps no curve brings together: it does not bend the others' curves, and says so."""

from types import SimpleNamespace

import numpy as np
import pytest
from frames import altered, fit, fit_of_made, made

from calib.tone import contradiction
from calib.tone.adjust import Evidence
from calib.tone.contradiction import LEAST, KnownFilmFit, counted_once, is_stale, strips_that_contradict
from calib.tone.drift import drift_variances, stretches
from calib.tone.transfer import fit_first_curve

SMEARED = 1


def smeared(strip: int, dn: np.ndarray) -> np.ndarray:
    """Bright samples smear along the lines of one strip."""
    if strip != SMEARED:
        return dn
    light, tail = dn.astype(float) - np.quantile(dn, 0.1), np.zeros(len(dn))
    out = dn.astype(float)
    for sample in range(dn.shape[1]):
        out[:, sample] += tail
        tail = 0.985 * tail + 0.008 * np.maximum(light[:, sample], 0)
    return np.clip(out, 0, 65_535).astype(dn.dtype)


def test_a_smeared_strip_does_not_bend_the_curves_of_the_others() -> None:
    """One was bent by 0.014, on another frame all by 0.04: a bend that all share leaves other overlaps as they are."""
    frame, truth = made()
    found, whole = fit(altered(frame, smeared), truth), fit_of_made()
    (said,) = (said for said in found.warnings if "contradict each other" in said.text)
    assert said.strips == (1,)
    assert said.text.startswith("its wedge and its overlaps contradict each other by 0.")
    assert not any("contradict each other" in said.text for said in whole.warnings)
    for k, (one, other) in enumerate(zip(found.strips, whole.strips, strict=True)):
        dn = np.linspace(*one.dn_span, 200).astype(int)[20:-20]
        if k == SMEARED:
            assert np.median(one.curve_sigma[dn]) > 3 * LEAST
        else:
            assert np.median(np.abs(one.density_of_dn[dn] - other.density_of_dn[dn])) < 0.004
            assert np.median(one.curve_sigma[dn]) < LEAST


def overlaps(count: int) -> list[Evidence]:
    """Evidence of overlaps, as far as it is asked for."""
    sigma = np.full(400, 0.01)
    sides = [tuple(SimpleNamespace(strip=k) for k in (first, first + 1)) for first in range(count)]
    return [Evidence(pair, None, None, None, (), None, sigma) for pair in sides]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("off", "stale", "blamed"),
    [
        ([0.004, 0.25, 0.2, 0.006], (), {2: 0.25}),
        ([0.004, 0.25, 0.2], (), {2: 0.25}),
        ([0.004, 0.025, 0.02, 0.006], (), {}),  # no more than drift may be wrong by
        ([0.06, 0.09, 0.08, 0.06, 0.07], (), {}),  # as most are
        ([0.01, 0.014, 0.086, 0.004, 0.092], (), {}),  # of each strip one overlap agrees
        ([0.004, 0.005, 0.003, 0.25], (), {4: 0.25}),  # the one before is borne out by its other overlap
        ([0.25, 0.004], (), {0: 0.25}),
        ([0.004, 0.005, 0.003, 0.05], (), {}),  # with a single overlap more is asked
        ([0.25, 0.2, 0.004, 0.005], (), {1: 0.25}),  # the edge's neighbour
        ([0.004, 0.003, 0.005, 0.25], (3,), {}),  # whether the one before is borne out is not known
        ([0.004, 0.25, 0.2, 0.006], (2,), {}),  # by a curve that is no longer its own
        ([0.25, 0.2], (), {}),  # nothing tells how far off overlaps are
    ],
)
def test_all_overlaps_of_a_strip_must_be_far_off(
    monkeypatch: pytest.MonkeyPatch, off: list[float], stale: tuple[int, ...], blamed: dict[int, float]
) -> None:
    monkeypatch.setattr(contradiction, "_off", lambda curves, each, alone: (off[each.strip],) * 2)
    n_strips = len(off) + 1
    curves = SimpleNamespace(n_lines=(100,) * n_strips)
    alone = KnownFilmFit(None, None, [k in stale for k in range(n_strips)])  # type: ignore[arg-type]
    found = strips_that_contradict(curves, overlaps(len(off)), alone)  # type: ignore[arg-type]
    np.testing.assert_array_equal(found, [blamed.get(k, 0.0) for k in range(n_strips)])


def test_such_overlaps_count_as_one_measurement() -> None:
    counted = counted_once(overlaps(4), np.array([0.0, 0.0, 0.2, 0.0, 0.0]))
    assert [each.share == 1.0 for each in counted] == [True, False, False, True]
    assert counted[1].share * np.sum(counted[1].sigma ** -2) == pytest.approx(0.2**-2)


def test_a_first_curve_that_has_changed_is_stale() -> None:
    density = np.linspace(0.2, 2.0, 8)
    dn = 1_000 + 50_000 * 10**-density
    curve, other = (fit_first_curve(dn, density + off, np.full(8, 20.0), None) for off in (0.0, 0.03))
    assert not is_stale(curve, curve)
    assert is_stale(curve, other)
    assert is_stale(None, curve)


@pytest.mark.parametrize(("drift_sigma", "left"), [(0.3, 0.0), (1e-4, 0.2)])
def test_what_a_drift_may_be_is_no_contradiction(
    monkeypatch: pytest.MonkeyPatch, drift_sigma: float, left: float
) -> None:
    """Unexposed film with light from beside it let the drift of a healthy strip swing by 20 in density between the ends
    where film is known; its overlaps were then said to contradict its wedge, no longer counted, and it stayed so."""
    line = np.repeat(np.arange(0.0, 1000.0, 10.0), 8)
    side = SimpleNamespace(strip=0, drift=stretches(1000, line), measured=np.tile(np.linspace(0.3, 2.0, 8), 100))
    covariance = np.diag(drift_variances(1.0, 4.0))
    covariance *= drift_sigma**2 / (0.5 * np.trace(covariance))
    monkeypatch.setattr(contradiction, "residual_of", lambda *_: np.where(line < 700, 0.2, 0.0))
    each = SimpleNamespace(sides=(side, side))
    curves = SimpleNamespace(n_lines=(1000, 1000))
    whole, beyond = contradiction._off(curves, each, KnownFilmFit(None, [covariance, covariance], ()))  # type: ignore[arg-type]
    assert whole == pytest.approx(0.2)
    assert beyond == pytest.approx(left, abs=0.03)
