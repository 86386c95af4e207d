"""The sample-by-sample loops that label a strip's samples and gather them into cells, compiled."""

import numpy as np

from calib.compiled import njit

FOG, SCENE, NOTHING = 20000, 20001, -1


@njit(cache=True, nogil=True)
def label_strip(x_mm, y_mm, center, patches, half, margins):  # type: ignore[no-untyped-def]
    """Label (n_lines, n_samples) int16 of every sample of a strip, all lengths in mm.

    `x_mm` is (by sample, by line), `y_mm` (by sample, by line, per x from the strip's `center` by line); `patches` are
    boxes, rows of (left, right, top, bottom, clear of the sides within), and their labels, `half` the format's half
    sides. `margins` along x, and along y by line, keep the labels of all else clear of every edge.
    """
    (x_sample, x_line), (y_sample, y_line, skew_line) = x_mm, y_mm
    (boxes, box_label), (margin_x, margin_line) = patches, margins
    n_lines, n_samples = y_line.size, x_sample.size
    label = np.empty((n_lines, n_samples), dtype=np.int16)
    near = np.empty(len(boxes), dtype=np.int64)
    skew_reach, wide = np.abs(y_sample).max(), np.abs(x_sample - center).max()
    for line in range(n_lines):
        margin_y = margin_line[line]
        slack = skew_reach + abs(skew_line[line]) * wide + margin_y
        n_near = 0
        for box in range(len(boxes)):
            if boxes[box, 2] - slack < y_line[line] < boxes[box, 3] + slack:
                near[n_near] = box
                n_near += 1
        if n_near == 0 and abs(y_line[line]) + slack < half[1] - margin_y:  # deep inside along y: only x matters
            for sample in range(n_samples):
                out = abs(x_sample[sample] + x_line[line]) - half[0]
                label[line, sample] = FOG if out > margin_x else (SCENE if out < -margin_x else NOTHING)
            continue
        for sample in range(n_samples):
            x = x_sample[sample] + x_line[line]
            y = y_line[line] + y_sample[sample] + skew_line[line] * (x - center)
            out = max(abs(x) - half[0] - margin_x, abs(y) - half[1] - margin_y)
            deep = min(half[0] - margin_x - abs(x), half[1] - margin_y - abs(y))
            found = FOG if out > 0 else (SCENE if deep > 0 else NOTHING)
            for index in range(n_near):
                box = near[index]
                depth_x = min(x - boxes[box, 0], boxes[box, 1] - x)
                depth_y = min(y - boxes[box, 2], boxes[box, 3] - y)
                if depth_x > boxes[box, 4] and depth_y > margin_y:
                    found = box_label[box]
                    break
                if depth_x > -margin_x and depth_y > -margin_y:
                    found = NOTHING
            label[line, sample] = found
    return label


@njit(cache=True, nogil=True)
def count_clipped(dn, lines, label, n_patches, block, lost, clip):  # type: ignore[no-untyped-def]
    """How many samples of each cell, as in `gather`, are clipped, (cells, n_samples, 2): at a DN of `clip` low, high.

    `lost` is the whole strip's, and lost samples count as nothing.
    """
    (low, high), n_cells = clip, n_patches + (block.max() + 1 if block.size else 0)
    count = np.zeros((n_cells, dn.shape[1], 2), np.int64)
    for row, line in enumerate(lines):
        if not _holds_spoilt(dn[line], lost[line], low, high):
            continue
        for sample in range(dn.shape[1]):
            which, is_high = label[row, sample], dn[line, sample] >= high
            if which == FOG:
                which = n_patches + block[row]
            if 0 <= which < n_cells and not lost[line, sample] and (is_high or dn[line, sample] <= low):
                count[which, sample, 1 if is_high else 0] += 1
    return count


@njit(cache=True, nogil=True)
def hide_spoilt(dn, lines, label, lost, clip):  # type: ignore[no-untyped-def]
    """Take the label from lost samples and from clipped ones: `label` is that of some `lines` of a strip; `lost` and
    `dn` are the whole strip's, `clip` its ends, low and high."""
    low, high = clip
    for row, line in enumerate(lines):
        if _holds_spoilt(dn[line], lost[line], low, high):
            for sample in range(label.shape[1]):
                if lost[line, sample] or dn[line, sample] <= low or dn[line, sample] >= high:
                    label[row, sample] = NOTHING


@njit(cache=True, nogil=True)
def _holds_spoilt(here, gone, low, high):  # type: ignore[no-untyped-def]
    """Whether any sample of a line is lost or clipped: a loop without a branch, for most lines hold none."""
    some = False
    for sample in range(here.size):
        some |= gone[sample] | (here[sample] <= low) | (here[sample] >= high)
    return some


