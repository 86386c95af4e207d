"""The ledger survives whatever cuts it short, and says to a program what it says to a person."""

import csv
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.errors import InputError
from calib.run.batch.ledger import Row, State, read_ledger, write_ledger

words = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12)
numbers = st.floats(-1e6, 1e6).map(lambda value: float(f"{value:.6g}"))
some_rows = st.lists(
    st.builds(
        Row,
        frame=words,
        state=st.sampled_from(get_args(State)),
        package=words.map(lambda word: f'/archive/{word}, the "first"/frame.toml'),
        seconds=st.none() | st.integers(0, 10**6).map(lambda tenths: tenths / 10),
        reason=st.just("") | words,
        warnings=st.none() | st.integers(0, 99),
        made=st.just("") | st.text("0123456789abcdef", min_size=16, max_size=16),
        figures=st.dictionaries(st.sampled_from(["mark residual (px)", "seam jump (D)", "patches, used"]), numbers),
    ),
    min_size=1,
    max_size=6,
    unique_by=lambda row: row.frame,
)
steady = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


@given(rows=some_rows)
@steady
def test_what_was_written_is_read(tmp_path: Path, rows: list[Row]) -> None:
    write_ledger(tmp_path / "ledger.csv", rows)
    assert list(read_ledger(tmp_path / "ledger.csv").values()) == rows


@given(rows=some_rows, share=st.floats(0, 1))
@steady
def test_cut_at_any_byte_the_whole_rows_before_the_cut_are_read(tmp_path: Path, rows: list[Row], share: float) -> None:
    """A batch replaces the file in one step; a full disk or a broken copy may cut it all the same."""
    path = tmp_path / "ledger.csv"
    write_ledger(path, rows)
    whole = path.read_bytes()
    cut = whole[: round(share * len(whole))]
    path.write_bytes(cut)
    assert list(read_ledger(path).values()) == rows[: max(0, cut.count(b"\n") - 1)]


def test_a_plain_reader_finds_one_row_a_frame(tmp_path: Path) -> None:
    """Outside check: Python's own CSV reader, by column names."""
    rows = [
        Row("tern2-0001", "done", "/a/frame.toml", 12.34, warnings=2, made="0" * 16, figures={"seam jump (D)": 0.0012}),
        Row("tern2-0002", "failed", "/b/frame.toml", 0.1, reason="frame.toml: camera:\nfound nothing"),
        Row("tern2-0003", "waiting", "/c/frame.toml"),
    ]
    write_ledger(tmp_path / "ledger.csv", rows)
    with (tmp_path / "ledger.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    assert [line["state"] for line in table] == ["done", "failed", "waiting"]
    assert (table[0]["seconds"], table[0]["seam jump (D)"], table[1]["seam jump (D)"]) == ("12.3", "0.0012", "")
    assert table[1]["reason"] == "frame.toml: camera: found nothing"


def test_a_spreadsheet_may_save_it_and_rows_that_make_no_sense_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "ledger.csv"
    write_ledger(path, [Row(f"f{k}", "done", "/p", 1.0, figures={"seam jump (D)": 1.0}) for k in range(5)])
    lines = path.read_text().splitlines()
    lines[2] = lines[2].replace("done", "finished")
    lines[3] = lines[3].replace(",1,", ",one,")
    lines[4] += ",more"
    path.write_bytes(b"\xef\xbb\xbf" + ("\r\n".join(lines) + "\r\n").encode())
    assert list(read_ledger(path)) == ["f0", "f4"]


def test_another_file_of_that_name_is_not_taken_for_a_ledger(tmp_path: Path) -> None:
    path = tmp_path / "ledger.csv"
    assert read_ledger(path) == {}
    path.write_text("date,amount\n1971-06-21,7\n")
    with pytest.raises(InputError, match=r"ledger.csv: line 1: found date,amount, expected a batch's ledger"):
        read_ledger(path)
