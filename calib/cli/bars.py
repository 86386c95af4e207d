"""Progress bars on the terminal, one for each step of a run."""

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from calib.compiled import when_compiling
from calib.run.progress import Progress as Report


@contextmanager
def bars(title: str) -> Iterator[Report]:
    """Context that shows steps as bars on standard error, with a note when code is compiled; gives its callback."""
    columns = (TextColumn("{task.description:<28}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), TimeRemainingColumn(), console=Console(stderr=True)) as shown:
        shown.console.print(title, highlight=False)
        tasks: dict[str, TaskID] = {}

        def report(step: str, share: float) -> None:
            if step not in tasks:
                tasks[step] = shown.add_task(step, total=1.0)
            shown.update(tasks[step], completed=share)

        def compiling() -> None:
            shown.console.print("compiling: this takes some minutes, once for this copy", highlight=False)

        with when_compiling(compiling):
            yield report
