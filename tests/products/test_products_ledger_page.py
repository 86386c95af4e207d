"""The ledger page of a batch: frames that need attention stand out, and texts from frames are escaped."""

import re
from html.parser import HTMLParser

import numpy as np
import pytest

from calib.products.ledger_page import LedgerRow, outliers, page


def row(frame: str, state: str = "done", reason: str = "", **figures: float) -> LedgerRow:
    report = f"{frame}/report.html" if state == "done" else None
    picture = np.arange(12.0).reshape(3, 4) if state == "done" else None
    named = {f"{name.replace('_', ' ')} (px)": value for name, value in figures.items()}
    return LedgerRow(frame, state, reason, 2, named, report, picture)


class Words(HTMLParser):
    """Collects the text of each row of the table and everything that the page would load."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.loads: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
        self.loads += [value or "" for name, value in attrs if name == "src"]

    def handle_data(self, data: str) -> None:
        if self.rows and data.strip():
            self.rows[-1].append(data.strip())


def test_the_frames_that_are_not_done_come_first_with_their_reason() -> None:
    """They are what an operator looks for first. A reason may quote anything from a file, so it must be escaped."""
    made = page([row("a", film_place=0.1), row("b", "failed", "found <script>alert(1)</script>"), row("c")])
    words = Words(made)
    assert [cells[0] for cells in words.rows[1:4]] == ["b", "a", "c"]
    assert words.rows[1] == ["b", "failed", "2", "found <script>alert(1)</script>"]
    assert "2 of 3 frames done" in made
    assert words.rows[2] == ["a", "done", "2", "0.1"]


def test_the_page_loads_nothing_and_is_reproducible() -> None:
    """It is archived: pictures are embedded, and two batches of the same frames give the same page."""
    rows = [row("a", film_place=0.1), row("b")]
    words = Words(page(rows))
    assert len(words.loads) == 2
    assert all(address.startswith("data:image/jpeg;base64,") for address in words.loads)
    assert page(rows) == page(rows)


def test_a_figure_far_from_all_others_stands_out_and_no_other() -> None:
    usual = [row(f"f{k}", film_place=0.1 + 0.001 * k, seam=1.0) for k in range(20)]
    made = page([*usual, row("odd", film_place=0.9, seam=1.0)])
    assert re.findall(r'class="num far" data-value="([^"]*)"', made) == ["0.9"]


@pytest.mark.parametrize(
    ("values", "far"),
    [
        ([1.0, 1.1, 0.9, 1.0, 1.2, 0.8, 1.05, 9.0, 9.5, np.nan], [7, 8]),  # two outliers do not hide each other
        ([1.0, 1.1, 0.9, 1.0, 9.0], []),  # five frames are too few for a scatter
        ([1.0] * 9 + [9.0], []),  # counts that are all equal have no scatter
    ],
)
def test_outliers_are_judged_by_a_scatter_that_they_do_not_widen(values: list[float], far: list[int]) -> None:
    assert np.flatnonzero(outliers(np.array(values))).tolist() == far
