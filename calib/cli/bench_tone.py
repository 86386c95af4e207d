"""`calib bench tone`: the tone's figures on scenes from cratered to nearly featureless."""

from pathlib import Path

import click

from calib.bench.figure import Figure
from calib.bench.tone import SCENES, bench_tone
from calib.cli.bench_options import bench_scenes, folder_option, json_option, scene_option
from calib.cli.options import threads_option
from calib.run.progress import Progress


@click.command()
@scene_option(SCENES)
@folder_option
@threads_option
@json_option
def command(scenes: tuple[str, ...], out: Path | None, threads: int, json_path: Path | None) -> None:
    """Calibrate invented scenes; hold density and reflectance to the truth, the floor that noise sets, and two rivals.

    The rivals, column moment matching and a wavelet-Fourier stripe filter, are given the density of the scene made with
    the true transfer curves, the strips joined at their true places, with only the banding left in.
    """

    def measure(name: str, folder: Path, progress: Progress) -> list[Figure]:
        return bench_tone(name, folder, threads=threads, progress=progress)

    bench_scenes(scenes, out, json_path, measure)
