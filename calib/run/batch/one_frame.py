"""A worker's job: one frame of a batch. Anything wrong with the frame is returned as a sentence."""

from collections.abc import Mapping
from threading import Lock
from time import perf_counter
from typing import Any

from threadpoolctl import threadpool_limits

from calib.errors import CalibError
from calib.folder_lock import held
from calib.frame.read import read_frame
from calib.run.batch.inputs import digest_of, finished_run, is_made_of
from calib.run.batch.task import Outcome, Task
from calib.run.frame_job import run_frame

_ONE = Lock()  # one frame at a time per process: HDF5 and the state of warnings are shared by its threads


def finish_frame(task: Task) -> Outcome:
    """Calibrate one frame unless its products are there already; never raises because of the frame."""
    with _ONE:
        began = perf_counter()
        try:
            with threadpool_limits(1, user_api="blas"):
                return _done(task)
        except CalibError as error:
            reason = "; ".join(str(error).splitlines())
        except Exception as error:  # whatever it is, the batch goes on with the other frames
            reason = f"{type(error).__name__}: {error}"
        made = "" if finished_run(task.out) is None else task.made
        return Outcome("failed", perf_counter() - began, reason, made=made)


def _done(task: Task) -> Outcome:
    frame = read_frame(task.package)
    digest = digest_of(frame, task.settings)
    is_new = not task.out.exists()
    task.out.mkdir(parents=True, exist_ok=True)
    try:
        # A worker of an earlier batch, or one that lost its scheduler, may still be writing there.
        with held(task.out, wait=True):
            run = finished_run(task.out)
            if run is not None and (task.made == digest or is_made_of(run, frame, task.settings, task.out)):
                return _outcome(run, digest, is_kept=True)
            run_frame(
                task.package,
                task.out,
                task.settings,
                threads=task.threads,
                overwrite=task.overwrite or bool(task.made),
            )
            run = finished_run(task.out)
            if run is None:
                raise CalibError(f"{task.out}: the products were removed as soon as they were made")
            return _outcome(run, digest, is_kept=False)
    finally:
        if is_new and not any(task.out.iterdir()):
            task.out.rmdir()


def _outcome(run: Mapping[str, Any], digest: str, *, is_kept: bool) -> Outcome:
    figures = {
        f"{name} ({figure['unit']})" if figure["unit"] else name: float(figure["value"])
        for name, figure in run["figures"].items()
    }
    seconds, warnings = float(run["timings"]["total_s"]), len(run["warnings"])
    return Outcome("done", seconds, is_kept=is_kept, warnings=warnings, made=digest, figures=figures)
