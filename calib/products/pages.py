"""Loads the text files and templates of this package from which all pages are made."""

from functools import cache
from importlib import resources

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template


@cache
def package_text(name: str) -> str:
    """Content of a text file in this package."""
    return resources.files("calib.products").joinpath(name).read_text(encoding="utf-8")


@cache
def template(name: str) -> Template:
    """A file of this package as a template; undefined names in it are errors."""
    return Environment(
        loader=FunctionLoader(package_text),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template(name)
