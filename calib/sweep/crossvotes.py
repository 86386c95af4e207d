"""Scores how much each sample of a picture looks like the centre of a reseau cross: compiled, a few sums per sample.

Box means extend the picture by reflection (d c b a | a b c d | d c b a); a window of even size reaches one sample
further back than ahead. Running sums down the columns are kept in double precision. Functions that work line by line
are `bare`, because counting references to arrays at every line took a third of the time.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare, njit
from calib.coordinates import Array
from calib.median import median_of

SPARSE = 4  # step in cells, along and across, for the median variance
TRACE, ROUNDED = 0.05, 1e-6  # lower bounds of the scatter: of its median, and of the level
Picture = NDArray[np.float32]
Line = NDArray[np.float32]


@njit(cache=True, nogil=True)
def box_mean(values: Picture, n_lines: int, n_samples: int, first: int, stop: int) -> Picture:  # pragma: no cover
    """Mean over a box (lines, samples) around each sample of the lines `first` to `stop` (exclusive)."""
    width = values.shape[1]
    out = np.empty((stop - first, width), np.float32)
    _box_mean(values, (n_lines, n_samples), first, np.zeros(width), np.empty(width + n_samples - 1, np.float32), out)
    return out


@bare(cache=True, nogil=True)
def _box_mean(
    values: Picture, size: tuple[int, int], first: int, total: Array, sums: Line, out: Picture
) -> None:  # pragma: no cover
    height, width = values.shape
    n_lines, n_samples = size
    above, left, share = n_lines // 2, n_samples // 2, 1.0 / (n_lines * n_samples)
    inside = sums[left:]
    for i in range(first - above, first - above + n_lines):
        row = values[_reflected(i, height)]
        for j in range(width):
            total[j] += row[j]
    for i in range(out.shape[0]):
        behind = values[_reflected(first + i - above, height)]
        ahead = values[_reflected(first + i - above + n_lines, height)]
        for j in range(width):
            inside[j] = total[j] * share
            total[j] += np.float64(ahead[j]) - np.float64(behind[j])
        for j in range(left):
            sums[j] = sums[left + _reflected(j - left, width)]
        for j in range(width, sums.size - left):
            sums[left + j] = sums[left + _reflected(j, width)]
        _add_up(sums, n_samples, out[i])


@bare(cache=True, nogil=True)
def _reflected(i: int, size: int) -> int:  # pragma: no cover
    """The index inside that an index beyond the ends reflects to."""
    while i < 0 or i >= size:
        i = -1 - i if i < 0 else 2 * size - 1 - i
    return i


@bare(cache=True, nogil=True)
def _add_up(values: Line, size: int, out: Line) -> None:  # pragma: no cover
    """Fill `out` with sums of `size` neighbours, four at a time: each step of a running sum would wait for the last."""
    for j in range(out.size):
        out[j] = 0.0
    for k in range(0, size - 3, 4):
        a, b, c, d = values[k:], values[k + 1 :], values[k + 2 :], values[k + 3 :]
        for j in range(out.size):
            out[j] += (a[j] + b[j]) + (c[j] + d[j])
    for k in range(size // 4 * 4, size):
        a = values[k:]
        for j in range(out.size):
            out[j] += a[j]


@njit(cache=True, nogil=True)
def local_variance(values: Picture, box: int, cell: int, first: int, stop: int) -> Picture:  # pragma: no cover
    """Variance in a square box around the cell of each sample, for the lines `first` to `stop` (exclusive).

    Cells are `cell` lines and samples large; the last ones begin earlier, to end with the picture. The box is an odd
    number of cells wide, as near to `box` lines as possible. Variances have a lower bound: `TRACE` times the usual
    scatter, `ROUNDED` times the level.
    """
    n_lines, n_samples = values.shape
    cell = min(cell, n_lines, n_samples)
    high, wide = (n_lines + cell - 1) // cell, (n_samples + cell - 1) // cell
    mean, square = np.empty((high, wide), np.float32), np.empty((high, wide), np.float32)
    sums, squares = np.empty(n_samples, np.float32), np.empty(n_samples, np.float32)
    for row in range(high):
        sums[:], squares[:] = 0.0, 0.0
        for i in range(cell):
            _add_line(values[min(row * cell, n_lines - cell) + i], sums, squares)
        _cell_means(sums, cell, mean[row])
        _cell_means(squares, cell, square[row])
    farthest2 = square.max()
    size = box // cell // 2 * 2 + 1
    mean, square = box_mean(mean, size, size, 0, high), box_mean(square, size, size, 0, high)
    variance = square - mean * mean
    usual2 = median_of(variance[::SPARSE, ::SPARSE].astype(np.float64).ravel())
    variance = np.maximum(variance, np.float32(max(TRACE**2 * usual2, ROUNDED**2 * (farthest2 + 1.0))))
    out = np.empty((stop - first, n_samples), np.float32)
    _spread_out(variance, cell, first, np.arange(n_samples) // cell, out)
    return out


@bare(cache=True, nogil=True)
def _spread_out(
    cells: Picture, cell: int, first: int, of_sample: NDArray[np.int64], out: Picture
) -> None:  # pragma: no cover
    """Give each sample the value of its cell, from line `first` on."""
    for i in range(len(out)):
        line, row = out[i], cells[(first + i) // cell]
        if i > 0 and (first + i) % cell:
            _copy(out[i - 1], line)
            continue
        for j in range(line.size):
            line[j] = row[of_sample[j]]


@bare(cache=True, nogil=True)
def _add_line(values: Line, sums: Line, squares: Line) -> None:  # pragma: no cover
    """Add a line to the sums of its columns, and its squares to those."""
    for j in range(values.size):
        sums[j] += values[j]
        squares[j] += values[j] * values[j]


@bare(cache=True, nogil=True)
def _cell_means(sums: Line, cell: int, mean: Line) -> None:  # pragma: no cover
    """Means of a line's cells from the sums of their columns."""
    share = np.float32(1.0 / (cell * cell))
    for column in range(mean.size):
        at, total = min(column * cell, sums.size - cell), np.float32(0.0)
        for j in range(at, at + cell):
            total += sums[j]
        mean[column] = total * share


