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


@njit(cache=True, nogil=True)
def box_mean(values: Picture, n_lines: int, n_samples: int, first: int, stop: int) -> Picture:  # pragma: no cover
    """Mean over a box (lines, samples) around each sample of the lines `first` to `stop` (exclusive)."""
    means = np.empty((stop - first, values.shape[1]), np.float32)
    out = np.empty(means.shape, np.float32)
    _down(values, n_lines, first, means)
    _across(means, n_samples, out)
    return out


@njit(cache=True, nogil=True)
def _reflected(i: int, size: int) -> int:  # pragma: no cover
    """The index inside that an index beyond the ends reflects to."""
    while i < 0 or i >= size:
        i = -1 - i if i < 0 else 2 * size - 1 - i
    return i


@njit(cache=True, nogil=True)
def _down(values: Picture, size: int, first: int, out: Picture) -> None:  # pragma: no cover
    """Running means along the columns, from line `first` on."""
    n_lines, n_samples = values.shape
    total, share, back = np.zeros(n_samples), 1.0 / size, size // 2
    for i in range(first - back, first - back + size):
        row = values[_reflected(i, n_lines)]
        for j in range(n_samples):
            total[j] += row[j]
    for i in range(out.shape[0]):
        behind = values[_reflected(first + i - back, n_lines)]
        ahead = values[_reflected(first + i - back + size, n_lines)]
        for j in range(n_samples):
            out[i, j] = total[j] * share
            total[j] += np.float64(ahead[j]) - np.float64(behind[j])


@njit(cache=True, nogil=True)
def _across(values: Picture, size: int, out: Picture) -> None:  # pragma: no cover
    """Running means along the lines, of four lines at a time: a running sum waits for itself, four do not wait for each
    other. The last line makes up the last four."""
    last, n = values.shape[0] - 1, values.shape[1]
    share, back = 1.0 / size, size // 2
    for i in range(0, last + 1, 4):
        k, m, o = min(i + 1, last), min(i + 2, last), min(i + 3, last)
        a, b, c, d = values[i], values[k], values[m], values[o]
        p, q, r, s = 0.0, 0.0, 0.0, 0.0
        for j in range(-back, size - back):
            at = _reflected(j, n)
            p, q, r, s = p + a[at], q + b[at], r + c[at], s + d[at]
        for j in range(n):
            out[i, j], out[k, j], out[m, j], out[o, j] = p * share, q * share, r * share, s * share
            behind, ahead = j - back, j + size - back
            if behind < 0 or ahead >= n:
                behind, ahead = _reflected(behind, n), _reflected(ahead, n)
            p += np.float64(a[ahead]) - np.float64(a[behind])
            q += np.float64(b[ahead]) - np.float64(b[behind])
            r += np.float64(c[ahead]) - np.float64(c[behind])
            s += np.float64(d[ahead]) - np.float64(d[behind])


@njit(cache=True, nogil=True)
def local_scatter(values: Picture, box: int, first: int, stop: int) -> Picture:  # pragma: no cover
    """Standard deviation in a square box around each sample of the lines `first` to `stop` (exclusive)."""
    mean, square = box_mean(values, box, box, first, stop), box_mean(values * values, box, box, first, stop)
    for i in range(mean.shape[0]):
        for j in range(mean.shape[1]):
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
    across: Picture, along: Picture, shifts_s: tuple[int, int], shifts_l: tuple[int, int], first: int, stop: int
) -> Picture:  # pragma: no cover
    """Mean vote of the half arms inside the picture, on lines `first` to `stop` (exclusive); 0 unless four or more are,
    with some along both directions."""
    n_samples = across.shape[1]
    out, none = np.empty((stop - first, n_samples), np.float32), np.zeros(n_samples, np.float32)
    one, two = shifts_s
    padded, share = np.zeros(n_samples + 2 * two, np.float32), np.empty((5, n_samples))
    _shares(shifts_s, share)
    for i in range(first, stop):
        for j in range(n_samples):
            padded[two + j] = across[i, j]
        a, b = padded[two - one :], padded[two + one :]
        c, d = padded, padded[2 * two :]
        seen, p = _inside(along, i - shifts_l[0], none)
        more, q = _inside(along, i + shifts_l[0], none)
        seen += more
        more, r = _inside(along, i - shifts_l[1], none)
        seen += more
        more, s = _inside(along, i + shifts_l[1], none)
        seen += more
        for j in range(n_samples):
            total = np.float64(a[j]) + b[j] + c[j] + d[j] + p[j] + q[j] + r[j] + s[j]
            out[i - first, j] = total * share[seen, j]
    return out


@njit(cache=True, nogil=True)
def _inside(picture: Picture, line: int, none: Line) -> tuple[int, Line]:  # pragma: no cover
    """1 and a line of a picture, 0 and `none` beyond its ends."""
    return (1, picture[line]) if 0 <= line < picture.shape[0] else (0, none)


@njit(cache=True, nogil=True)
def _shares(shifts_s: tuple[int, int], out: Array) -> None:  # pragma: no cover
    """What a vote counts in the mean, by the number of half arms along the columns that are seen, at each sample."""
    n_samples = out.shape[1]
    for j in range(n_samples):
        seen_s = 0
        for shift in shifts_s:
            seen_s += (j >= shift) + (j + shift < n_samples)
        for seen_l in range(5):
            enough = seen_s > 0 and seen_l > 0 and seen_s + seen_l >= 4
            out[seen_l, j] = 1.0 / (seen_s + seen_l) if enough else 0.0


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
