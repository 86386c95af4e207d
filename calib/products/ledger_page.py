"""Makes the HTML page of a batch's ledger: a picture and the figures of every frame. It loads nothing else."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from calib.products.pages import package_text, template
from calib.products.readable import number
from calib.products.report_pictures import grey_jpeg

_OUTLIER_SIGMA = 4.0  # robust sigmas from the median of all frames; beyond it lies less than 1 of 1000 Gaussian values
_MIN_FRAMES = 8  # least number of frames for which outliers are judged
_MAD_OF_SIGMA = 0.6745  # median absolute deviation of a Gaussian, in sigma


@dataclass(frozen=True, slots=True, eq=False)
class LedgerRow:
    """One frame of the ledger.

    `report`: address of its page; `picture` (rows, columns): its map, NaN where there is no data; None if there is
    none. `figures`: "name (unit)" to value.
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
    """A figure as shown, its value for sorting, and whether it is an outlier among the frames."""

    text: str
    value: float
    is_outlier: bool


def page(rows: Sequence[LedgerRow]) -> str:
    """The page as text: frames that are not done first, otherwise in the order of `rows`.

    It holds nothing that differs between two batches of the same frames, such as times.
    """
    names = tuple(dict.fromkeys(name for row in rows for name in row.figures))
    shown = sorted(rows, key=lambda row: row.state == "done")
    columns = [_column([row.figures.get(name) for row in shown]) for name in names]
    states = Counter(row.state for row in rows)
    return template("ledger_page.html").render(
        css=Markup(package_text("report.css")),
        title=f"{states['done']:,} of {len(rows):,} frames done",
        names=[name.removesuffix(")").partition(" (")[::2] for name in names],
        states=sorted(states.items()),
        rows=[(row, _picture(row), [column[k] for column in columns]) for k, row in enumerate(shown)],
        far=_OUTLIER_SIGMA,
    )


def outliers(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mask of the values (N,) far from their median, in units of a robust sigma; False for NaN.

    All False if there are too few values, or if half of them are equal and so give no scatter.
    """
    known = values[np.isfinite(values)]
    if known.size < _MIN_FRAMES:
        return np.zeros(values.shape, bool)
    middle = np.median(known)
    sigma = np.median(np.abs(known - middle)) / _MAD_OF_SIGMA
    return np.abs(values - middle) > _OUTLIER_SIGMA * sigma if sigma > 0 else np.zeros(values.shape, bool)


def _column(values: Sequence[float | None]) -> list[_Cell | None]:
    """The cells of one figure for all frames; None where a frame lacks it."""
    numbers = np.array([np.nan if value is None else value for value in values])
    is_outlier = outliers(numbers).tolist()
    cells = zip(values, is_outlier, strict=True)
    return [None if value is None else _Cell(number(value), value, far) for value, far in cells]


def _picture(row: LedgerRow) -> str | None:
    return None if row.picture is None else grey_jpeg(row.picture)
