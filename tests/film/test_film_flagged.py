"""Sums over flagged samples, computed eight at once, against a plain computation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.film.careful import end_weights, flag_weights
from calib.film.kernels import DEFAULT_KERNEL, PHASES, Axes, AxisWeights, axis_weights
from calib.film.weigh import ANY
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK, OBLIQUE

FLAGS = (DROPOUT, LOW_DENSITY, HIGH_DENSITY, MARK, FILLED, OBLIQUE)
MOST_TAPS = 24


def one_by_one(weights: np.ndarray, value: np.ndarray, quality: np.ndarray) -> tuple[bool, float, list[float], int]:
    """`flag_weights` by its definition."""
    counts, there = (quality != 0) & (weights != 0), np.isfinite(value)
    size, known, lost = np.abs(weights), counts & there, counts & ~there
    filled, dropped = known & (quality & FILLED > 0), quality & DROPOUT > 0
    classes = (
        known & (quality & LOW_DENSITY > 0),
        known & (quality & HIGH_DENSITY > 0),
        filled & dropped,
        filled & ~dropped,
    )
    coverage = 1 - np.maximum(weights, 0)[lost].sum() / np.maximum(weights, 0).sum()
    lost_bits = int(np.bitwise_or.reduce(quality[lost] & np.uint16(DROPOUT | MARK), initial=0))
    return (
        bool(lost.any()),
        coverage,
        [size.sum() - size[lost].sum(), *(size[which].sum() for which in classes)],
        lost_bits,
    )


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.05, 0.5, 1.0]), st.integers(0, PHASES), st.integers(0, PHASES))
@settings(max_examples=40, deadline=None)
@pytest.mark.parametrize("scale", [1.0, 3.2])
def test_vector_sums_equal_plain_sums(scale: float, seed: int, share: float, p: int, q: int) -> None:
    """A kernel of one vector of samples, and one of several; samples without a value stand among the others."""
    rng = np.random.default_rng(seed)
    along, across = axis_weights(DEFAULT_KERNEL, 1.0), axis_weights(DEFAULT_KERNEL, scale)
    shape = (MOST_TAPS, 2 * MOST_TAPS)
    flagged = rng.random(shape) < share
    quality = np.where(flagged, rng.choice(FLAGS, shape) | rng.choice(FLAGS, shape), 0).astype(np.uint16)
    value = np.where(flagged & (rng.random(shape) < 0.3), rng.choice([np.nan, np.inf], shape), 1.0).astype(np.float32)
    i, j = rng.integers(0, 8), rng.integers(0, 8)
    place = np.uint64(i), np.uint64(j), np.uint64(p), np.uint64(q)
    size = along.taps if scale == 1.0 else ANY
    got = flag_weights(*place, Axes(along, across), size, value, quality)
    taps = np.s_[i : i + along.taps, j : j + across.taps]
    weights = np.outer(row(along, p), row(across, q))
    missing, coverage, sizes, lost_bits = one_by_one(weights.astype(np.float64), value[taps], quality[taps])
    assert (got[0], got[3]) == (missing, lost_bits)
    assert got[1] == pytest.approx(coverage, abs=1e-5)
    assert got[2] == pytest.approx(sizes, abs=1e-5)


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.05, 0.5]), st.integers(0, PHASES), st.sampled_from([*FLAGS, 0]))
@settings(max_examples=40, deadline=None)
@pytest.mark.parametrize("scale", [1.0, 3.2])
def test_the_quick_sums_equal_the_full_ones(scale: float, seed: int, share: float, phase: int, more: int) -> None:
    """Bit for bit if taps are flagged only as beyond the ends of the curve; any other flag, NaN or infinity on one tap
    is reported."""
    rng = np.random.default_rng(seed)
    along, across = axis_weights(DEFAULT_KERNEL, 1.0), axis_weights(DEFAULT_KERNEL, scale)
    flagged, shape = rng.random((MOST_TAPS, MOST_TAPS)) < share, (along.taps, across.taps)
    quality = np.where(flagged, rng.choice((LOW_DENSITY, HIGH_DENSITY), flagged.shape), 0).astype(np.uint16)
    value = np.ones(flagged.shape, np.float32)
    place = np.uint64(0), np.uint64(0), np.uint64(phase), np.uint64(PHASES - phase)
    axes, size = Axes(along, across), along.taps if scale == 1.0 else ANY
    half, low, high, other = end_weights(*place, axes, size, value, quality)
    _, _, shares, _ = flag_weights(*place, axes, size, value, quality)
    assert (half, low, high, bool(other)) == (0.5 * shares[0], shares[1], shares[2], False)
    at = tuple(rng.integers(0, shape))
    quality[at] |= more
    assert bool(end_weights(*place, axes, size, value, quality)[3]) == (more not in (0, LOW_DENSITY, HIGH_DENSITY))
    value[at] = rng.choice([np.nan, np.inf])
    assert end_weights(*place, axes, size, value, quality)[3]


def row(weights: AxisWeights, phase: int) -> np.ndarray:
    """The weights of one phase (taps,)."""
    return weights.values[phase]
