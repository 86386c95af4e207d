"""Messages between a batch and its workers. They import no calibration code, so the batch itself starts quickly."""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from calib.run.settings import Settings

JOB = "calib.run.batch.one_frame"  # the workers' module; it takes long to load, so they load it when they start


@dataclass(frozen=True, slots=True)
class Task:
    """A task for a worker: calibrate one frame.

    `made`: see `ledger.Row`. `threads`: of the run. With `overwrite`, finished runs that no batch made are replaced.
    """

    frame: str
    package: Path
    out: Path
    settings: Settings
    threads: int
    made: str
    overwrite: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """A worker's answer. `is_kept`: the products were there already. The rest as in `ledger.Row`."""

    state: Literal["done", "failed"]
    seconds: float
    reason: str = ""
    is_kept: bool = False
    warnings: int | None = None
    made: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)


def do_frame(task: Task) -> Outcome:
    """Do one frame; runs on a worker. See `one_frame.finish_frame`."""
    outcome: Outcome = importlib.import_module(JOB).finish_frame(task)
    return outcome
