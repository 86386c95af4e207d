"""Defines the unknowns of the sweep fit: the columns of each strip, those shared by all strips, and their prior groups.

With t_l, t_s the line and sample scaled to -1 .. 1, the departure of strip k from its nominal place is, in px::

    x:  a + a_k + (c_g + c_k) t_l + Wx_k(l) + e t_s + S(s) + e_k t_s + S_k(s)
    y:  b + b_k + (d_g + d_k) t_l + Wy_k(l) + Y(s) + (h_g + h_k) t_s

Letters with k belong to the strip, those with g to its scan direction, the rest to all strips. W, S, S_k, Y are sums of
`modes.smooth_modes`. In addition, all borders of the wedge may be offset by the same small amount, and in y by the
effect of a different power of the light on their steps; all arms of marks may be longer than stated, in x, by the same
length. Every group of coefficients has a prior variance of its own, which is estimated from the data.

All of these are linear in the *terms* of a place (`rows.Rows`), and the design is stored as terms. The *few terms* are
1, t_l, t_s, the modes of the sample, 1 for a border, one further shared term (1 for an arm, which measures only x; px
per power for a border along y), and the marks whose places are unknown. The other terms are the B-splines of the line,
of which the wander's modes are combinations. A strip's *joint terms* are, for both axes, the few terms and, in place of
the splines, the wander's unknowns. Every unknown, own or shared, is the coefficient of one or more of them (`Columns`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.ordered import shared_out
from calib.sweep.modes import Kernel, SmoothModes, smooth_modes
from calib.sweep.rows import Rows, spline_values, spline_weights

GROUPS = (
    "common", "slope", "stretch", "S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear",
    "place_x", "place_y", "border_x", "border_y", "arm_x", "border_power",
)  # fmt: skip
LINES_PER_MODE = 60
MODES_MOST = 140  # modes along the lines, at most
SAMPLE_MODES = 16
OFFSET, ALONG, ACROSS, SAMPLE_MODE = range(4)  # indices of the few terms 1, t_l, t_s, and the first mode of the sample
UNSEEN = 1e-4  # px per 1-sigma: a direction of the modes' space that all rows of a strip see no more of is left out


@dataclass(frozen=True, slots=True, eq=False)
class StripShape:
    """Properties of a strip that the fit needs: its size and whether it was scanned in reverse."""

    n_lines: int
    n_samples: int
    is_reversed: bool


@dataclass(frozen=True, slots=True)
class Smoothness:
    """The kernel of the random function of each smooth part: wander over lines in x and in y, sweep over samples."""

    wander_x: Kernel
    wander_y: Kernel
    sweep: Kernel


# Before the data determine it: the deflection (sweep) is smoother than the transport (wander).
ROUGH = Smoothness(wander_x=Kernel(1, 4.0), wander_y=Kernel(1, 4.0), sweep=Kernel(2, 4.0))


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Index arrays that relate the joint terms of a strip to its own and the shared unknowns.

    Joint terms are the few terms (with the marks' places) and the wander's unknowns of x, then those of y: slices
    `few_of`, `wander_of` by axis. From unknowns to terms: `own` (n,) is the joint term of each unknown of the strip,
    `groups` (n,) its prior group; the joint terms `few` (2 n_few,) are also those of the shared unknowns `shared`
    (2 n_few,); `common` (n_shared,) is the joint term of each shared unknown, n_joint if this strip does not have it.
    From terms to unknowns: `unknown` (n_joint,) is the strip's unknown of each joint term, arbitrary for the terms
    `alone`, which have only a shared unknown.
    """

    n_joint: int
    few_of: tuple[slice, slice]
    wander_of: tuple[slice, slice]
    own: NDArray[np.int64]
    groups: NDArray[np.int64]
    few: NDArray[np.int64]
    shared: NDArray[np.int64]
    common: NDArray[np.int64]
    unknown: NDArray[np.int64]
    alone: NDArray[np.int64]

    @property
    def n_terms(self) -> int:
        """Number of few terms of an axis, including the marks' places."""
        return self.few_of[0].stop

    def half(self, axis: int) -> slice:
        """The joint terms of an axis: its few terms, then its wander."""
        return slice(self.few_of[axis].start, self.wander_of[axis].stop)


def _shared_unknowns(n_s: int) -> dict[str, tuple[str, int]]:
    """The shared unknowns in order, by the letters of the model above: prior group and number, given the number `n_s`
    of modes of the sample. Of those by scan direction, forward is first."""
    return {
        "a": ("common", 1), "e": ("stretch", 1), "c": ("slope", 2), "S": ("S", n_s),
        "b": ("common", 1), "d": ("slope", 2), "h": ("stretch", 2), "Y": ("Y", n_s),
        "border x": ("border_x", 1), "border y": ("border_y", 1), "arm": ("arm_x", 1), "power": ("border_power", 1),
    }  # fmt: skip


