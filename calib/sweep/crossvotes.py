"""How much each sample of a picture looks like the centre of a reseau cross: compiled, a few running sums a sample.

Means over boxes reach beyond the picture by reflecting it (d c b a | a b c d | d c b a), a window of even size reaching
one sample further back than ahead; sums are kept in double precision.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array

Picture = NDArray[np.float32]
Line = NDArray[np.float32]


@njit(cache=True, nogil=True, error_model="numpy")
def box_mean(values: Picture, n_lines: int, n_samples: int) -> Picture:  # pragma: no cover
    """Mean over a box around each sample (lines, samples)."""
    out = np.empty(values.shape, np.float32)
    _down(values, n_lines, out)
    for i in range(values.shape[0]):
        _across(out[i].copy(), n_samples, out[i])
    return out


@njit(cache=True, nogil=True)
def _reflected(i: int, size: int) -> int:  # pragma: no cover
    """The index inside that an index beyond the ends reflects to."""
    while i < 0 or i >= size:
        i = -1 - i if i < 0 else 2 * size - 1 - i
    return i


@njit(cache=True, nogil=True, error_model="numpy")
def _down(values: Picture, size: int, out: Picture) -> None:  # pragma: no cover
    """Running means along the columns."""
    n_lines, n_samples = values.shape
    total = np.zeros(n_samples)
    for i in range(-(size // 2), size - size // 2):
        row = values[_reflected(i, n_lines)]
        for j in range(n_samples):
            total[j] += row[j]
    for i in range(n_lines):
        behind, ahead = values[_reflected(i - size // 2, n_lines)], values[_reflected(i + size - size // 2, n_lines)]
        for j in range(n_samples):
            out[i, j] = total[j] / size
            total[j] += np.float64(ahead[j]) - np.float64(behind[j])


@njit(cache=True, nogil=True, error_model="numpy")
def _across(values: Line, size: int, out: Line) -> None:  # pragma: no cover
    """Running means along one line."""
    n, back = values.size, size // 2
    total = 0.0
    for j in range(-back, size - back):
        total += values[_reflected(j, n)]
    for j in range(n):
        out[j] = total / size
        behind, ahead = j - back, j + size - back
        if behind < 0 or ahead >= n:
            behind, ahead = _reflected(behind, n), _reflected(ahead, n)
        total += np.float64(values[ahead]) - np.float64(values[behind])


@njit(cache=True, nogil=True, error_model="numpy")
def local_scatter(values: Picture, box: int) -> Picture:  # pragma: no cover
    """Standard deviation of the values in a square box around each sample."""
    mean, square = box_mean(values, box, box), box_mean(values * values, box, box)
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            variance = square[i, j] - mean[i, j] * mean[i, j]
            square[i, j] = np.sqrt(variance if variance > np.float32(0.0) else np.float32(0.0))
    return square


@njit(cache=True, nogil=True, error_model="numpy")
def _vote(here: Line, one: Line, other: Line, scatter: Line, vote: Line) -> None:  # pragma: no cover
    """Half arms' votes: the smaller contrast to the two flanks where their signs agree, over the scatter."""
    nothing = np.float32(0.0)
    for j in range(here.size):
        a, b = here[j] - one[j], here[j] - other[j]
        low, high = (a, b) if a < b else (b, a)
        contrast = (low if low > nothing else nothing) + (high if high < nothing else nothing)
        vote[j] = contrast / np.sqrt(contrast * contrast + scatter[j] * scatter[j])


@njit(cache=True, nogil=True)
def votes_across(mean: Picture, scatter: Picture, step: int) -> Picture:  # pragma: no cover
    """Votes of half arms along the lines, whose flanks lie `step` lines away, at most at the picture's ends."""
    n_lines = mean.shape[0]
    out = np.empty(mean.shape, np.float32)
    for i in range(n_lines):
        _vote(mean[i], mean[max(i - step, 0)], mean[min(i + step, n_lines - 1)], scatter[i], out[i])
    return out


@njit(cache=True, nogil=True)
def votes_along(mean: Picture, scatter: Picture, step: int) -> Picture:  # pragma: no cover
    """The same of half arms along the columns, with flanks `step` samples away."""
    n_lines, n_samples = mean.shape
    out = np.empty(mean.shape, np.float32)
    padded = np.empty(n_samples + 2 * step, np.float32)
    for i in range(n_lines):
        padded[:step], padded[step + n_samples :] = mean[i, 0], mean[i, -1]
        for j in range(n_samples):
            padded[step + j] = mean[i, j]
        _vote(mean[i], padded[:n_samples], padded[2 * step :], scatter[i], out[i])
    return out


@njit(cache=True, nogil=True)
def combine_votes(
    across: Picture, along: Picture, shifts_s: NDArray[np.int64], shifts_l: NDArray[np.int64]
) -> Picture:  # pragma: no cover
    """Mean vote of the half arms inside the picture; 0 unless four or more are, with some along both directions."""
    n_lines, n_samples = across.shape
    out = np.zeros((n_lines, n_samples), np.float32)
    seen_s = np.zeros(n_samples)
    for shift in shifts_s:
        seen_s[shift:] += 1
        seen_s[: max(n_samples - shift, 0)] += 1
    total = np.empty(n_samples)
    for i in range(n_lines):
        total[:] = 0.0
        for shift in shifts_s:
            _add(across[i], shift, total)
        seen_l = 0
        for shift in shifts_l:
            for k in (i - shift, i + shift):
                if 0 <= k < n_lines:
                    seen_l += 1
                    row = along[k]
                    for j in range(n_samples):
                        total[j] += row[j]
        for j in range(n_samples):
            if seen_s[j] > 0 and seen_l > 0 and seen_s[j] + seen_l >= 4:
                out[i, j] = total[j] / (seen_s[j] + seen_l)
    return out


@njit(cache=True, nogil=True)
def _add(row: Line, shift: int, total: Array) -> None:  # pragma: no cover
    """Add to each place of a line what stands `shift` samples before and behind it."""
    for j in range(shift, row.size):
        total[j] += row[j - shift]
    for j in range(row.size - shift):
        total[j] += row[j + shift]


@njit(cache=True, nogil=True)
def peaks(
    strength: Picture, first: int, stop: int, least: float, reach_l: int, reach_s: int
) -> NDArray[np.int64]:  # pragma: no cover
    """Rows (line, sample) of places, in lines `first` to `stop` (exclusive), that are `least` or more strong and as
    strong as all within `reach` of them."""
    found = []
    for i in range(first, stop):
        for j in range(strength.shape[1]):
            if strength[i, j] >= least and _is_highest(strength, i, j, reach_l, reach_s):
                found.append((i, j))
    out = np.empty((len(found), 2), np.int64)
    for n, place in enumerate(found):
        out[n, 0], out[n, 1] = place
    return out


@njit(cache=True, nogil=True)
def _is_highest(strength: Picture, i: int, j: int, reach_l: int, reach_s: int) -> bool:  # pragma: no cover
    """Whether nothing within reach is stronger."""
    n_lines, n_samples = strength.shape
    here = strength[i, j]
    for s in (j - 1, j + 1):
        if 0 <= s < n_samples and strength[i, s] > here:
            return False
    for k in range(max(i - reach_l, 0), min(i + reach_l + 1, n_lines)):
        for s in range(max(j - reach_s, 0), min(j + reach_s + 1, n_samples)):
            if strength[k, s] > here:
                return False
    return True
