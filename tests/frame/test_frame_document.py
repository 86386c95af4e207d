"""The format's documentation names every key, bit and column that the code knows; the code reads its example."""

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from calib import quality
from calib.frame.description import FrameDescription
from calib.frame.document import models_in, read_document
from calib.frame.points import CONTROL_COLUMNS, MARK_COLUMNS
from calib.frame.read import validated

TEXT = (Path(__file__).resolve().parents[2] / "reference" / "frame-package.md").read_text(encoding="utf-8")
EXAMPLE = re.search(r"```toml\n(.*?)```", TEXT, re.DOTALL)[1]  # type: ignore[index]


def tables(model: type[BaseModel]) -> list[type[BaseModel]]:
    """A table and all tables below it."""
    below = [
        table for field in model.model_fields.values() for part in models_in(field.annotation) for table in tables(part)
    ]
    return [model, *below]


KEYS = sorted({key for table in tables(FrameDescription) for key in table.model_fields})


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_documented(key: str) -> None:
    assert re.search(rf"`(\[|\[film\.)?{key}\]?`|\| `{key}` \|", TEXT), key


@pytest.mark.parametrize("bit", quality.BITS, ids=lambda bit: bit.name)
def test_every_quality_bit_is_documented(bit: quality.QualityBit) -> None:
    assert f"| {bit.value} | {bit.name} | {bit.meaning} |" in TEXT


@pytest.mark.parametrize("column", ["id", *MARK_COLUMNS, *CONTROL_COLUMNS])
def test_every_column_is_documented(column: str) -> None:
    assert f"`{column}`" in TEXT[TEXT.index("### Tables of points") :]


def test_the_example_is_a_valid_description(tmp_path: Path) -> None:
    (tmp_path / "frame.toml").write_text(EXAMPLE, encoding="utf-8")
    described = validated(read_document(tmp_path / "frame.toml"))
    assert described.name == "tern2-0143"


def test_the_example_shows_every_table_and_every_optional_key() -> None:
    """But for the first form of the pointing, of which the page has a table."""
    shown = tomllib.loads(EXAMPLE)
    assert set(shown) == set(FrameDescription.model_fields)
    for name in ("exposure", "camera", "film", "scan", "sun", "terrain", "control", "map"):
        (model,) = models_in(FrameDescription.model_fields[name].annotation)
        assert set(shown[name]) == set(model.model_fields), name
