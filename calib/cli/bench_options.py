"""Options and result tables shared by the benchmarks on invented scenes."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import click
from rich.console import Console
from rich.table import Table

from calib.bench.figure import Figure, write_json
from calib.bench.own_jobs import ROUNDS
from calib.bench.scene import check_scenes
from calib.cli.bars import bars
from calib.run.progress import Progress

Command = TypeVar("Command", bound=Callable[..., object])
SceneBench = Callable[[str, Path, Progress], list[Figure]]
VERDICT = {None: "", True: "yes", False: "[red]no[/red]"}


def scene_option(scenes: Sequence[str]) -> Callable[[Command], Command]:
    """The option for the scenes to simulate; all of `scenes` by default."""
    said = f"Which invented scene; may be given several times. Without it: {', '.join(scenes)}."
    return click.option("--scene", "scenes", multiple=True, metavar="NAME", default=tuple(scenes), help=said)


folder_option = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder that keeps frames and products; frames in it are used again. Without it nothing is kept.",
)
json_option = click.option(
    "--json",
    "json_path",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="JSON file that receives all figures.",
)
rounds_option = click.option(
    "--rounds", type=click.IntRange(min=1), default=ROUNDS, show_default=True, help="How many times each job runs."
)


def sizes_option(default: tuple[float, ...]) -> Callable[[Command], Command]:
    """The option for the sizes of the frames that are made."""
    return click.option(
        "--mpx",
        "sizes",
        type=click.FloatRange(min=1),
        multiple=True,
        default=default,
        show_default=True,
        help="Million pixels of film of a frame; may be given several times.",
    )


@contextmanager
def kept_in(out: Path | None) -> Iterator[Path]:
    """Context that gives the folder for frames and products: `out`, or a temporary one if it is None."""
    if out is not None:
        yield out
        return
    with TemporaryDirectory() as folder:
        yield Path(folder)


def bench_scenes(names: Sequence[str], out: Path | None, json_path: Path | None, measure: SceneBench) -> None:
    """Run `measure` on every scene in a folder of its own, print the figures, and write them if requested."""
    check_scenes(tuple(names))
    figures: list[Figure] = []
    with kept_in(out) as folder:
        for name in names:
            with bars(f"benchmark on {name}") as progress:
                found = measure(name, folder / name, progress)
            print_figures(name, found)
            figures += found
    keep_figures(json_path, figures)


def keep_figures(json_path: Path | None, figures: Sequence[Figure]) -> None:
    """Write the figures to a JSON file, if one is requested."""
    if json_path is not None:
        json_path.parent.mkdir(parents=True, exist_ok=True)
        write_json(json_path, figures)


def print_figures(title: str, figures: Sequence[Figure]) -> None:
    """Print the figures of one scene with their targets and comparison values."""
    table = Table(title, "found", "unit", "reach", "reached", "beside", box=None, pad_edge=False)
    for figure in figures:
        beside = ", ".join(f"{name} {value:.3g}" for name, value in figure.beside.items())
        reach = "" if figure.reach is None else str(figure.reach)
        table.add_row(figure.name, f"{figure.found:.4g}", figure.unit, reach, VERDICT[figure.reached], beside)
    console = Console(width=190)
    console.print(table, highlight=False)
    console.print()
