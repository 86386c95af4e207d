"""The unknowns of the sweep fit: which columns each strip has, which all strips share, and their prior groups.

With t_l, t_s the line and sample scaled to -1 .. 1, strip k departs from its nominal place by, in px::

    x:  a + a_k + (c_g + c_k) t_l + Wx_k(l) + e t_s + S(s) + e_k t_s + S_k(s)
    y:  b + b_k + (d_g + d_k) t_l + Wy_k(l) + Y(s) + (h_g + h_k) t_s

Letters with k belong to the strip, g to its scan direction, the rest to all strips. W, S, S_k, Y are sums of
`splines.smooth_modes`. Every group of coefficients has a prior variance of its own, which the data estimate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.splines import SmoothModes, smooth_modes

GROUPS = (
    "common", "S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear", "place_x", "place_y",
)  # fmt: skip
LINES_PER_MODE = 60
MODES_MOST = 140
SAMPLE_MODES = 16
WANDER_FALLOFF = 1.0
SWEEP_FALLOFF = 1.5  # deflection is smoother than transport


@dataclass(frozen=True, slots=True, eq=False)
class StripShape:
    """What the fit needs to know of a strip: its size and whether it was scanned the other way."""

    n_lines: int
    n_samples: int
    is_reversed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Columns of every strip's and of the shared unknowns.

    `places[k]` are the marks whose stated-position error is an unknown (two columns) in strip k's block.
    """

    strips: tuple[StripShape, ...]
    line_modes: tuple[SmoothModes, ...]
    sample_modes: SmoothModes
    places: tuple[tuple[int, ...], ...]

    def groups(self, strip: int) -> NDArray[np.int64]:
        """Prior group (index into GROUPS) of each column of a strip's block."""
        n_l, n_s = self.line_modes[strip].n_modes, self.sample_modes.n_modes
        names = ["a", "slope_x", *["Wx"] * n_l, "Sk_line", *["Sk"] * n_s, "b", "slope_y", *["Wy"] * n_l, "shear"]
        names += ["place_x", "place_y"] * len(self.places[strip])
        return np.array([GROUPS.index(name) for name in names])

    def shared_groups(self) -> NDArray[np.int64]:
        """Prior group of each shared column: x (1, t_s, slope by direction, S), y (1, slope, shear by direction, Y)."""
        n_s = self.sample_modes.n_modes
        names = ["common"] * 4 + ["S"] * n_s + ["common"] * 5 + ["Y"] * n_s
        return np.array([GROUPS.index(name) for name in names])

    def rows(self, strip: int, line: Array, sample: Array) -> Array:
        """Design (N, 2, n_columns) of the strip's own unknowns at places in it; axis 1 is (x, y)."""
        t_l, t_s, w, s = self._parts(strip, line, sample)
        one = np.ones_like(t_l)
        x_part = np.column_stack([one, t_l, w, t_s, s])
        y_part = np.column_stack([one, t_l, w, t_s])
        n_x, n_y = x_part.shape[1], y_part.shape[1]
        rows = np.zeros((len(one), 2, n_x + n_y + 2 * len(self.places[strip])))
        rows[:, 0, :n_x] = x_part
        rows[:, 1, n_x : n_x + n_y] = y_part
        return rows

    def shared_rows(self, strip: int, line: Array, sample: Array) -> Array:
        """Design (N, 2, n_shared) of the unknowns that all strips share."""
        t_l, t_s, _, s = self._parts(strip, line, sample)
        forth = np.full_like(t_l, not self.strips[strip].is_reversed)
        x_part = np.column_stack([np.ones_like(t_l), t_s, forth * t_l, (1 - forth) * t_l, s])
        y_part = np.column_stack([np.ones_like(t_l), forth * t_l, (1 - forth) * t_l, forth * t_s, (1 - forth) * t_s, s])
        rows = np.zeros((len(t_l), 2, x_part.shape[1] + y_part.shape[1]))
        rows[:, 0, : x_part.shape[1]] = x_part
        rows[:, 1, x_part.shape[1] :] = y_part
        return rows

    def place_rows(self, strip: int, mark: NDArray[np.int64]) -> Array:
        """Design (N, 2, n_columns) of the stated-position errors held in a strip's block, zero for other marks."""
        places = self.places[strip]
        first = len(self.groups(strip)) - 2 * len(places)
        rows = np.zeros((len(mark), 2, first + 2 * len(places)))
        column = {place: first + 2 * i for i, place in enumerate(places)}
        for i, m in enumerate(mark.tolist()):
            if m in column:
                rows[i, 0, column[m]] = rows[i, 1, column[m] + 1] = 1.0
        return rows

    def _parts(self, strip: int, line: Array, sample: Array) -> tuple[Array, Array, Array, Array]:
        """Scaled line and sample, and the modes there."""
        shape = self.strips[strip]
        half_l, half_s = (shape.n_lines - 1) / 2, (shape.n_samples - 1) / 2
        return line / half_l - 1, sample / half_s - 1, self.line_modes[strip].at(line), self.sample_modes.at(sample)


def make_layout(strips: Sequence[StripShape], places: Sequence[tuple[int, ...]]) -> Layout:
    """The layout for strips of given shapes; the number of modes along the lines follows their number."""
    counts = [int(np.clip(s.n_lines // LINES_PER_MODE, 6, MODES_MOST)) for s in strips]
    lengths = [s.n_lines for s in strips]
    known = {key: smooth_modes(*key, WANDER_FALLOFF) for key in set(zip(lengths, counts, strict=True))}
    line_modes = tuple(known[key] for key in zip(lengths, counts, strict=True))
    sample_modes = smooth_modes(strips[0].n_samples, SAMPLE_MODES, SWEEP_FALLOFF)
    return Layout(tuple(strips), line_modes, sample_modes, tuple(places))
