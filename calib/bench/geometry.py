"""Measures the geometry: marks, sweep, ties, map places, round trip, resection, resolution."""

from pathlib import Path

from calib.bench.figure import Figure
from calib.bench.places import film_figures, map_figures, mark_figures, round_trip_figure, tie_figure, true_pose
from calib.bench.resections import resection_figures
from calib.bench.resolution import resolution_figure
from calib.bench.scene import Calibrated, calibrate
from calib.run.progress import Progress, silent

SCENES = ("nadir", "oblique50", "polar-terrain", "wander", "limb", "control", "featureless")


def bench_geometry(name: str, folder: Path, *, threads: int, progress: Progress = silent) -> list[Figure]:
    """Calibrate scene `name` in `folder` and measure every figure of its geometry.

    Raises:
        InputError: `folder` holds a frame that no benchmark made.
    """
    return geometry_figures(calibrate(name, folder, threads=threads, progress=progress), progress)


def geometry_figures(done: Calibrated, progress: Progress = silent) -> list[Figure]:
    """Every figure of the geometry of a finished run."""
    fits, maker, truth, scene, step = done.run.fits, done.run.maker, done.truth, done.name, "comparing with the truth"
    progress(step, 0.0)
    film = [*mark_figures(scene, fits, truth), *film_figures(scene, fits, truth), tie_figure(scene, fits, truth)]
    progress(step, 0.3)
    ground = [*map_figures(scene, maker, truth), round_trip_figure(scene, maker)]
    progress(step, 0.7)
    pose = resection_figures(scene, fits.frame.camera, true_pose(fits, truth), truth)
    progress(step, 1.0)
    return [*film, *ground, *pose, resolution_figure(scene, maker)]
