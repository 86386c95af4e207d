"""The frame packages say what the contract allows, and place everything inside the scan."""

import csv
import hashlib
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile
from calib_demo.catalogue import NAMES, scenario
from calib_demo.make import make_frame
from calib_demo.package import write_description
from calib_demo.truth import Truth

# table -> (keys that must be there, keys that may)
KEYS = {
    "": ({"layout", "name", "exposure", "camera", "film", "scan", "pointing"}, {"sun", "terrain", "control", "map"}),
    "exposure": ({"mid_time", "shutter_s"}, set()),
    "camera": (
        {"focal_length_mm", "principal_point_mm", "format_mm", "f_number", "transmittance"},
        {"distortion", "falloff"},
    ),
    "film": ({"characteristic", "wedge", "reseau"}, {"granularity"}),
    "film.characteristic": ({"log_exposure", "density"}, set()),
    "film.wedge": ({"quantity", "patches"}, {"sigma"}),
    "film.reseau": ({"shape", "arm_mm", "width_mm", "marks"}, {"density", "sigma_mm"}),
    "scan": (
        {"strips", "pitch_mm", "first_center_mm", "first_line_mm", "line_mm", "sample_mm", "reversed", "tolerance_mm"},
        {"saturation"},
    ),
    "sun": ({"subsolar_deg", "distance_au"}, {"illuminance_lx_1au"}),
    "terrain": ({"dem"}, set()),
    "control": ({"points"}, set()),
    "map": (set(), {"crs", "pixel_m", "bounds"}),
}
POINTINGS = (
    {"position_km", "camera_to_moon"},
    {"sub_point_deg", "altitude_km", "tilt_deg", "tilt_azimuth_deg", "swing_deg"},
)


def description_of(truth: Truth, folder: Path) -> dict:
    write_description(truth, folder)
    return tomllib.loads((folder / "frame.toml").read_text())


@pytest.mark.parametrize("name", NAMES)
def test_the_description_has_the_contracts_keys_and_no_other(
    name: str, described: Callable[[str], Truth], tmp_path: Path
) -> None:
    document = description_of(described(name), tmp_path)
    if isinstance(document["camera"], str):
        document["camera"] = tomllib.loads((tmp_path / document["camera"]).read_text())
    for table, (must, may) in KEYS.items():
        found = document
        for part in filter(None, table.split(".")):
            found = found.get(part, {})
        if found:
            assert must <= set(found) <= must | may, table
    stated = {key for key in document["pointing"] if not key.startswith("sigma_")}
    assert stated in POINTINGS
    assert isinstance(document["exposure"]["mid_time"], datetime)
    assert all(set(patch) == {"value", "y_mm", "across_mm"} for patch in document["film"]["wedge"]["patches"])


@pytest.mark.parametrize("name", NAMES)
def test_everything_on_the_film_lies_inside_the_scan(name: str, described: Callable[[str], Truth]) -> None:
    truth = described(name)
    scan, layout = truth.scenario.scan, truth.layout
    y_low = max(strip.y_line_mm.min() for strip in truth.strips)
    y_high = min(strip.y_line_mm.max() for strip in truth.strips)
    assert y_low < layout.patches.y_mm.min()
    assert layout.patches.y_mm.max() < y_high
    assert y_low < -layout.format_mm[1] / 2 < layout.format_mm[1] / 2 < y_high
    clear = (layout.patches.y_mm[:, 1] <= -layout.format_mm[1] / 2) | (
        layout.patches.y_mm[:, 0] >= layout.format_mm[1] / 2
    )
    assert clear.all(), "a wedge patch lies in the picture"
    assert np.all(np.abs(layout.marks.stated_mm) + truth.film.arm_mm < np.array(layout.format_mm) / 2)
    assert np.abs(layout.patches.across_mm).max() < scan.pitch_mm / 2


