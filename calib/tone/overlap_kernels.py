"""The loops over an overlap's samples that interpolate one strip and gather differences into cells, compiled."""

import numpy as np

from calib.compiled import njit
from calib.median import TO_SIGMA, median_of

FEWEST = 8  # samples of a cell
OUTLIER = 4.0  # differences further off, in their scatter, are left out
LEAST_SCATTER = 1e-6
NEXT_SAMPLE, NEXT_LINE, DENSITY, NEXT_DENSITY, KEPT = range(5)  # fields of an overlap's samples


def cubic_weights(t):  # type: ignore[no-untyped-def]
    """Weights of the four values about a fractional place, `t` after the second (Keys 1981, a = -1/2)."""
    return (
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    )


_weights = njit(cache=True, nogil=True)(cubic_weights)


@njit(cache=True, nogil=True)
def looked_up(dn, lost, table):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What a table makes of DN (n_lines, n); not a number where they are lost."""
    found = np.empty(dn.shape, table.dtype)
    for line in range(dn.shape[0]):
        for sample in range(dn.shape[1]):
            found[line, sample] = np.nan if lost[line, sample] else table[dn[line, sample]]
    return found


@njit(cache=True, nogil=True)
def interpolated(image, line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Values between samples, and the share of a sample's variance that they keep.

    Values are not a number outside and where any of the sixteen about a place is. Linear interpolation would flatten
    the scene of one strip and not of the other: their difference would then grow with density, and the curves bend.
    """
    value, kept = np.full(line.shape, np.nan), np.empty(line.shape)
    for row in range(line.shape[0]):
        for point in range(line.shape[1]):
            low, left = int(np.floor(line[row, point])), int(np.floor(sample[row, point]))
            down, along = _weights(line[row, point] - low), _weights(sample[row, point] - left)
            square_down, square_along, total = 0.0, 0.0, 0.0
            inside = 1 <= low < image.shape[0] - 2 and 1 <= left < image.shape[1] - 2
            for i in range(4):
                square_down += down[i] * down[i]
                square_along += along[i] * along[i]
                for k in range(4 if inside else 0):
                    total += down[i] * along[k] * image[low + i - 1, left + k - 1]
            kept[row, point] = square_down * square_along
            if inside:
                value[row, point] = total
    return value, kept


@njit(cache=True, nogil=True)
def overlap_cells(difference, fields, lines, samples, edges):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Cells of `difference` (lines, samples): one sample of the lines between two `edges`, robustly.

    `fields` (5, lines, samples) are sample and line in the next strip, density in this strip and in the next, and the
    share of a sample's variance that interpolation keeps. Returns rows (10, cells): the sample and the means of the
    fields, with the mean line behind the first of them and, before the last, the 1-sigma of the mean difference by its
    scatter; then that scatter, and the variance of density.
    """
    n_samples, n_blocks = len(samples), len(edges) - 1
    table = np.empty((10, n_samples * n_blocks))
    n = 0
    for block in range(n_blocks):
        first, stop = edges[block], edges[block + 1]
        middle, scatter = _middle_and_scatter(difference[first:stop])
        for sample in range(n_samples):
            count, line, square, sums = 0, 0.0, 0.0, np.zeros(5)
            for row in range(first, stop):
                if abs(difference[row, sample] - middle[sample]) < OUTLIER * scatter:  # false where not a number
                    count += 1
                    line += lines[row]
                    square += fields[DENSITY, row, sample] ** 2
                    for field in range(5):
                        sums[field] += fields[field, row, sample]
            if count >= FEWEST:
                sums /= count
                cell = (
                    float(samples[sample]), sums[NEXT_SAMPLE], line / count, sums[NEXT_LINE], sums[DENSITY],
                    sums[NEXT_DENSITY], scatter / np.sqrt(count), sums[KEPT], scatter,
                    max(square / count - sums[DENSITY] ** 2, 0.0),
                )  # fmt: skip
                for row, value in enumerate(cell):
                    table[row, n] = value
                n += 1
    return table[:, :n]


@njit(cache=True, nogil=True)
def _middle_and_scatter(block):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of each column, not a number where it has none, and the scatter of all values about theirs."""
    middle, off, n = np.full(block.shape[1], np.nan), np.empty(block.size), 0
    for column in range(block.shape[1]):
        values = block[:, column][np.isfinite(block[:, column])]
        if values.size == 0:
            continue
        middle[column] = median_of(values)
        for value in values:
            off[n] = abs(value - middle[column])
            n += 1
    return middle, max(TO_SIGMA * median_of(off[:n]), LEAST_SCATTER) if n else LEAST_SCATTER
