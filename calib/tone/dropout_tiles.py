"""Level and scatter of small tiles of a strip, for the search for dropouts; compiled."""

import numpy as np

from calib.compiled import bare, njit

TILE = 16  # lines and samples
THIRD_TO_SIGMA = 2.03  # sigma of a Gaussian over the order statistic that is used below
MOST = np.uint16(65535)


@njit(cache=True, nogil=True)
def tile_statistics(dn):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median level and robust scatter about the mean of the vertical neighbours, for tiles of `TILE` lines and samples.

    Every other line is used, seven in all: second differences of adjacent lines are so correlated (two thirds) that the
    other lines would add little. The scatter of a column comes from the third smallest of its seven differences, since
    dropouts only make differences larger; the level from its median. Then the median of pairs of columns is taken (as
    in the remedian of Rousseeuw and Bassett 1990, J. Am. Stat. Assoc. 85:97), so that scratches along the strip do not
    count either. A tile without a line between two others has scatter 0.
    """
    n_lines, n_samples = dn.shape
    rows, columns = (n_lines + TILE - 1) // TILE, (n_samples + TILE - 1) // TILE
    level, scatter = np.zeros((rows, columns)), np.zeros((rows, columns))
    values, off = np.empty((7, n_samples), np.uint16), np.empty((7, n_samples), np.uint16)
    of_lines, pairs = np.empty(n_samples, np.uint16), np.empty((7, columns), np.uint16)
    for row in range(rows):
        for k in range(7):
            line = row * TILE + 2 * k + 1
            if line < n_lines - 1:
                _twice_off(dn[line - 1], dn[line], dn[line + 1], values[k], off[k])
            else:  # missing lines count as above and below the median in turn
                for sample in range(n_samples):
                    values[k, sample], off[k, sample] = dn[row * TILE, sample], MOST if k % 2 else np.uint16(0)
        for of, is_off, out in ((values, False, level[row]), (off, True, scatter[row])):
            _of_seven(of, is_off, of_lines)
            _pair_up(of_lines, is_off, pairs)
            _of_seven(pairs, False, out)
    return level, 0.25 * THIRD_TO_SIGMA / np.sqrt(1.5) * scatter


@bare(cache=True, nogil=True)
def _twice_off(above, here, below, values, off):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the DN of a line, and twice their distance from the mean of those above and below (at most 65535)."""
    for sample in range(here.size):
        value = np.int32(here[sample])
        twice = abs(value + value - np.int32(above[sample]) - np.int32(below[sample]))
        values[sample], off[sample] = np.uint16(value), np.uint16(min(twice, np.int32(MOST)))


@bare(cache=True, nogil=True)
def _of_seven(of, is_third, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the median of seven values at each place, or the third smallest, by a sorting network (Batcher 1968, AFIPS
    32:307)."""
    for s in range(out.size):
        a, b, c, d, e, f, g = of[0, s], of[1, s], of[2, s], of[3, s], of[4, s], of[5, s], of[6, s]
        a, b, c, d, e, f = min(a, b), max(a, b), min(c, d), max(c, d), min(e, f), max(e, f)
        a, c, b, d, e, g = min(a, c), max(a, c), min(b, d), max(b, d), min(e, g), max(e, g)
        b, c, f, g = min(b, c), max(b, c), min(f, g), max(f, g)
        a, e, b, f, c, g = min(a, e), max(a, e), min(b, f), max(b, f), min(c, g), max(c, g)
        c, e, d, f = min(c, e), max(c, e), min(d, f), max(d, f)
        out[s] = max(b, c) if is_third else min(d, e)


@bare(cache=True, nogil=True)
def _pair_up(values, doubled, pairs):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the means of seven pairs of each tile's samples, or their sums (at most 65535)."""
    for column in range(pairs.shape[1]):
        first = column * TILE
        n = min(TILE, values.size - first)
        for k in range(7):
            both = np.int32(values[first + (2 * k + 1) % n]) + np.int32(values[first + (2 * k + 2) % n])
            pairs[k, column] = np.uint16(min(both, np.int32(MOST)) if doubled else both >> 1)