@pytest.mark.parametrize("name", NAMES)
def test_real_places_stay_within_half_the_tolerance(name: str, described: Callable[[str], Truth]) -> None:
    truth = described(name)
    scan = truth.scenario.scan
    across_mm = (np.arange(scan.samples) - (scan.samples - 1) / 2) * scan.sample_mm
    for strip, center_mm in zip(truth.strips, truth.center_x_mm(), strict=True):
        lines = np.arange(strip.shape[0])
        along = lines[::-1] if strip.is_reversed else lines
        nominal_y = truth.layout.first_line_mm + along * scan.line_mm
        off_x = np.abs(strip.x_sample_mm - center_mm - across_mm).max() + np.abs(strip.x_line_mm).max()
        off_y = np.abs(strip.y_line_mm - nominal_y).max() + np.abs(strip.y_sample_mm).max()
        assert max(off_x, off_y) < 0.5 * scan.tolerance_mm


@pytest.mark.parametrize("name", NAMES)
def test_neighbours_overlap_everywhere(name: str, described: Callable[[str], Truth]) -> None:
    truth = described(name)
    for left, right in zip(truth.strips[:-1], truth.strips[1:], strict=True):
        closest = right.x_sample_mm.min() + right.x_line_mm.max()
        assert left.x_sample_mm.max() + left.x_line_mm.min() - closest > 3 * truth.scenario.scan.sample_mm


def test_files_are_what_the_description_says(small_frame: tuple[Path, Truth]) -> None:
    folder, truth = small_frame
    files = sorted((folder / "strips").iterdir())
    assert [path.name for path in files] == ["000.tif", "001.tif", "002.tif", "003.tif"]
    for path, strip in zip(files, truth.strips, strict=True):
        raster = tifffile.imread(path)
        assert raster.dtype == np.uint16
        assert raster.shape == strip.shape == (700, 160)
    with (folder / "reseau.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == list(truth.layout.marks.ids)
    assert len(set(truth.layout.marks.ids)) == len(rows)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(
    small_frame: tuple[Path, Truth], tmp_path: Path
) -> None:
    told: list[float] = []
    make_frame(scenario("small"), tmp_path / "again", progress=told.append)
    make_frame(replace(scenario("small"), seed=8), tmp_path / "other")
    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert told == sorted(told)
    first, again, other = (digests(folder) for folder in (small_frame[0], tmp_path / "again", tmp_path / "other"))
    assert first == again
    assert all(first[name] != other[name] for name in first if name.endswith(".tif"))


def test_a_folder_that_holds_a_frame_is_not_overwritten(small_frame: tuple[Path, Truth]) -> None:
    with pytest.raises(FileExistsError, match="already holds a frame package"):
        make_frame(scenario("small"), small_frame[0])


def test_an_unknown_name_is_refused_with_the_list() -> None:
    with pytest.raises(ValueError, match=r"no scenario is called 'tern3'; there are: tern2, small, "):
        scenario("tern3")


def test_the_catalogue_leaves_unsaid_and_varies_what_it_promises() -> None:
    made = [scenario(name) for name in NAMES]
    patches = {s.wedge.patches for s in made}
    assert {5, 30} <= patches
    assert len({s.scan.pitch_mm for s in made}) > 9
    for promise in (
        lambda s: s.wedge.quantity == "log_exposure",
        lambda s: s.wedge.partial,
        lambda s: s.wedge.place == "both",
        lambda s: s.emulsion.positive,
        lambda s: not s.tone.rising,
        lambda s: not s.reseau.states_density,
        lambda s: s.scan.reversed == "odd",
        lambda s: s.scan.reversed == "even",
        lambda s: s.scan.bits == 8,
        lambda s: s.lens.falloff is not None,
        lambda s: any(s.lens.distortion),
        lambda s: s.pointing.form == "sub_point",
        lambda s: not s.sun.stated,
        lambda s: not s.scan.states_saturation,
        lambda s: not s.emulsion.states_granularity,
        lambda s: s.control is not None,
        lambda s: s.scene.terrain,
    ):
        assert 0 < sum(map(promise, made)) < len(made)


def digests(folder: Path) -> dict[str, str]:
    """Relative path -> SHA-256 of each file."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
