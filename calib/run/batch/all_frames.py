"""Calibrates many frames: each is a task for a worker and a row of the ledger. A batch can be resumed at any moment."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from distributed import CancelledError, Future, KilledWorker, as_completed

from calib.errors import CalibError, InputError
from calib.folder_lock import held
from calib.products.atomic import remove_leftovers
from calib.run.batch.cluster import Workers
from calib.run.batch.ledger import LEDGER, Row, read_ledger, write_ledger
from calib.run.batch.listing import Listed, read_list
from calib.run.batch.page import PAGE
from calib.run.batch.task import Outcome, Task, do_frame
from calib.run.out_folder import missing, removed_if_empty
from calib.run.settings import Settings


@dataclass(frozen=True, slots=True)
class Standing:
    """Progress of a batch.

    `last`: row of the frame finished last, and `is_kept` whether its products were there already. `left_s`: estimated
    time left, None where there is no estimate yet or nothing left to do.
    """

    total: int
    finished: int
    last: Row | None
    is_kept: bool
    left_s: float | None


def run_batch(
    listing: Path,
    out: Path,
    connect: Callable[[], AbstractContextManager[Workers]],
    *,
    settings: Settings,
    threads: int,
    overwrite: bool,
    tell: Callable[[Standing], None],
) -> tuple[Row, ...]:
    """Calibrate every frame that `listing` names; the products of each go to a folder of its name in `out`.

    Runs in `out` that were finished with the same inputs and settings are kept. Interrupted, failed and changed frames
    are done again. A finished run that no batch made is replaced only with `overwrite`. `connect` gives the workers,
    each of which uses `threads`; `tell` receives the progress. Returns the rows of the listed frames, in their order.

    Raises:
        InputError: a mistake in the list; `out` cannot be made or another batch works in it; its ledger is not one.
    """
    listed = read_list(listing)
    made = missing(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(out, "--out", f"{error.strerror} ({error.filename})", "a folder that can be made") from error
    with held(out, wait=False), removed_if_empty(made):
        book = Book(out / LEDGER, listed)
        with connect() as workers:
            remove_leftovers(out)
            (out / PAGE).unlink(missing_ok=True)  # out of date from here on; `write_page` makes it anew
            book.write()
            tasks = [
                Task(f.name, f.package, (out / f.name).resolve(), settings, threads, book.made(f), overwrite)
                for f in listed
            ]
            estimate = Estimate(len(tasks))
            tell(Standing(len(tasks), 0, None, False, None))
            for task, outcome in outcomes(workers, tasks, book.begin):
                row = book.close(task.frame, outcome)
                left = estimate.after(outcome, workers.count())
                tell(Standing(len(tasks), estimate.finished, row, outcome.is_kept, left))
    return tuple(book.rows[frame.name] for frame in listed)


class Book:
    """The ledger of a running batch, on disk after every change."""

    def __init__(self, path: Path, listed: Sequence[Listed]) -> None:
        """Read the ledger at `path`. Rows of frames that are not listed are kept, unless their package is listed under
        another name."""
        self.path = path
        before = read_ledger(path)
        packages = {str(frame.package) for frame in listed}
        self.rows = {frame.name: _at_first(before.get(frame.name), frame) for frame in listed}
        self.rows |= {
            name: row for name, row in before.items() if name not in self.rows and row.package not in packages
        }

    def made(self, frame: Listed) -> str:
        """Digest of the inputs and settings of the frame's present products; empty if no batch made them."""
        return self.rows[frame.name].made

    def begin(self, name: str) -> None:
        """Note that a worker gets the frame. A row that says done stays until the worker has checked the products."""
        if self.rows[name].state != "done":
            self.rows[name] = replace(self.rows[name], state="begun")
            self.write()

    def close(self, name: str, outcome: Outcome) -> Row:
        """Note the outcome of the frame; returns its row."""
        before = self.rows[name]
        if not (outcome.is_kept and before.state == "done" and before.made == outcome.made):
            self.rows[name] = Row(
                name, outcome.state, before.package, outcome.seconds, outcome.reason, outcome.warnings, outcome.made,
                outcome.figures,
            )  # fmt: skip
            self.write()
        return self.rows[name]

    def write(self) -> None:
        write_ledger(self.path, self.rows.values())


def _at_first(before: Row | None, frame: Listed) -> Row:
    """A frame's row when a batch begins: done stays done until a worker has checked it, every other state waits."""
    package = str(frame.package)
    if before is None:
        return Row(frame.name, "waiting", package)
    if before.state == "done":
        return replace(before, package=package)
    return Row(frame.name, "waiting", package, made=before.made)


class Estimate:
    """The time left, from the mean time of the frames done so far.

    Kept frames cost no time, and failed ones do not count because most of them fail at once.
    """

    def __init__(self, total: int) -> None:
        self.total, self.finished = total, 0
        self._seconds: list[float] = []

    def after(self, outcome: Outcome, workers: int) -> float | None:
        """Seconds left after `outcome`, None where unknown or nothing is left; frames under way count as half done."""
        self.finished += 1
        if outcome.state == "done" and not outcome.is_kept:
            self._seconds.append(outcome.seconds)
        remaining = self.total - self.finished
        if not self._seconds or not remaining:
            return None
        under_way = min(workers - 1, remaining)
        return (remaining - under_way / 2) / workers * sum(self._seconds) / len(self._seconds)


def outcomes(workers: Workers, tasks: Sequence[Task], begin: Callable[[str], None]) -> Iterator[tuple[Task, Outcome]]:
    """Yield each task with its outcome as it finishes; at most one task per worker is under way.

    `begin` is called with a frame's name before its task is submitted. When a worker dies, the frame it worked on
    cannot be told from those it had only been sent. So the frames of dead workers are tried again at the end, one at a
    time: a frame whose worker dies then has failed.
    """
    doubtful: list[Task] = []
    for task, outcome in _submitted(workers, tasks, begin, workers.count):
        if outcome is None:
            doubtful.append(task)
        else:
            yield task, outcome
    for task, outcome in _submitted(workers, doubtful, begin, lambda: 1):
        yield task, outcome or Outcome("failed", 0.0, "its worker died twice (out of memory, or killed)")


def _submitted(
    workers: Workers, tasks: Sequence[Task], begin: Callable[[str], None], most: Callable[[], int]
) -> Iterator[tuple[Task, Outcome | None]]:
    """Yield each task with its outcome, None if its worker died; at most `most()` tasks are under way at a time."""
    waiting = iter(tasks)
    under_way: dict[Future, Task] = {}
    finished = as_completed(loop=workers.client.loop)
    while True:
        for task in islice(waiting, max(most() - len(under_way), 0)):
            begin(task.frame)
            future = workers.client.submit(do_frame, task, pure=False, resources=workers.per_task)
            under_way[future] = task
            finished.add(future)
        if not under_way:
            return
        future = next(finished)
        task = under_way.pop(future)
        try:
            outcome = _result(future)
        except CancelledError as error:
            raise CalibError(f"the scheduler gave the frame {task.frame} up; call again to go on") from error
        future.release()
        yield task, outcome


def _result(future: Future) -> Outcome | None:
    """The outcome that a worker returned; None if the worker died."""
    try:
        outcome: Outcome = future.result()
    except CancelledError:
        raise
    except KilledWorker:
        return None
    except Exception as error:  # the worker could not load the code or unpickle the task
        return Outcome("failed", 0.0, f"{type(error).__name__}: {error}")
    return outcome
