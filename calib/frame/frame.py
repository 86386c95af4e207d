"""The frame package as a value: described, validated, its strips ready to be read block by block."""

from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.frame.camera import Camera
from calib.frame.decoded import DecodedStrips, Lines
from calib.frame.description import Exposure, MapRequest, Scan, Sun
from calib.frame.film import Film
from calib.frame.pointing import PointingByPosition, PointingBySubPoint
from calib.frame.raster import read_lines


def _hold_columns(points: "ReseauMarks | ControlPoints") -> None:
    """Hold every column of the points as read-only float64, one value for each id."""
    for each in fields(points):
        if each.name == "ids":
            continue
        column = np.array(getattr(points, each.name), dtype=np.float64)
        if column.shape != (len(points.ids),):
            raise ValueError(f"{each.name} must have shape ({len(points.ids)},), not {column.shape}")
        column.flags.writeable = False
        object.__setattr__(points, each.name, column)


@dataclass(frozen=True, slots=True, eq=False)
class ReseauMarks:
    """The reseau: names and stated film places of M marks; `x_mm`, `y_mm` (M,)."""

    ids: tuple[str, ...]
    x_mm: Array
    y_mm: Array

    def __post_init__(self) -> None:
        _hold_columns(self)


@dataclass(frozen=True, slots=True, eq=False)
class ControlPoints:
    """P points known on the ground and measured on the film (as it is, distorted); all arrays (P,).

    `sigma_mm` is the 1-sigma of each film coordinate; `height_m` is counted from the sphere.
    """

    ids: tuple[str, ...]
    lon_deg: Array
    lat_deg: Array
    height_m: Array
    x_mm: Array
    y_mm: Array
    sigma_mm: Array

    def __post_init__(self) -> None:
        _hold_columns(self)


@dataclass(frozen=True, slots=True)
class Piece:
    """Lines of a strip that are used: `count` of its file from `first` on stand at `line` and the lines after it. `why`
    says what shows that the film does not go on from the piece before to this one as the file does; else it is empty.
    """

    line: int
    first: int
    count: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class StripRaster:
    """One strip on disk, row = scan line, column = sample, lines in the order in which they were scanned.

    `index` counts from 0 in film order; `dtype` is uint8 or uint16 in the machine's byte order; a strip that
    `is_reversed` has its line 0 at the far end of the film. `decoded` keeps what a compressed file holds once the
    strip has been read whole; a frame's strips share it. `damage` says what is wrong with the file as its header tells
    it; one that `is_lost` has no header, and is a stand-in of zeros. `lines` are those of a strip that is `held`. A
    strip that consists of `pieces` has no lines `between_pieces`; the last one ends where the file does.
    """

    index: int
    path: Path
    n_lines: int
    n_samples: int
    dtype: np.dtype
    is_reversed: bool
    decoded: DecodedStrips = field(default_factory=DecodedStrips, repr=False, compare=False)
    damage: str = ""
    is_lost: bool = False
    pieces: tuple[Piece, ...] = ()
    lines: Lines | None = field(default=None, repr=False, compare=False)

    @property
    def called(self) -> str:
        """The strip's number and file, for a line about it."""
        return f"strip {self.index} ({self.path.name})"

    def read(self, first: int, stop: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Lines `first` to `stop` - 1 as (stop - first, n_samples), a copy, or of a strip `held` a part of what it
        holds, which is not to be changed; nothing is kept. `unread` lines are zeros.

        Raises `InputError` where the file has changed or must not be read, ValueError for lines it has not.
        """
        if not 0 <= first <= stop <= self.n_lines:
            raise ValueError(f"lines {first} to {stop} of a strip that has {self.n_lines}")
        if self.lines is not None:
            return self.lines[0][first:stop]
        return self._read(first, stop)[0]

    def held(self) -> "StripRaster":
        """The strip with all its lines read into memory, for what looks at them several times."""
        return replace(self, lines=self._read(0, self.n_lines))

    def unread(self) -> NDArray[np.bool_]:
        """Lines that could not be read, because the file is damaged, (n_lines,)."""
        return (self.lines or self._read(0, self.n_lines))[1]

    def between_pieces(self) -> NDArray[np.bool_]:
        """Lines that no piece of the strip holds, whatever its file does, (n_lines,)."""
        gone = np.full(self.n_lines, bool(self.pieces))
        for piece in self.pieces:
            gone[piece.line : piece.line + piece.count] = False
        return gone

    def _read(self, first: int, stop: int) -> Lines:
        if self.is_lost:
            return np.zeros((stop - first, self.n_samples), self.dtype), np.ones(stop - first, np.bool_)
        if not self.pieces:
            return self._of_file(first, stop, self.n_lines)
        values, unread = np.zeros((stop - first, self.n_samples), self.dtype), np.ones(stop - first, np.bool_)
        for piece in self.pieces:
            low, high = max(first, piece.line), min(stop, piece.line + piece.count)
            if low < high:
                at, of_file = slice(low - first, high - first), piece.first - piece.line
                n_lines = self.pieces[-1].first + self.pieces[-1].count
                values[at], unread[at] = self._of_file(low + of_file, high + of_file, n_lines)
        return values, unread

    def _of_file(self, first: int, stop: int, n_lines: int) -> Lines:
        return read_lines(self.path, first, stop, (n_lines, self.n_samples), self.dtype, self.decoded)


@dataclass(frozen=True, slots=True, weakref_slot=True, eq=False)
class Frame:
    """One exposure: its description, its points and its strips.

    `inputs` is every file that belongs to it, `warnings` what is odd about it and yet no mistake, one line each.
    """

    path: Path
    name: str
    exposure: Exposure
    camera: Camera
    film: Film
    scan: Scan
    pointing: PointingByPosition | PointingBySubPoint
    sun: Sun | None
    dem: Path | None
    control: ControlPoints | None
    map: MapRequest
    marks: ReseauMarks
    strips: tuple[StripRaster, ...]
    inputs: tuple[Path, ...]
    warnings: tuple[str, ...]
