"""`calib bench workers`: what a second worker wins in a batch."""

from pathlib import Path

import click

from calib.bench.figure import Figure
from calib.bench.workers import FRAMES, bench_workers
from calib.cli.bench_options import bench_scenes, folder_option, json_option, rounds_option, scene_option
from calib.run.progress import Progress

SCENES = ("cratered",)


@click.command()
@scene_option(SCENES)
@click.option("--frames", type=click.IntRange(min=1), default=FRAMES, show_default=True, help="Frames of the batch.")
@rounds_option
@folder_option
@json_option
def command(scenes: tuple[str, ...], frames: int, rounds: int, out: Path | None, json_path: Path | None) -> None:
    """Run a batch of invented frames by one worker and by two in turns, one thread each."""

    def measure(name: str, folder: Path, progress: Progress) -> list[Figure]:
        return bench_workers(name, folder, frames=frames, rounds=rounds, progress=progress)

    bench_scenes(scenes, out, json_path, measure)
