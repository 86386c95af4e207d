"""Loads each command's module only when the command is called, so that help is fast."""

import gc
import importlib
from collections.abc import Mapping
from types import ModuleType
from typing import Any

import click


class LazyGroup(click.Group):
    """A group of commands, given by name and line of help. Each is in the module of `calib.cli` with the `prefix` and
    its name."""

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
    """Import a module and exclude its objects from garbage collection, as they live until the process ends."""
    gc.disable()
    try:
        return importlib.import_module(module)
    finally:
        gc.freeze()
        gc.enable()
