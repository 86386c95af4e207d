"""run.json: readable by any JSON parser, complete, reproducible except for its times."""

import hashlib
import json
import resource
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from calib.products.provenance import (
    Provenance,
    RefinedPointing,
    Timings,
    digests,
    peak_memory_mb,
    plain,
    versions,
    write_run,
)  # fmt: skip


def run(**changes) -> Provenance:
    values = {
        "frame": "tern2-0143",
        "inputs": {"frame.toml": "ab" * 32},
        "settings": {"pixel_m": 2.0},
        "timings": Timings(datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC), {"read": 1.25, "tone": 2.5}),
        "figures": {"seam_jump_density": np.float32(0.5), "tie_rms_px": float("nan"), "marks": np.arange(3)},
        "warnings": ("strip 3: the wedge is cut",),
    }
    return Provenance(**values | changes)


def test_the_table_holds_what_the_contract_names(tmp_path):
    pointing = RefinedPointing(np.array([1.0, 2, 3]), np.array([1.0, 0, 0, 0]), np.full(3, 0.1), np.full(3, 0.01))
    write_run(tmp_path / "run.json", run(rejected=("c7",), pointing=pointing, photometric_model={"name": "x"}))
    read = json.loads((tmp_path / "run.json").read_text())
    assert read["inputs"] == {"frame.toml": "ab" * 32}
    assert read["control"] == {"rejected": ["c7"]}
    assert read["pointing"]["position_km"] == [1.0, 2.0, 3.0]
    assert read["pointing"]["camera_to_moon"] == {"w": 1.0, "x": 0.0, "y": 0.0, "z": 0.0}
    assert read["pointing"]["sigma_attitude_deg"] == [0.01] * 3
    assert read["timings"].pop("peak_memory_mb") > 10  # of this very process: any interpreter with numpy takes more
    assert read["timings"] == {
        "started": "2026-01-02T03:04:05+00:00",
        "stages_s": {"read": 1.25, "tone": 2.5},
        "total_s": 3.75,
    }
    assert read["figures"] == {"seam_jump_density": 0.5, "tie_rms_px": None, "marks": [0, 1, 2]}
    assert read["warnings"] == ["strip 3: the wedge is cut"]
    assert read["versions"]["numpy"] == np.__version__
    assert {"python", "calib", "gdal", "proj", "rasterio"} <= set(versions())


def test_without_control_points_their_keys_are_absent(tmp_path):
    write_run(tmp_path / "run.json", run())
    assert not {"control", "pointing"} & set(json.loads((tmp_path / "run.json").read_text()))


def test_digests_are_sha256_of_the_files_by_relative_path(tmp_path):
    frame = tmp_path / "tern2-0143"
    frame.mkdir()
    (tmp_path / "lens.toml").write_bytes(b"b" * 3_000_000)
    (frame / "frame.toml").write_bytes(b"a")
    found = digests([frame / "frame.toml", tmp_path / "lens.toml"], frame)
    assert list(found) == ["../lens.toml", "frame.toml"]
    assert found["../lens.toml"] == hashlib.sha256(b"b" * 3_000_000).hexdigest()


def test_a_value_that_json_cannot_hold_is_an_error():
    with pytest.raises(TypeError, match="cannot hold a set"):
        plain({"a": {1}})


def test_peak_memory_excludes_the_parent_process() -> None:
    """A small program started by a large one must not report the large one's memory."""
    held = np.ones(40 * 10**6)
    said = "from calib.products.provenance import peak_memory_mb; print(peak_memory_mb())"
    child = int(subprocess.run([sys.executable, "-c", said], check=True, capture_output=True, text=True).stdout)
    assert peak_memory_mb() > held.nbytes / 2**20
    assert peak_memory_mb() <= resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 + 1  # resident, not reserved
    assert 0 < child < held.nbytes / 2**20
