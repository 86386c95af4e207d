"""What a batch tells a worker of one frame, and what it is told: the batch itself loads nothing that calibrates."""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from calib.run.settings import Settings

JOB = "calib.run.batch.one_frame"  # does the frames, and loads long: processes that do any load it at their start


@dataclass(frozen=True, slots=True)
class Task:
    """What a worker is told. `made`: digest of what this batch made the standing products of; empty: of nothing.

    `threads`: of the run. With `overwrite` a finished run that this batch did not make is replaced too.
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
    """What came of it. `is_kept`: the products stood there already. The rest as in `ledger.Row`."""

    state: Literal["done", "failed"]
    seconds: float
    reason: str = ""
    is_kept: bool = False
    warnings: int | None = None
    made: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)


def do_frame(task: Task) -> Outcome:
    """Do one frame, on a worker: see `one_frame.finish_frame`."""
    outcome: Outcome = importlib.import_module(JOB).finish_frame(task)
    return outcome
