"""Loads the text files and templates of this package from which all pages are made."""

from functools import cache
from importlib import resources

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template


@cache
def shipped(name: str) -> str:
    """A text file that comes with the package."""
    return resources.files("calib.products").joinpath(name).read_text(encoding="utf-8")


@cache
def template(name: str) -> Template:
    """A shipped file as a template; a name that it is not given is an error."""
    return Environment(
        loader=FunctionLoader(shipped), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).get_template(name)
