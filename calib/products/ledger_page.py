"""The page beside a batch's ledger: a picture and the figures of every frame, to be looked through. No network."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from calib.products.pages import shipped, template
from calib.products.readable import number
from calib.products.report_pictures import grey_jpeg

_FAR = 4.0  # robust sigmas from the middle of all frames: of a thousand alike that scatter normally not one lies there
_FEWEST = 8  # frames that tell what is usual
_OF_A_SIGMA = 0.6745  # the median of the departures from the middle of what scatters normally


@dataclass(frozen=True, slots=True, eq=False)
class LedgerRow:
    """A frame as its ledger knows it; `report`: address of its page, `picture` (rows, columns): its map, NaN where it
    shows nothing; None where there is none. `figures`: "name (unit)" to value.
    """

    frame: str
    state: str
    reason: str
    warnings: int | None
    figures: Mapping[str, float]
    report: str | None
    picture: NDArray[np.floating] | None


@dataclass(frozen=True, slots=True)
class _Cell:
    """A figure as it is shown, the value that it is sorted by, and whether it is far from the other frames'."""

    text: str
    value: float
    is_far: bool


def page(rows: Sequence[LedgerRow]) -> str:
    """The page as text: the frames that are not done first, the others in the order of `rows`. It says nothing that
    another batch of the same frames would say otherwise, such as times.
    """
    names = tuple(dict.fromkeys(name for row in rows for name in row.figures))
    shown = sorted(rows, key=lambda row: row.state == "done")
    columns = [_column([row.figures.get(name) for row in shown]) for name in names]
    states = Counter(row.state for row in rows)
    return template("ledger_page.html").render(
        css=Markup(shipped("report.css")),
        title=f"{states['done']:,} of {len(rows):,} frames done",
        names=[name.removesuffix(")").partition(" (")[::2] for name in names],
        states=sorted(states.items()),
        rows=[(row, _picture(row), [column[k] for column in columns]) for k, row in enumerate(shown)],
        far=_FAR,
    )


def far_from_others(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which of the values (N,) lie far from their middle, by a scatter that outliers do not widen; NaN never does.

    Too few values, or values of which half are the same, tell no scatter: then none does.
    """
    known = values[np.isfinite(values)]
    if known.size < _FEWEST:
        return np.zeros(values.shape, bool)
    middle = np.median(known)
    sigma = np.median(np.abs(known - middle)) / _OF_A_SIGMA
    return np.abs(values - middle) > _FAR * sigma if sigma > 0 else np.zeros(values.shape, bool)


def _column(values: Sequence[float | None]) -> list[_Cell | None]:
    """One figure of all frames; None where a frame has none."""
    numbers = np.array([np.nan if value is None else value for value in values])
    is_far = far_from_others(numbers).tolist()
    cells = zip(values, is_far, strict=True)
    return [None if value is None else _Cell(number(value), value, far) for value, far in cells]


def _picture(row: LedgerRow) -> str | None:
    return None if row.picture is None else grey_jpeg(row.picture)