@lru_cache(maxsize=1024)
def _columns(n_x: int, n_y: int, n_s: int, n_places: int, is_reversed: bool) -> Columns:
    """The columns of a strip, from its number of unknowns of the wander in x and y, sample modes and unknown places.

    Only x has a sweep of each strip's own (Sk_line, Sk).
    """
    n_few, back, modes = SAMPLE_MODE + n_s + 2, int(is_reversed), np.arange(n_s)
    ends = np.cumsum([0, n_few + n_places, n_x, n_few + n_places, n_y]).tolist()
    few_x, wander_x, few_y, wander_y = (slice(*pair) for pair in pairwise(ends))
    own_x = {"a": OFFSET, "slope_x": ALONG, "Wx": None, "Sk_line": ACROSS, "Sk": SAMPLE_MODE, "place_x": n_few}
    own_y = {"b": OFFSET, "slope_y": ALONG, "Wy": None, "shear": ACROSS, "place_y": n_few}
    parts, groups = [], []
    for terms, wander, names in (
        (few_x, wander_x, own_x),
        (few_y, wander_y, own_y),
    ):
        for name, first in names.items():
            count = {"Sk": n_s, "place_x": n_places, "place_y": n_places}.get(name, 1)
            part = np.arange(wander.start, wander.stop) if first is None else terms.start + first + np.arange(count)
            parts.append(part)
            groups.append(np.full(len(part), GROUPS.index(name)))
    sizes = {name: count for name, (_, count) in _shared_unknowns(n_s).items()}
    starts = np.cumsum([0, *sizes.values()]).tolist()
    at = dict(zip(sizes, starts, strict=False))
    shared = [at["a"], at["c"] + back, at["e"], *(at["S"] + modes), at["border x"], at["arm"]]
    shared += [at["b"], at["d"] + back, at["h"] + back, *(at["Y"] + modes), at["border y"], at["power"]]
    few = np.concatenate([few_x.start + np.arange(n_few), few_y.start + np.arange(n_few)])
    common = np.full(starts[-1], ends[-1])
    common[shared] = few
    own = np.concatenate(parts)
    unknown = np.zeros(ends[-1], np.int64)
    unknown[own] = np.arange(own.size)
    return Columns(
        ends[-1], (few_x, few_y), (wander_x, wander_y), own, np.concatenate(groups), few, np.array(shared), common,
        unknown, np.setdiff1d(np.arange(ends[-1]), own),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """The columns of all strips' unknowns and of the shared ones.

    `line_modes` of the wander in x and in y are made for the longest strip and used for all. `places[k]` are the marks
    whose stated-position error is an unknown (two columns) in strip k's block. `wander[k]` are the spline coefficients
    (n_splines, n) of the wander's unknowns in strip k, in x and in y: the modes, or fewer combinations of them
    (`cut_to`).
    """

    strips: tuple[StripShape, ...]
    line_modes: tuple[SmoothModes, SmoothModes]
    sample_modes: SmoothModes
    places: tuple[tuple[int, ...], ...]
    wander: tuple[tuple[Array, Array], ...]

    def columns(self, strip: int) -> Columns:
        """The index arrays between a strip's joint terms and the unknowns."""
        x, y = self.wander[strip]
        return _columns(
            x.shape[1], y.shape[1], self.sample_modes.n_modes, len(self.places[strip]), self.strips[strip].is_reversed
        )

    def groups(self, strip: int) -> NDArray[np.int64]:
        """Prior group (index into GROUPS) of each column of a strip's block: those of x, then those of y."""
        return self.columns(strip).groups

    def shared_groups(self) -> NDArray[np.int64]:
        """Prior group (index into GROUPS) of each shared unknown."""
        groups = _shared_unknowns(self.sample_modes.n_modes).values()
        return np.array([GROUPS.index(name) for name, count in groups for _ in range(count)])

    @property
    def n_few(self) -> int:
        """Number of few terms without the marks' places: 1, t_l, t_s, modes of the sample, and the two shared terms."""
        return SAMPLE_MODE + self.sample_modes.n_modes + 2

    @property
    def n_splines(self) -> int:
        """Number of splines over the lines."""
        return len(self.line_modes[0].coefficients)

    def along(self, strip: int, line: Array) -> tuple[Array, NDArray[np.int64], Array]:
        """What depends only on the lines (N,) of a strip: t_l, and the splines' `cell` and `weight` as in `Rows`."""
        modes = self.line_modes[0]
        cell, weight = spline_weights(modes.length, modes.points, np.asarray(line, np.float64))
        return line / ((self.strips[strip].n_lines - 1) / 2) - 1, cell, weight

    def rows(self, strip: int, line: Array, sample: Array) -> Rows:
        """Terms of places (N,) in a strip; the terms of borders, arms and marks' places are 0."""
        t_l, cell, weight = self.along(strip, line)
        t_s = sample / ((self.strips[strip].n_samples - 1) / 2) - 1
        none = np.zeros((len(t_l), 2 + len(self.places[strip])))
        few = np.column_stack([np.ones_like(t_l), t_l, t_s, self.sample_modes.at(sample), none])
        return Rows(few, cell, weight)

    def place_terms(self, strip: int, mark: NDArray[np.int64]) -> Array:
        """Few terms (N, f) that contain only the places of `mark` (N,); a row is zero if its place is not in the
        strip's block."""
        places = np.array(self.places[strip], np.int64)
        return np.concatenate([np.zeros((len(mark), self.n_few)), mark[:, None] == places], axis=1)

    def shared_rows(self, strip: int, line: Array, sample: Array) -> Array:
        """Design (N, 2, n_shared) of the shared unknowns; axis 1 is (x, y)."""
        few = self.rows(strip, line, sample).few[:, : self.n_few]
        rows = np.zeros((len(few), 2, len(self.shared_groups())))
        for axis, shared in enumerate(np.split(self.columns(strip).shared, 2)):
            rows[:, axis, shared] = few
        return rows

    def coefficients(self, strip: int, own: Array, shared: Array) -> tuple[Array, Array]:
        """Coefficients of a strip's few terms (f, 2) and splines (n_splines, 2) for x and y, from its `own` and the
        `shared` unknowns."""
        columns = self.columns(strip)
        joint = np.zeros(columns.n_joint)
        joint[columns.own] = own
        joint[columns.few] += shared[columns.shared]
        few = np.column_stack([joint[part] for part in columns.few_of])
        splines = [modes @ joint[part] for modes, part in zip(self.wander[strip], columns.wander_of, strict=True)]
        return few, np.column_stack(splines)

    def cut_to(self, evidence: Sequence[tuple[Rows, NDArray[np.bool_]]], threads: int = 1) -> "Layout":
        """The same fit with only those of the wander's unknowns that the evidence sees.

        `evidence`, by strip: rows (N) and a mask (N, 2) of the axes on which each is seen. All modes have the same
        prior, so after any rotation of their space they are still independent with that prior. Few rows, or rows on few
        lines, see only some directions of the space; the directions orthogonal to these stay at their prior and need
        not be solved for: solution and likelihood are the same. Away from the evidence they add to the variance.
        """
        wander = shared_out(lambda mine: (self._seen(*mine, 0), self._seen(*mine, 1)), evidence, threads)
        return replace(self, wander=tuple(wander))

    def _seen(self, rows: Rows, seen: NDArray[np.bool_], axis: int) -> Array:
        """Spline coefficients (n_splines, n) of the combinations of modes that the rows see on an axis; those of the
        modes themselves if they see all or none."""
        modes = self.line_modes[axis].coefficients
        at = spline_values(rows.cell, rows.weight, modes)[seen[:, axis]]
        few = len(at) < at.shape[1]  # eigenvectors are computed in the space of the rows or of the modes, the smaller
        squares, vectors = np.linalg.eigh(at @ at.T if few else at.T @ at)
        found = squares > UNSEEN**2
        if not found.any() or found.sum() == modes.shape[1]:
            return modes
        directions = at.T @ (vectors[:, found] / np.sqrt(squares[found])) if few else vectors[:, found]
        return np.ascontiguousarray(modes @ directions)


def make_layout(
    strips: Sequence[StripShape], places: Sequence[tuple[int, ...]], smoothness: Smoothness = ROUGH,
    most_modes: int = MODES_MOST,
) -> Layout:  # fmt: skip
    """The layout for strips of given shapes; the number of modes along the lines depends on the longest strip."""
    longest = max(s.n_lines for s in strips)
    most = int(np.clip(longest // LINES_PER_MODE, 6, most_modes))
    line_modes = (smooth_modes(longest, most, smoothness.wander_x), smooth_modes(longest, most, smoothness.wander_y))
    sample_modes = smooth_modes(strips[0].n_samples, SAMPLE_MODES, smoothness.sweep)
    wander = (line_modes[0].coefficients, line_modes[1].coefficients)
    return Layout(tuple(strips), line_modes, sample_modes, tuple(places), (wander,) * len(strips))
