"""Profiles of a strip along y over the columns of its own wedge, to which the wedge's pattern is matched."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.tone.known_film import KnownFilm
from calib.tone.wedge_misfit import COLUMN_GROUPS, nearest_line, row_medians

EDGE_SAMPLES = 4.0  # kept clear of a wedge's side edges, in samples


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Medians of column groups line by line, flat: one column group after the other; NaN where lost."""

    x_mm: Array
    y_mm: Array
    dn: Array
    noise: float


def wedge_profile(
    dn: NDArray, lost: NDArray[np.bool_], sweep: StripSweep, known: KnownFilm, strip: int, group: int
) -> Profile | None:
    """The strip's tone along y about a group of patches, over the columns that most patches of its own must cover."""
    top, bottom = known.group_span_mm(group)
    reach = 2 * known.tolerance_mm
    lines = np.flatnonzero((sweep.y_line_mm > top - reach) & (sweep.y_line_mm < bottom + reach))
    if lines.size < 8:
        return None
    rows = slice(int(lines[0]), int(lines[-1]) + 1)
    sample_mm = float(np.median(np.diff(sweep.x_sample_mm)))
    left, right = known.center_mm[strip] + np.array(known.group_columns_mm(group))
    clear = EDGE_SAMPLES * sample_mm + min(float(np.median(sweep.sigma_x_mm[rows])), 0.2 * (right - left))
    columns = np.flatnonzero((sweep.x_sample_mm > left + clear) & (sweep.x_sample_mm < right - clear))
    if columns.size < COLUMN_GROUPS:
        return None
    x, y, values = [], [], []
    for part in np.array_split(columns, COLUMN_GROUPS):
        under = slice(int(part[0]), int(part[-1]) + 1)
        median = row_medians(dn[rows, under], lost[rows, under])
        x.append(np.full(len(median), sweep.x_sample_mm[part].mean()) + sweep.x_line_mm[rows])
        y.append(sweep.y_line_mm[rows] + sweep.y_sample_mm[part].mean())
        values.append(median)
    alike = _without_banding(np.array(values))
    if np.isfinite(alike).sum() < 2 * alike.shape[1]:  # most column groups are lost
        return None
    return Profile(np.concatenate(x), np.concatenate(y), alike.ravel(), _noise_of(alike))


def _noise_of(values: Array) -> float:
    """1-sigma scatter in profiles (groups, lines) of one line about the next, or next seen if none has a neighbour."""
    steps = np.abs(np.diff(values, axis=1)).ravel()
    if not np.isfinite(steps).any():  # as where every other line is lost
        steps = np.concatenate([np.abs(np.diff(row[np.isfinite(row)])) for row in values])
    return max(float(np.nanmedian(steps)) / 0.954, 0.05)


def _without_banding(values: Array) -> Array:
    """Profiles of column groups (groups, lines), each matched to their median profile by a robust gain and offset.

    Banding multiplies the light, so it is nearly a gain and an offset in DN.
    """
    known = np.isfinite(values).all(axis=0)
    if known.sum() < COLUMN_GROUPS:
        return values
    middle = np.median(values[:, known], axis=0)
    alike = np.empty_like(values)
    for row, into in zip(values, alike, strict=True):
        gain, offset = nearest_line(row[known], middle)
        into[:] = gain * row + offset
    return alike
