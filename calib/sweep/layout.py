"""The unknowns of the sweep fit: which columns each strip has, which all strips share, and their prior groups.

With t_l, t_s the line and sample scaled to -1 .. 1, strip k departs from its nominal place by, in px::

    x:  a + a_k + (c_g + c_k) t_l + Wx_k(l) + e t_s + S(s) + e_k t_s + S_k(s)
    y:  b + b_k + (d_g + d_k) t_l + Wy_k(l) + Y(s) + (h_g + h_k) t_s

Letters with k belong to the strip, g to its scan direction, the rest to all strips. W, S, S_k, Y are sums of
`modes.smooth_modes`. All borders of the wedge may lie off by the same little amount. Every group of coefficients has a
prior variance of its own, which the data estimate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.modes import Kernel, SmoothModes, smooth_modes

GROUPS = (
    "common", "S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear", "place_x", "place_y",
    "border_x", "border_y",
)  # fmt: skip
LINES_PER_MODE = 60
MODES_MOST = 140
SAMPLE_MODES = 16


@dataclass(frozen=True, slots=True, eq=False)
class StripShape:
    """What the fit needs to know of a strip: its size and whether it was scanned the other way."""

    n_lines: int
    n_samples: int
    is_reversed: bool


@dataclass(frozen=True, slots=True)
class Smoothness:
    """The kind of random function that each smooth part is: wander along the lines in x and in y, sweep across them."""

    wander_x: Kernel
    wander_y: Kernel
    sweep: Kernel


# Before the data have been asked: deflection is smoother than transport.
ROUGH = Smoothness(wander_x=Kernel(1, 4.0), wander_y=Kernel(1, 4.0), sweep=Kernel(2, 4.0))


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Columns of every strip's and of the shared unknowns.

    The modes along the lines, of the wander in x and in y, are those of the longest strip. `places[k]` are the marks
    whose stated-position error is an unknown (two columns) in strip k's block.
    """

    strips: tuple[StripShape, ...]
    line_modes: tuple[SmoothModes, SmoothModes]
    sample_modes: SmoothModes
    places: tuple[tuple[int, ...], ...]

    def groups(self, strip: int) -> NDArray[np.int64]:
        """Prior group (index into GROUPS) of each column of a strip's block."""
        (n_x, n_y), n_s = (modes.n_modes for modes in self.line_modes), self.sample_modes.n_modes
        names = ["a", "slope_x", *["Wx"] * n_x, "Sk_line", *["Sk"] * n_s, "b", "slope_y", *["Wy"] * n_y, "shear"]
        names += ["place_x", "place_y"] * len(self.places[strip])
        return np.array([GROUPS.index(name) for name in names])

    def shared_groups(self) -> NDArray[np.int64]:
        """Prior group of each shared column: x (1, t_s, slope by direction, S), y (1, slope, shear by direction, Y),
        the borders' two offsets."""
        n_s = self.sample_modes.n_modes
        names = ["common"] * 4 + ["S"] * n_s + ["common"] * 5 + ["Y"] * n_s + ["border_x", "border_y"]
        return np.array([GROUPS.index(name) for name in names])

    def rows(self, strip: int, line: Array, sample: Array) -> Array:
        """Design (N, 2, n_columns) of the strip's own unknowns at places in it; axis 1 is (x, y)."""
        t_l, t_s, s = self._parts(strip, line, sample)
        one = np.ones_like(t_l)
        w_x, w_y = (modes.at(line) for modes in self.line_modes)
        x_part = np.column_stack([one, t_l, w_x, t_s, s])
        y_part = np.column_stack([one, t_l, w_y, t_s])
        n_x, n_y = x_part.shape[1], y_part.shape[1]
        rows = np.zeros((len(one), 2, n_x + n_y + 2 * len(self.places[strip])))
        rows[:, 0, :n_x] = x_part
        rows[:, 1, n_x : n_x + n_y] = y_part
        return rows

    def shared_rows(self, strip: int, line: Array, sample: Array) -> Array:
        """Design (N, 2, n_shared) of the unknowns that all strips share."""
        t_l, t_s, s = self._parts(strip, line, sample)
        forth = np.full_like(t_l, not self.strips[strip].is_reversed)
        x_part = np.column_stack([np.ones_like(t_l), t_s, forth * t_l, (1 - forth) * t_l, s])
        y_part = np.column_stack([np.ones_like(t_l), forth * t_l, (1 - forth) * t_l, forth * t_s, (1 - forth) * t_s, s])
        n_x, n_y = x_part.shape[1], y_part.shape[1]
        rows = np.zeros((len(t_l), 2, n_x + n_y + 2))
        rows[:, 0, :n_x] = x_part
        rows[:, 1, n_x : n_x + n_y] = y_part
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

    def _parts(self, strip: int, line: Array, sample: Array) -> tuple[Array, Array, Array]:
        """Scaled line and sample, and the modes of the sample."""
        shape = self.strips[strip]
        half_l, half_s = (shape.n_lines - 1) / 2, (shape.n_samples - 1) / 2
        return line / half_l - 1, sample / half_s - 1, self.sample_modes.at(sample)


def make_layout(
    strips: Sequence[StripShape], places: Sequence[tuple[int, ...]], smoothness: Smoothness = ROUGH
) -> Layout:
    """The layout for strips of given shapes; the number of modes along the lines follows their number."""
    longest = max(s.n_lines for s in strips)
    most = int(np.clip(longest // LINES_PER_MODE, 6, MODES_MOST))
    line_modes = (smooth_modes(longest, most, smoothness.wander_x), smooth_modes(longest, most, smoothness.wander_y))
    sample_modes = smooth_modes(strips[0].n_samples, SAMPLE_MODES, smoothness.sweep)
    return Layout(tuple(strips), line_modes, sample_modes, tuple(places))
