"""Reads the published constants and tables in `reference/`, which are not repeated in code."""

import csv
import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def constants(name: str) -> dict[str, Any]:
    """A TOML file of `reference/`, by name without suffix; every table in it has its `source`."""
    return tomllib.loads((resources.files("calib_reference") / f"{name}.toml").read_text(encoding="utf-8"))


@cache
def table(name: str) -> tuple[dict[str, str], ...]:
    """A CSV file of `reference/`, by name without suffix: one dict per row. Lines starting with # name the source."""
    text = (resources.files("calib_reference") / f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