@njit(cache=True, nogil=True)
def hide_scene(label, lines, boxes):  # type: ignore[no-untyped-def]
    """Take the label from the scene inside boxes (n, 4) of (first line, stop line, first sample, stop sample); `label`
    is that of the `lines`, which rise."""
    for box in range(len(boxes)):
        for row in range(np.searchsorted(lines, boxes[box, 0]), np.searchsorted(lines, boxes[box, 1])):
            for sample in range(boxes[box, 2], boxes[box, 3]):
                if label[row, sample] == SCENE:
                    label[row, sample] = NOTHING


@njit(cache=True, nogil=True)
def gather(dn, lines, label, n_patches, block, centre, limit):  # type: ignore[no-untyped-def]
    """Sums per cell: a patch, or unexposed film of a block of lines, at one sample.

    `label` is that of the `lines`, `block` the number of each line's block. Returns (cells, n_samples, 4): count, sum
    of DN, of squared DN about `centre`, and of the line. Samples further than `limit` (cells,) from their cell's
    `centre` (cells, n_samples) are left out.
    """
    sums = np.zeros((centre.shape[0], centre.shape[1], 4))
    for row, line in enumerate(lines):
        for sample in range(dn.shape[1]):
            which = label[row, sample]
            if which == FOG:
                which = n_patches + block[row]
            elif which < 0 or which >= n_patches:
                continue
            off = float(dn[line, sample]) - centre[which, sample]
            if abs(off) <= limit[which]:
                sums[which, sample, 0] += 1.0
                sums[which, sample, 1] += off
                sums[which, sample, 2] += off * off
                sums[which, sample, 3] += line
    return sums


@njit(cache=True, nogil=True)
def neighbours(dn, lines, label, centre, limit):  # type: ignore[no-untyped-def]
    """How the noise of neighbouring samples of a patch goes together, and the mean lines of a patch's columns.

    Arguments as of `gather`, for patches alone. Returns (patches, 5) mean products of what is left when columns and
    lines have lost their means, not a number where there are none: of a sample with itself, with those one and two
    lines on, and one and two samples on. A line's own level is no noise of its samples.
    """
    n_patches, n_samples = centre.shape
    left, level = np.full((len(lines), n_samples), np.nan), np.zeros((len(lines), n_patches, 2))
    for row, line in enumerate(lines):
        for sample in range(n_samples):
            which = label[row, sample]
            if 0 <= which < n_patches:
                off = float(dn[line, sample]) - centre[which, sample]
                if abs(off) <= limit[which]:
                    left[row, sample] = off
                    level[row, which, 0] += off
                    level[row, which, 1] += 1.0
    sums, lines_seen = np.zeros((n_patches, 5, 2)), np.zeros((n_patches, n_samples))
    for row in range(len(lines)):
        for sample in range(n_samples):
            which = label[row, sample]
            if 0 <= which < n_patches and not np.isnan(left[row, sample]):
                left[row, sample] -= level[row, which, 0] / level[row, which, 1]
                lines_seen[which, sample] += 1.0
    for row in range(len(lines)):
        for sample in range(n_samples):
            which, own = label[row, sample], left[row, sample]
            for lag in range(0 if np.isnan(own) else 5):
                i, j = row + (lag if lag < 3 else 0), sample + (lag - 2 if lag > 2 else 0)
                if i >= len(lines) or j >= n_samples or lines[i] - lines[row] != i - row:
                    continue
                if label[i, j] == which and not np.isnan(left[i, j]):
                    sums[which, lag, 0] += own * left[i, j]
                    sums[which, lag, 1] += 1.0
    tall = np.zeros(n_patches)
    for which in range(n_patches):
        some = lines_seen[which][lines_seen[which] > 0]
        tall[which] = some.mean() if some.size else 0.0
    return sums[:, :, 0] / sums[:, :, 1], tall


@njit(cache=True, nogil=True)
def gather_scene(dn, lines, label, density_of_dn, first_dn, last_dn, block):  # type: ignore[no-untyped-def]
    """Counts and mean densities (blocks, n_samples) of the scene, by a table, for DN within a span; NaN where empty.

    Each `block` of the `lines` that follow each other, whose labels are given, makes one block.
    """
    n_samples = dn.shape[1]
    n_blocks = (len(lines) + block - 1) // block
    count, total = np.zeros((n_blocks, n_samples)), np.zeros((n_blocks, n_samples))
    for row, line in enumerate(lines):
        counts, totals = count[row // block], total[row // block]
        for sample in range(n_samples):
            value = dn[line, sample]
            if label[row, sample] == SCENE and first_dn <= value <= last_dn:
                counts[sample] += 1.0
                totals[sample] += density_of_dn[value]
    for row in range(n_blocks):
        for sample in range(n_samples):
            total[row, sample] = total[row, sample] / count[row, sample] if count[row, sample] > 0 else np.nan
    return count, total
