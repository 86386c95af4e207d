"""Progress and timing of a run. Progress is a plain callable, so the calculations do not depend on terminals."""

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from time import perf_counter
from typing import TypeVar

Progress = Callable[[str, float], None]
Item = TypeVar("Item")


def silent(step: str, share: float) -> None:
    """Ignore the progress."""


def tracked(items: Iterable[Item], total: int, step: str, progress: Progress) -> Iterator[Item]:
    """Yield `items`; after each, report the share done to `progress`."""
    progress(step, 0.0)
    for done, item in enumerate(items, start=1):
        yield item
        progress(step, done / total)


class Stopwatch:
    """Seconds spent in each named step of one run, from the moment at which it is made."""

    def __init__(self) -> None:
        self.started = datetime.now(UTC)
        self.seconds: dict[str, float] = {}
        self._since = perf_counter()

    def lap(self, step: str) -> None:
        """Add the time since the last lap to `step`."""
        now = perf_counter()
        self.seconds[step] = self.seconds.get(step, 0.0) + now - self._since
        self._since = now
