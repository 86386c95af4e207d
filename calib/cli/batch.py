"""`calib batch`: many frames, overnight."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from calib.cli.options import PROCESSORS, SAID, out_option, settings_options
from calib.run.batch.all_frames import Standing, run_batch
from calib.run.batch.cluster import workers_here, workers_of
from calib.run.batch.ledger import LEDGER, Row
from calib.run.batch.page import write_page
from calib.run.progress import Progress as Report
from calib.run.settings import Settings


@click.command()
@click.argument("listing", metavar="LIST", type=click.Path(path_type=Path))
@out_option
@click.option("--workers", type=click.IntRange(min=1), default=None, help=f"Worker processes here.  [default: {SAID}]")
@click.option("--scheduler", metavar="ADDRESS", default=None, help="Workers of a running dask scheduler instead.")
@click.option(
    "--threads",
    type=click.IntRange(min=1),
    default=None,
    help=f"Threads of each worker.  [default: 1, with a single worker here the {SAID}]",
)
@click.option(
    "--overwrite", is_flag=True, help="Replace finished runs of other inputs or settings that no batch made here."
)
@settings_options
def command(
    listing: Path,
    out: Path,
    workers: int | None,
    scheduler: str | None,
    threads: int | None,
    overwrite: bool,
    settings: Settings,
) -> None:
    """Calibrate the frames of LIST, each into a folder of its name in --out; what is finished there is kept.

    LIST is a text file with the path of a frame package on each line, or a folder of packages. The ledger is ledger.csv
    in --out; ledger.html, written at the end, shows it with a picture of each map. Call again to go on after a kill, to
    try failed frames again, or to do what has changed.

    Exit status: 0 all frames are done, 1 some failed, 2 a mistake in the call, 130 interrupted.
    """
    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers and --scheduler exclude each other")
    count = workers or PROCESSORS
    each = threads or (PROCESSORS if count == 1 and scheduler is None else 1)
    connect = partial(workers_here, count) if scheduler is None else partial(workers_of, scheduler)
    with _shown(f"{listing} -> {out}") as (tell, progress):
        rows = run_batch(listing, out, connect, settings=settings, threads=each, overwrite=overwrite, tell=tell)
        page = write_page(out, progress)
    failed = [row for row in rows if row.state != "done"]
    for row in failed:
        click.echo(f"failed: {row.frame}: {row.reason}")
    done = f"{len(rows) - len(failed)} of {len(rows)} frames done, {len(failed)} failed"
    click.echo(f"{done}; ledger: {out / LEDGER}, with pictures: {page}")
    sys.exit(1 if failed else 0)


@contextmanager
def _shown(title: str) -> Iterator[tuple[Callable[[Standing], None], Report]]:
    """Context that prints a line on standard error for each frame, and on a terminal bars for frames and page."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True)) as bar:
        bar.console.print(title, highlight=False, markup=False, soft_wrap=True)
        shown = bar.add_task("frames", total=None)

        def tell(standing: Standing) -> None:
            left = "" if standing.left_s is None else f" (about {span(standing.left_s)} left)"
            bar.update(shown, total=standing.total, completed=standing.finished, description=f"frames{left}")
            if standing.last is not None:
                said = f"[{standing.finished}/{standing.total}] {_line(standing.last, standing.is_kept)}{left}"
                bar.console.print(said, highlight=False, markup=False, soft_wrap=True)

        after = bar.add_task("", total=100, visible=False)

        def progress(step: str, share: float) -> None:
            bar.update(after, description=f"{step}, %", completed=round(100 * share), visible=True)

        yield tell, progress


def _line(row: Row, is_kept: bool) -> str:
    if row.state == "failed":
        return f"{row.frame}: failed: {row.reason}"
    return f"{row.frame}: " + ("done before" if is_kept else f"done in {span(row.seconds or 0.0)}")


def span(seconds: float) -> str:
    """A duration as text: 40 s, 12 min, 3 h 20 min."""
    whole = round(seconds)
    if whole < 100:
        return f"{whole} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d} min"
