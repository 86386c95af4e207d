"""Makes and calibrates a frame of a simulated scene, and keeps it with its truth."""

import shutil
from dataclasses import dataclass
from pathlib import Path

from calib_demo.catalogue import NAMES, scenario
from calib_demo.kept import load_truth, save_truth
from calib_demo.make import make_frame
from calib_demo.scenario import Scenario
from calib_demo.truth import Truth

from calib.errors import InputError
from calib.frame.files import DESCRIPTION
from calib.products.atomic import atomic_file
from calib.run.frame_job import RunResult, run_frame
from calib.run.progress import Progress, silent

PACKAGE, PRODUCTS, TRUTH = "frame", "products", "truth.npz"


@dataclass(frozen=True, slots=True, eq=False)
class Calibrated:
    """One scene: its name, its truth, and the result of the whole job."""

    name: str
    truth: Truth
    run: RunResult

    @property
    def products(self) -> Path:
        """The folder of the products."""
        return self.run.out


def check_scenes(names: tuple[str, ...]) -> None:
    """Raises InputError if a scene does not exist."""
    for name in names:
        if name not in NAMES:
            raise InputError("bench", "--scene", name, f"one of {', '.join(NAMES)}")


def calibrate(name: str, folder: Path, *, threads: int, progress: Progress = silent) -> Calibrated:
    """Run the whole job on scene `name`; its frame is made in `folder`, or reused from an earlier benchmark."""
    truth = photographed(scenario(name), folder, progress)
    run = run_frame(
        folder / PACKAGE,
        folder / PRODUCTS,
        threads=threads,
        overwrite=True,
        progress=progress,
    )
    return Calibrated(name, truth, run)


def photographed(chosen: Scenario, folder: Path, progress: Progress = silent) -> Truth:
    """The truth of the frame in `folder`: reused if it is of exactly this scenario, else made anew.

    Raises:
        InputError: `folder` holds a frame that no benchmark made.
    """
    kept, package = folder / TRUTH, folder / PACKAGE
    if kept.exists() and (package / DESCRIPTION).exists():
        truth = load_truth(kept)
        if truth.scenario == chosen:
            return truth
    if kept.exists():  # the frame was made by a benchmark and may be removed
        kept.unlink()
        shutil.rmtree(package, ignore_errors=True)
    if package.exists():
        raise InputError(package, "--out", "a frame that no benchmark made", "an empty folder, or that of a benchmark")
    truth = make_frame(chosen, package, progress=lambda share: progress("making the frame", share))
    with atomic_file(kept) as aside:
        save_truth(truth, aside)
    return truth
