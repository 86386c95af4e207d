"""`calib bench geometry`: the geometry's figures on frames from straight down to the limb."""

from pathlib import Path

import click

from calib.bench.figure import Figure
from calib.bench.geometry import SCENES, bench_geometry
from calib.cli.bench_options import bench_scenes, folder_option, json_option, scene_option
from calib.cli.options import threads_option
from calib.run.progress import Progress


@click.command()
@scene_option(SCENES)
@folder_option
@threads_option
@json_option
def command(scenes: tuple[str, ...], out: Path | None, threads: int, json_path: Path | None) -> None:
    """Calibrate invented scenes; hold marks, sweep, ties, map places and resection to the truth and to their bounds."""

    def measure(name: str, folder: Path, progress: Progress) -> list[Figure]:
        return bench_geometry(name, folder, threads=threads, progress=progress)

    bench_scenes(scenes, out, json_path, measure)