@bare(cache=True, nogil=True)
def _copy(values: Line, out: Line) -> None:  # pragma: no cover
    for j in range(values.size):
        out[j] = values[j]


@bare(cache=True, nogil=True, error_model="numpy")
def _vote(here: Line, one: Line, other: Line, variance: Line, vote: Line) -> None:  # pragma: no cover
    """Fill the votes of half arms: the smaller of the contrasts to the two flanks, 0 if their signs differ, relative to
    the scatter and saturating at 1."""
    nothing = np.float32(0.0)
    for j in range(vote.size):
        a, b = here[j] - one[j], here[j] - other[j]
        contrast = max(min(a, b), nothing) + min(max(a, b), nothing)
        vote[j] = contrast / np.sqrt(contrast * contrast + variance[j])


@njit(cache=True, nogil=True)
def votes_across(mean: Picture, variance: Picture, step: int, first: int) -> Picture:  # pragma: no cover
    """Votes of half arms along the lines, for the lines from `first` of `mean` on for which there are variances.

    Flanks lie `step` lines away, or at the picture's ends.
    """
    out = np.empty(variance.shape, np.float32)
    for k in range(len(out)):
        i = first + k
        _vote(mean[i], mean[max(i - step, 0)], mean[min(i + step, len(mean) - 1)], variance[k], out[k])
    return out


@njit(cache=True, nogil=True)
def votes_along(mean: Picture, variance: Picture, step: int) -> Picture:  # pragma: no cover
    """Votes of half arms along the columns, with flanks `step` samples away or at the picture's sides."""
    n_lines, n_samples = mean.shape
    out = np.empty(mean.shape, np.float32)
    padded = np.empty(n_samples + 2 * step, np.float32)
    for i in range(n_lines):
        padded[:step], padded[step + n_samples :] = mean[i, 0], mean[i, -1]
        _copy(mean[i], padded[step:])
        _vote(mean[i], padded, padded[2 * step :], variance[i], out[i])
    return out


@njit(cache=True, nogil=True)
def combine_votes(
    across: Picture, along: Picture, shifts_s: tuple[int, int], shifts_l: tuple[int, int], first: int
) -> Picture:  # pragma: no cover
    """Mean vote of the half arms that lie inside the picture; 0 unless there are four, in both directions.

    The first line of `across` and of the result is line `first` of `along`.
    """
    n_samples = across.shape[1]
    out, shares = np.empty(across.shape, np.float32), np.empty((5, n_samples), np.float32)
    padded, none = np.zeros(n_samples + 2 * shifts_s[1], np.float32), np.zeros(n_samples, np.float32)
    _shares(shifts_s, shares)
    _combine(across, along, (shifts_s, shifts_l), first, shares, (padded, none), out)
    return out


@bare(cache=True, nogil=True)
def _combine(across, along, shifts, first, shares, buffers, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `out` with the sums of the half arms' votes times their `shares`; `buffers`: a padded line, one of zeros."""
    n_samples, (shifts_s, shifts_l), (padded, none) = across.shape[1], shifts, buffers
    one, two = shifts_s
    a, b, c, d = padded[two - one :], padded[two + one :], padded, padded[2 * two :]
    for i in range(len(out)):
        _copy(across[i], padded[two:])
        line = first + i
        seen, p = _inside(along, line - shifts_l[0], none)
        more, q = _inside(along, line + shifts_l[0], none)
        seen += more
        more, r = _inside(along, line - shifts_l[1], none)
        seen += more
        more, s = _inside(along, line + shifts_l[1], none)
        share, score = shares[seen + more], out[i]
        for j in range(n_samples):
            score[j] = (a[j] + b[j]) + (c[j] + d[j])
        for j in range(n_samples):
            score[j] = (score[j] + ((p[j] + q[j]) + (r[j] + s[j]))) * share[j]


@bare(cache=True, nogil=True)
def _inside(picture: Picture, line: int, none: Line) -> tuple[int, Line]:  # pragma: no cover
    """1 and a line of a picture, 0 and `none` beyond its ends."""
    return (1, picture[line]) if 0 <= line < picture.shape[0] else (0, none)


@bare(cache=True, nogil=True)
def _shares(shifts_s: tuple[int, int], out: Picture) -> None:  # pragma: no cover
    """Weight of a vote in the mean at each sample, by the number (0 to 4) of half arms seen along the columns."""
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
    """Local maxima in lines `first` to `stop` (exclusive), as rows (line, sample): places with a strength of at least
    `least` that nothing within reach exceeds."""
    found, enough = [], np.float32(least)
    for i in range(first, stop):
        here, above, below = strength[i], strength[max(i - 1, 0)], strength[min(i + 1, len(strength) - 1)]
        some = False
        for j in range(here.size):
            some |= (here[j] >= enough) & (here[j] >= above[j]) & (here[j] >= below[j])
        for j in range(strength.shape[1] if some else 0):
            if strength[i, j] >= enough and _is_highest(strength, i, j, reach_l, reach_s):
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
