"""The first mistake that the validation of a description found, in our own words."""

from typing import Any

from pydantic import BaseModel, ValidationError

from calib.errors import InputError
from calib.frame.description import FrameDescription
from calib.frame.document import Document, Place, fields_of, models_in
from calib.frame.fields import MismatchError
from calib.frame.words import in_words

WRONG_FOR_A_TABLE = {"model_type", "model_attributes_type", "union_tag_not_found"}


def first_mistake(error: ValidationError, document: Document, model: type[BaseModel] = FrameDescription) -> InputError:
    """The mistake to mend first: an unknown key before any other, since it often is the missing one misspelt."""
    details = error.errors(include_url=False)
    first: Any = min(details, key=lambda detail: detail["type"] != "extra_forbidden")
    place, expected, keys = _explained(first["loc"], model)
    if first["type"] == "extra_forbidden":
        return document.mistake(place, "an unknown key", f"one of {', '.join(keys)}")
    if first["type"] == "missing":
        return document.mistake(place, "nothing", expected)
    refusal = first.get("ctx", {}).get("error")
    if isinstance(refusal, MismatchError):
        return document.mistake((*place, *refusal.below), refusal.found, refusal.expected)
    if first["type"] in WRONG_FOR_A_TABLE and not isinstance(first["input"], dict):
        expected += ", or the relative path of a TOML file that holds its keys"
    return document.mistake(place, in_words(first["input"]), expected)


def _explained(loc: Place, model: type[BaseModel]) -> tuple[Place, str, tuple[str, ...]]:
    """The place in the description that pydantic's `loc` means, what is expected there, and the keys of that table.

    Where a field allows several tables pydantic puts the name of the chosen one into `loc`; that step is left out.
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
