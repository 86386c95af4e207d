"""Finds the end of the strips at which the step wedge lies, from raw DN.

Strips that are all turned continue each other, so only the wedge shows that they are.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.errors import InputError
from calib.frame.description import Scan
from calib.frame.film import WedgePatch
from calib.frame.frame import Frame
from calib.frame.wedge_columns import covered_by_most, covers

INNER = 0.7  # of a patch, along and across, that is used: its borders are left out
SHOWN = 0.9  # least share of variance that steps explain, and least rank correlation, of a visible wedge
LEAST_LINES = 3  # of a patch
MOST_SAMPLES = 32  # of a line, about: enough for its mean


def wedge_shown(dn: NDArray, lost: NDArray[np.bool_], frame: Frame, *, is_reversed: bool) -> tuple[float, float]:
    """How clearly a strip shows the wedge at the described end, and at the other end.

    Each value is the share of the variance of the samples `dn` (n_lines, n_samples) that steps in the stated order
    explain, at the best place within the tolerance; 0 if there is none.
    """
    scan, wedge = frame.scan, frame.film.wedge
    across_mm = np.array([patch.across_mm for patch in wedge.patches])
    left, right = covered_by_most(across_mm)
    patches = [wedge.patches[index] for index in np.flatnonzero(covers(across_mm, left, right))]
    middle, half = (left + right) / 2, INNER * (right - left) / 2
    center = (dn.shape[1] - 1) / 2
    first, stop = (round(center + (middle + sign * half) / scan.sample_mm) for sign in (-1, 1))
    first, stop = max(first, 0), min(stop + 1, dn.shape[1])
    if stop <= first:
        return 0.0, 0.0
    some = slice(first, stop, max((stop - first) // MOST_SAMPLES, 1))
    at, reach = _patch_lines(scan, patches)
    near = np.zeros(len(dn), np.bool_)
    near[max(int(at.min()) - reach, 0) : max(int(at.max()) + reach + 2, 0)] = True
    line = np.flatnonzero(near | near[::-1])
    whole = ~lost[line, some].any(axis=1)
    if np.count_nonzero(whole) < LEAST_LINES:
        return 0.0, 0.0
    mean = dn[line, some].mean(axis=1, dtype=np.float64)
    profile = np.interp(np.arange(len(dn)), line[whole], mean[whole])[:: -1 if is_reversed else 1]
    return _explained(profile, scan, patches), _explained(profile[::-1], scan, patches)


def refuse_turned(frame: Frame, shown: Sequence[tuple[float, float]]) -> None:
    """Raise InputError if more than half of the strips show the wedge at the wrong end, and none at the described
    one."""
    other = sum(turned > SHOWN for _, turned in shown)
    if 2 * other <= len(shown) or any(stated > SHOWN for stated, _ in shown):
        return
    stated = frame.scan.reversed
    found = f'"{stated}", with which no strip shows the step wedge where it should be'
    better = {"odd": '"even"', "even": '"odd"'}.get(stated, "strips that begin at first_line_mm")
    expected = f"{better}: {other} of {len(shown)} strips show it at their other end"
    raise InputError(frame.path, "scan.reversed", found, expected)


def _patch_lines(scan: Scan, patches: Sequence[WedgePatch]) -> tuple[NDArray[np.int64], int]:
    """First and last line (N, 2) of the inner part of each patch in film order by the description, and the tolerance in
    lines."""
    edges = np.array([patch.y_mm for patch in patches])
    middle, half = edges.mean(axis=1, keepdims=True), INNER * np.diff(edges, axis=1) / 2
    at = np.rint((np.hstack([middle - half, middle + half]) - scan.first_line_mm) / scan.line_mm).astype(np.int64)
    return at, int(np.ceil(scan.tolerance_mm / scan.line_mm))


def _explained(profile: Array, scan: Scan, patches: Sequence[WedgePatch]) -> float:
    """Share of a profile's variance at the patches that their means explain; 0 if the means are out of order."""
    at, reach = _patch_lines(scan, patches)
    offset = np.arange(-reach, reach + 1)
    first, stop = at[:, 0, None] + offset, at[:, 1, None] + 1 + offset
    inside = ((first >= 0) & (stop <= profile.size)).all(axis=1) & (stop - first >= LEAST_LINES).all(axis=1)
    if np.count_nonzero(inside) < LEAST_LINES:
        return 0.0
    first, stop = first[inside], stop[inside]
    level = profile - profile.mean()
    sums, squares = (np.concatenate([[0.0], np.cumsum(level**power)]) for power in (1, 2))
    count = (stop - first).astype(float)
    total, square = sums[stop] - sums[first], squares[stop] - squares[first]
    within = (square - total**2 / count).sum(axis=0)
    about = square.sum(axis=0) - total.sum(axis=0) ** 2 / count.sum(axis=0)
    explained = 1 - within / np.maximum(about, np.finfo(float).tiny)
    rank = centred_ranks(total / count)
    value = centred_ranks(np.array([patch.value for patch in patches])[inside])
    size = np.sqrt(np.sum(value**2) * np.sum(rank**2, axis=0))
    in_order = np.abs(value @ rank) >= SHOWN * np.maximum(size, np.finfo(float).tiny)
    return float(explained[in_order].max(initial=0.0))


def centred_ranks(values: Array) -> Array:
    """Ranks of `values` along the first axis, those of equal ones their mean, less the mean of all."""
    return np.array([np.sign(one - values).sum(axis=0) for one in values]) / 2
