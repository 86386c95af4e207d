"""Reads CSV tables of points: reseau marks and control points."""

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from calib.errors import InputError
from calib.frame.files import text_of
from calib.frame.frame import ControlPoints, ReseauMarks
from calib.frame.words import quoted

Limits = tuple[float, float]
FILM_MM: Limits = (-1e4, 1e4)
SMALLEST_SIGMA_MM = 1e-9  # stands for 'above 0': smaller values give weights that overflow
MARK_COLUMNS: Mapping[str, Limits] = {"x_mm": FILM_MM, "y_mm": FILM_MM}
CONTROL_COLUMNS: Mapping[str, Limits] = {
    "lon_deg": (-360, 360),
    "lat_deg": (-90, 90),
    "height_m": (-1e5, 1e5),
    "x_mm": FILM_MM,
    "y_mm": FILM_MM,
    "sigma_mm": (SMALLEST_SIGMA_MM, 100),
}
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


def read_marks(path: Path) -> ReseauMarks:
    """The reseau marks of a CSV file with the columns id, x_mm, y_mm. Raises `InputError` with line and column."""
    ids, columns = _read(path, MARK_COLUMNS)
    return ReseauMarks(ids=ids, **columns)


def read_control(path: Path) -> ControlPoints:
    """The control points of a CSV file: id, lon_deg, lat_deg, height_m, x_mm, y_mm, sigma_mm. Raises `InputError`."""
    ids, columns = _read(path, CONTROL_COLUMNS)
    return ControlPoints(ids=ids, **columns)


def _read(path: Path, limits: Mapping[str, Limits]) -> tuple[tuple[str, ...], dict[str, np.ndarray]]:
    """The ids, and the columns of numbers by name, (n_points,) each."""
    header = f"the columns id, {', '.join(limits)}"
    rows = _rows(path)
    _, first = next(rows, (1, []))
    if not first:
        raise InputError(path, "line 1", "nothing", header)
    _check_header(path, first, ("id", *limits), header)
    seen: dict[str, int] = {}
    table: list[list[float]] = []
    for number, cells in rows:
        if len(cells) != len(first):
            raise InputError(path, f"line {number}", f"{len(cells)} cells", f"{len(first)}, {header}")
        row = dict(zip(first, cells, strict=True))
        _check_id(path, number, row["id"], seen)
        table.append([_number(path, number, name, row[name], bounds) for name, bounds in limits.items()])
    if not table:
        raise InputError(path, "line 2", "nothing", "one point or more, a line each")
    return tuple(seen), dict(zip(limits, np.array(table, dtype=np.float64).T.copy(), strict=True))


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield line number and stripped cells of every line that is not empty."""
    reader = csv.reader(io.StringIO(text_of(path, "CSV in UTF-8"), newline=""), strict=True, skipinitialspace=True)
    try:
        for cells in reader:
            bare = [cell.strip() for cell in cells]
            if any(bare):
                yield reader.line_num, bare
    except csv.Error as error:
        raise InputError(path, f"line {reader.line_num}", "quotes or a cell that cannot be read", "CSV") from error


def _check_header(path: Path, names: list[str], wanted: tuple[str, ...], header: str) -> None:
    for name in names:
        if name not in wanted:
            expected = header if len(names) > 1 else f"{header}, with commas between them"
            raise InputError(path, "line 1", f"the unknown column {quoted(name)}", expected)
        if names.count(name) > 1:
            raise InputError(path, "line 1", f"the column {name} twice", header)
    missing = [name for name in wanted if name not in names]
    if missing:
        raise InputError(path, "line 1", f"no column {missing[0]}", header)


def _check_id(path: Path, number: int, name: str, seen: dict[str, int]) -> None:
    """Record the id of line `number` in `seen`. Raises `InputError` if it is not printable or not unique."""
    where = f"line {number}, id"
    if not name or not name.isprintable():
        raise InputError(path, where, quoted(name), "a printable name")
    if name in seen:
        raise InputError(path, where, f"{quoted(name)}, as in line {seen[name]}", "a name of its own")
    seen[name] = number


def _number(path: Path, number: int, column: str, text: str, limits: Limits) -> float:
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    if not limits[0] <= value <= limits[1]:
        low = "above 0" if limits[0] == SMALLEST_SIGMA_MM else f"from {limits[0]:g}"
        raise InputError(path, f"line {number}, {column}", quoted(text), f"a number {low} to {limits[1]:g}")
    return value
