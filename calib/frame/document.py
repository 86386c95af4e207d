"""Reads a description from its TOML files: inserts tables given by path, and records the file of each table."""

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from calib.errors import InputError
from calib.frame.description import FrameDescription
from calib.frame.files import allowed_root, existing, text_of
from calib.frame.words import dotted, quoted

Place = tuple[str | int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Document:
    """The keys of a frame description, and the file of each table.

    `values` are nested dicts, arrays as tuples; `origin` maps the place of a table to its file; the empty place is the
    description itself. `root` is the folder that no path may leave. `unread` maps the place of a table to the error if
    its file could not be read.
    """

    values: dict[str, Any]
    origin: Mapping[Place, Path]
    root: Path
    unread: Mapping[Place, InputError]

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that was read, the description first."""
        return tuple(dict.fromkeys(self.origin.values()))

    def file_of(self, place: Place) -> Path:
        """The file that contains the key at `place`."""
        return _file_of(self.origin, place)

    def mistake(self, place: Place, found: str, expected: str) -> InputError:
        """The error about the value at `place`."""
        return InputError(self.file_of(place), dotted(place), found, expected)


def read_document(path: Path, model: type[BaseModel] = FrameDescription) -> Document:
    """Read `path`, described by `model`, and all tables that it gives by path. Raises `InputError`."""
    origin: dict[Place, Path] = {(): path}
    reader = _Reader(allowed_root(path), origin, {})
    values = reader.whole_table(_toml(path), (model,), ())
    return Document(values, origin, reader.root, reader.unread)


def _file_of(origin: Mapping[Place, Path], place: Place) -> Path:
    """The file of the innermost table around the key at `place`."""
    return next(origin[place[:n]] for n in range(len(place) - 1, -1, -1) if place[:n] in origin)


def models_in(annotation: Any) -> tuple[type[BaseModel], ...]:
    """The table models that a type annotation allows, including those in arrays."""
    if isinstance(annotation, type) and get_origin(annotation) is None:
        return (annotation,) if issubclass(annotation, BaseModel) else ()
    return tuple(dict.fromkeys(model for part in get_args(annotation) for model in models_in(part)))


def fields_of(models: Iterable[type[BaseModel]]) -> dict[str, FieldInfo]:
    """The fields of all `models`, by name."""
    return {name: field for model in models for name, field in model.model_fields.items()}


@dataclass(frozen=True, slots=True, eq=False)
class _Reader:
    """Follows the tables of the description down to the files that contain them."""

    root: Path
    origin: dict[Place, Path]
    unread: dict[Place, InputError]

    def whole_table(
        self, table: Mapping[str, Any], models: tuple[type[BaseModel], ...], place: Place
    ) -> dict[str, Any]:
        """A table with all its tables inserted."""
        fields = fields_of(models)
        return {
            key: self._filled(value, fields[key].annotation if key in fields else None, (*place, key))
            for key, value in table.items()
        }

    def _filled(self, value: Any, annotation: Any, place: Place) -> Any:
        if isinstance(value, list):
            item = get_args(annotation)[0] if get_origin(annotation) is tuple else None
            return tuple(self._filled(part, item, (*place, index)) for index, part in enumerate(value))
        models = () if get_origin(annotation) is tuple else models_in(annotation)
        if models and isinstance(value, str):
            return self._by_path(value, models, place)
        return self.whole_table(value, models, place) if isinstance(value, dict) else value

    def _by_path(self, written: str, models: tuple[type[BaseModel], ...], place: Place) -> dict[str, Any] | str:
        """The table in the file at a path as written; the path itself if the file cannot be read."""
        named_in = _file_of(self.origin, place)
        expected = "a table, or the relative path of a TOML file that holds its keys"
        try:
            file = existing(written, self.root, named_in, dotted(place), expected)
            table = _toml(file)
        except InputError as mistake:
            self.unread[place] = mistake
            return written
        self.origin[place] = file
        return self.whole_table(table, models, place)


def _toml(path: Path) -> dict[str, Any]:
    """The keys of a TOML file."""
    text = text_of(path, "TOML in UTF-8")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise InputError(path, "", "arrays or tables nested too deep to read", "TOML") from error
    except ValueError as error:  # TOMLDecodeError, and errors of int() and datetime() for impossible values
        reason = str(error)
        at = re.search(r" \(at line (\d+), column (\d+)\)$", reason)
        lines = text.splitlines() or [""]
        number = min(int(at[1]), len(lines)) if at else len(lines)
        where = f"line {number}" if at or "end of document" in reason else ""
        found = quoted(lines[number - 1].strip()) if where else "a value that cannot be read"
        raise InputError(path, where, found, f"TOML ({_reason(reason)})") from error


def _reason(text: str) -> str:
    """The parser's reason without its place, for use in brackets."""
    bare = re.sub(r" \(at .*\)$", "", text)
    return quoted(bare, 100)[1:-1]
