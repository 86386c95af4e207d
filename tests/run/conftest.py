"""One small invented frame, calibrated once for all tests of the joined stages."""

from dataclasses import dataclass
from pathlib import Path

import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.truth import Truth

from calib.run.frame_job import RunResult, run_frame


@dataclass(frozen=True)
class Calibrated:
    package: Path
    truth: Truth
    result: RunResult


@pytest.fixture(scope="session")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Calibrated:
    folder = tmp_path_factory.mktemp("run")
    truth = make_frame(scenario("small"), folder / "frame")
    result = run_frame(folder / "frame", folder / "out", threads=2, overwrite=False)
    return Calibrated(folder / "frame", truth, result)
