"""Turns the validation errors of a description into mistakes in our own words."""

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel, ValidationError

from calib.errors import InputError
from calib.frame.description import FrameDescription
from calib.frame.document import Document, Place, fields_of, models_in
from calib.frame.fields import MismatchError
from calib.frame.words import in_words

WRONG_FOR_A_TABLE = {"model_type", "model_attributes_type", "union_tag_not_found"}


def mistakes_of(
    error: ValidationError, document: Document, model: type[BaseModel] = FrameDescription
) -> Iterator[InputError]:
    """Yield the mistakes that the validation found, unknown keys first: they are often misspelt required keys."""
    details: list[Any] = error.errors(include_url=False)
    for detail in sorted(details, key=lambda detail: detail["type"] != "extra_forbidden"):
        yield _mistake(detail, document, model)


def _mistake(detail: Any, document: Document, model: type[BaseModel]) -> InputError:
    place, expected, keys = _explained(detail["loc"], model)
    if place in document.unread:
        return document.unread[place]
    if detail["type"] == "extra_forbidden":
        return document.mistake(place, "an unknown key", f"one of {', '.join(keys)}")
    if detail["type"] == "missing":
        return document.mistake(place, "nothing", expected)
    refusal = detail.get("ctx", {}).get("error")
    if isinstance(refusal, MismatchError):
        return document.mistake((*place, *refusal.below), refusal.found, refusal.expected)
    if detail["type"] in WRONG_FOR_A_TABLE and not isinstance(detail["input"], dict):
        expected += ", or the relative path of a TOML file that holds its keys"
    return document.mistake(place, in_words(detail["input"]), expected)


def _explained(loc: Place, model: type[BaseModel]) -> tuple[Place, str, tuple[str, ...]]:
    """The place in the description for pydantic's `loc`, what is expected there, and the keys of that table.

    If a field allows several tables, `loc` contains the name of the chosen one; that step is left out.
    """
    place: list[str | int] = []
    models: tuple[type[BaseModel], ...] = (model,)
    expected = ""
    keys: tuple[str, ...] = ()
    for step in loc:
        chosen = tuple(model for model in models if len(models) > 1 and model.__name__ == step)
        if chosen:
            models = chosen
            continue
        place.append(step)
        if isinstance(step, int):
            expected = f"one table of {expected}" if models else f"a number (the key holds {expected})"
            continue
        fields = fields_of(models)
        keys = tuple(fields)
        if step not in fields:
            break
        models = models_in(fields[step].annotation)
        expected = fields[step].description or ""
    return tuple(place), expected, keys
