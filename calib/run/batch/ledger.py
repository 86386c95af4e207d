"""The ledger of a batch: a CSV file with one row per frame, complete and readable even if the batch is killed."""

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, get_args

from calib.errors import InputError, shown
from calib.products.atomic import write_text

LEDGER = "ledger.csv"
State = Literal["waiting", "begun", "done", "failed"]
COLUMNS = ("frame", "state", "seconds", "reason", "warnings", "made", "package")
LONGEST_REASON = 400  # characters: a reason is one line of a table


@dataclass(frozen=True, slots=True)
class Row:
    """The ledger's row of one frame.

    `reason`: why it failed, one line. `warnings`: their number. `made`: digest of the inputs and settings of its
    present products, empty if no batch made them. `figures`: those of run.json, from "name (unit)" to value.
    """

    frame: str
    state: State
    package: str
    seconds: float | None = None
    reason: str = ""
    warnings: int | None = None
    made: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)


def write_ledger(path: Path, rows: Iterable[Row]) -> None:
    """Replace the ledger atomically: a reader sees either the old or the new one."""
    rows = tuple(rows)
    figures = tuple(dict.fromkeys(name for row in rows for name in row.figures))
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow((*COLUMNS[:-2], *figures, *COLUMNS[-2:]))
    for row in rows:
        seconds = "" if row.seconds is None else f"{row.seconds:.1f}"
        count = "" if row.warnings is None else str(row.warnings)
        numbers = (f"{row.figures[name]:.6g}" if name in row.figures else "" for name in figures)
        reason = shown(row.reason, LONGEST_REASON)
        table.writerow((row.frame, row.state, seconds, reason, count, *numbers, row.made, row.package))
    write_text(path, text.getvalue())


def read_ledger(path: Path) -> dict[str, Row]:
    """The rows by frame, in their order; empty if there is no ledger.

    A last line without a line end was cut off and is skipped, as is any row that cannot be read. Their frames are
    checked anew, which only costs time.

    Raises:
        InputError: the first line is not a ledger's.
    """
    if not path.exists():
        return {}
    *lines, _ = path.read_bytes().split(b"\n")
    if not lines:
        return {}
    table = csv.reader(line.decode("utf-8-sig", errors="replace") for line in lines)
    header = next(table, [])
    if not set(COLUMNS) <= set(header):
        raise InputError(path, "line 1", ",".join(header), f"a batch's ledger, with the columns {', '.join(COLUMNS)}")
    read = (_row(dict(zip(header, cells, strict=True))) for cells in table if len(cells) == len(header))
    return {row.frame: row for row in read if row is not None}


def _row(cells: dict[str, str]) -> Row | None:
    """A row, or None if a cell does not fit its column."""
    state = next((name for name in get_args(State) if name == cells["state"]), None)
    if state is None:
        return None
    try:
        return Row(
            frame=cells["frame"],
            state=state,
            package=cells["package"],
            seconds=float(cells["seconds"]) if cells["seconds"] else None,
            reason=cells["reason"],
            warnings=int(cells["warnings"]) if cells["warnings"] else None,
            made=cells["made"],
            figures={name: float(text) for name, text in cells.items() if name not in COLUMNS and text},
        )
    except ValueError:
        return None
