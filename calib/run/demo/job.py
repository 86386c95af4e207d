"""The demo's job: simulate an invented frame, calibrate it, and compare the result with the truth."""

import shutil
from dataclasses import dataclass
from pathlib import Path

from calib_demo.catalogue import NAMES, scenario
from calib_demo.make import make_frame

from calib.errors import InputError
from calib.frame.files import DESCRIPTION
from calib.run.demo.against_truth import Judged, judge
from calib.run.frame_job import RunResult, run_frame
from calib.run.progress import Progress, silent

PACKAGE, PRODUCTS = "frame", "products"
SCENES: tuple[str, ...] = tuple(NAMES)


@dataclass(frozen=True, slots=True, eq=False)
class DemoResult:
    """The run on the invented frame, and the rows that compare it with the truth."""

    run: RunResult
    rows: tuple[Judged, ...]


def run_demo(out: Path, *, name: str, threads: int, progress: Progress = silent) -> DemoResult:
    """Make the frame of scenario `name` in `out`, calibrate it, compare it with the truth.

    Results of an earlier demo in `out` are replaced; other files are left alone.

    Raises:
        InputError: there is no such scenario, or `out` holds a frame that no demo made.
    """
    if name not in SCENES:
        raise InputError("demo", "--scene", name, f"one of {', '.join(SCENES)}")
    chosen = scenario(name)
    package = out / PACKAGE
    _clear(package)
    truth = make_frame(chosen, package, progress=lambda share: progress("making the frame", share))
    result = run_frame(package, out / PRODUCTS, threads=threads, overwrite=True, progress=progress)
    progress("comparing with the truth", 0.0)
    rows = judge(result.fits, result.maker, result.seams, truth, out / PRODUCTS, threads)
    progress("comparing with the truth", 1.0)
    return DemoResult(result, rows)


def _clear(package: Path) -> None:
    description = package / DESCRIPTION
    if description.exists():
        if 'name = "tern2-' not in description.read_text(encoding="utf-8"):
            raise InputError(package, "--out", "a frame that no demo made", "an empty folder, or that of a demo")
        shutil.rmtree(package)
