"""Measures the tone: residual banding, bias and noise of a run, compared with the noise floor and two other methods."""

from pathlib import Path

from calib.bench.banding import banding_figures
from calib.bench.figure import Figure, Reach
from calib.bench.film_errors import film_errors, film_figures
from calib.bench.map_errors import map_errors, map_figures
from calib.bench.scene import Calibrated, calibrate
from calib.bench.wedge_error import told_true_wedge, wedge_error
from calib.run.demo.against_truth import dropouts
from calib.run.progress import Progress, silent

SCENES = ("cratered", "featureless", "terminator", "contrast", "ridges", "noisy8", "tern2")


def bench_tone(name: str, folder: Path, *, threads: int, progress: Progress = silent) -> list[Figure]:
    """Calibrate scene `name` in `folder` and measure every figure of its tone.

    Raises:
        InputError: `folder` holds a frame that no benchmark made.
    """
    return tone_figures(calibrate(name, folder, threads=threads, progress=progress), threads, progress)


def tone_figures(done: Calibrated, threads: int, progress: Progress = silent) -> list[Figure]:
    """Every figure of the tone of a finished run."""
    fits, truth, scene, step = done.run.fits, done.truth, done.name, "comparing with the truth"
    wedge = wedge_error(fits.frame.film, truth)
    progress(step, 0.0)
    told = told_true_wedge(fits, truth)
    progress(step, 0.1)
    figures = banding_figures(scene, fits, told, truth, wedge)
    progress(step, 0.3)
    reflectance = map_figures(scene, map_errors(done.run.maker, told, truth, done.products, wedge, threads), wedge)
    progress(step, 0.8)
    film = film_figures(scene, fits, film_errors(fits, told, truth, done.products, threads), wedge)
    progress(step, 1.0)
    return [*figures, *reflectance, *film, *dropout_figures(done), seam_figure(done)]


def dropout_figures(done: Calibrated) -> list[Figure]:
    """Share of simulated dropouts that were flagged, and of good samples flagged by mistake."""
    flagged, mistaken = dropouts(done.run.fits, done.truth)
    return [
        Figure(done.name, "dropout samples flagged", flagged.found, "%", Reach(low=99.5)),
        Figure(done.name, "good samples wrongly flagged", mistaken.found, "%", Reach(high=0.05)),
    ]


def seam_figure(done: Calibrated) -> Figure:
    """Jump of the local mean across strip borders in units of its noise floor."""
    return Figure(done.name, "seam jump over floor", done.run.seams.ratio(), "", Reach(high=1.25))
