"""Reads the check values of tests/data/light; the header lines of each file name its source."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).resolve().parents[1] / "data" / "light"


def rows_of(name: str) -> list[dict[str, str]]:
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def columns_of(name: str, *columns: str) -> list[NDArray[np.float64]]:
    rows = rows_of(name)
    return [np.array([float(row[column]) for row in rows]) for column in columns]
