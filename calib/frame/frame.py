"""The frame package as a validated value, with strips that are read by blocks of lines."""

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
    """Convert every column of the points to read-only float64; ValueError unless it has one value for each id."""
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
    """The reseau: ids and stated film places of M marks; `x_mm`, `y_mm` (M,)."""

    ids: tuple[str, ...]
    x_mm: Array
    y_mm: Array

    def __post_init__(self) -> None:
        _hold_columns(self)


@dataclass(frozen=True, slots=True, eq=False)
class ControlPoints:
    """P points with known ground coordinates, measured on the (distorted) film; all arrays (P,).

    `sigma_mm` is the 1-sigma of each film coordinate; `height_m` is above the sphere.
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
    """A run of lines of a strip: `count` lines of its file from `first` on are lines `line` and following of the strip.

    `why` is the evidence that the film between the piece before and this one differs from the file; else it is empty.
    """

    line: int
    first: int
    count: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class StripRaster:
    """One strip on disk: row = scan line, column = sample, lines in the order of scanning.

    `index` counts from 0 in film order; `dtype` is uint8 or uint16 in the machine's byte order; a strip that
    `is_reversed` has its line 0 at the far end of the film. `decoded` is the cache of decoded strips, shared by all
    strips of a frame. `damage` describes damage that the file's header shows; a strip that `is_lost` has no usable
    header and is replaced by zeros. `lines` are the samples of a strip that is `held` in memory. If there are `pieces`,
    lines outside them do not exist in the file; the last piece ends where the file does.
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
        """The strip's number and file, for messages."""
        return f"strip {self.index} ({self.path.name})"

    def read(self, first: int, stop: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Lines `first` to `stop` - 1 as (stop - first, n_samples); unreadable lines are zeros.

        The result is a copy, or for a strip that is `held` a view that must not be changed. Raises `InputError` if the
        file has changed or cannot be opened, ValueError for lines that do not exist.
        """
        if not 0 <= first <= stop <= self.n_lines:
            raise ValueError(f"lines {first} to {stop} of a strip that has {self.n_lines}")
        if self.lines is not None:
            return self.lines[0][first:stop]
        return self._read(first, stop)[0]

    def held(self) -> "StripRaster":
        """The strip with all its lines read into memory, for repeated use."""
        return replace(self, lines=self._read(0, self.n_lines))

    def unread(self) -> NDArray[np.bool_]:
        """Mask (n_lines,) of the lines that could not be read, because the file is damaged or lacks them."""
        return (self.lines or self._read(0, self.n_lines))[1]

    def between_pieces(self) -> NDArray[np.bool_]:
        """Mask (n_lines,) of the lines outside all pieces of the strip; all False if there are no pieces."""
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

    `inputs` are all files that belong to it; `warnings` has one line for each oddity that is not a mistake.
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
