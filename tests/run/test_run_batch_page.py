"""The page of a batch shows what stands in its folder, and nothing that the ledger does not tell of."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from calib.products import ledger_page
from calib.products.ledger_page import LedgerRow
from calib.run.batch import page as batch_page
from calib.run.batch.ledger import LEDGER, Row, write_ledger
from calib.run.batch.page import PAGE, write_page


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> list[LedgerRow]:
    """The rows of which the page was made."""
    made: list[LedgerRow] = []

    def page(rows: tuple[LedgerRow, ...]) -> str:
        made.extend(rows)
        return ledger_page.page(rows)

    monkeypatch.setattr(batch_page, "page", page)
    return made


def test_a_frame_is_shown_by_its_map_and_leads_to_its_report(calibrated, tmp_path: Path, seen: list[LedgerRow]) -> None:  # type: ignore[no-untyped-def]
    """A name may hold what means something else in an address."""
    name = "no. 7 #a"
    shutil.copytree(calibrated.result.out, tmp_path / name)
    write_ledger(tmp_path / LEDGER, [Row(name, "done", "p", 12.0, figures={"seam jump (D)": 0.002})])
    assert write_page(tmp_path) == tmp_path / PAGE
    assert 'href="no.%207%20%23a/report.html"' in (tmp_path / PAGE).read_text()
    picture = seen[0].picture
    assert picture is not None
    assert max(picture.shape) == 144
    assert 0.2 < np.isfinite(picture).mean() < 1.0


def test_products_of_an_earlier_run_are_not_shown_for_a_frame_that_failed(
    calibrated, tmp_path: Path, seen: list[LedgerRow]
) -> None:  # type: ignore[no-untyped-def]
    """They are of other inputs or settings than those that failed."""
    shutil.copytree(calibrated.result.out, tmp_path / "f")
    write_ledger(tmp_path / LEDGER, [Row("f", "failed", "p", 12.0, "the disk is full")])
    write_page(tmp_path)
    assert (seen[0].picture, seen[0].report, seen[0].reason) == (None, None, "the disk is full")


@pytest.mark.parametrize("spoilt", [None, b"no picture at all"])
def test_a_map_that_is_gone_or_spoilt_leaves_the_others_their_page(
    tmp_path: Path, seen: list[LedgerRow], spoilt: bytes | None
) -> None:
    """Somebody tidied up; the figures are still worth a row."""
    if spoilt:
        (tmp_path / "f" / "map").mkdir(parents=True)
        (tmp_path / "f" / "map" / "reflectance.tif").write_bytes(spoilt)
    write_ledger(tmp_path / LEDGER, [Row("f", "done", "p", 12.0)])
    write_page(tmp_path)
    assert seen[0].picture is None
