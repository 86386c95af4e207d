"""Commands that live one in a file, loaded when they are called, so that help stays quick."""

import gc
import importlib
from collections.abc import Mapping
from types import ModuleType
from typing import Any

import click


class LazyGroup(click.Group):
    """A group of the commands that `said` names, with a line of help each; they live in `calib.cli`, each in a file of
    its name behind the `prefix`."""

    def __init__(self, *args: Any, said: Mapping[str, str], prefix: str = "", **more: Any) -> None:
        super().__init__(*args, **more)
        self.said, self.prefix = said, prefix

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.said)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in self.said:
            return None
        command: click.Command = _loaded(f"calib.cli.{self.prefix}{name.replace('-', '_')}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(self.said.items()))


def _loaded(module: str) -> ModuleType:
    """Load a module with all that it needs, and leave it out of the search for garbage then and later: it stays."""
    gc.disable()
    try:
        return importlib.import_module(module)
    finally:
        gc.freeze()
        gc.enable()
