"""Cameras and poses for the tests of this folder."""

import csv
from pathlib import Path

import pytest

GEOMETRY = Path(__file__).parents[1] / "data" / "geometry"


@pytest.fixture(scope="session")
def published():
    """Rows of a check file by name; its header names the source."""

    def rows(name: str) -> list[dict[str, str]]:
        lines = (GEOMETRY / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))

    return rows
