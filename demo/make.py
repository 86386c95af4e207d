"""Makes a frame package from a scenario: exposes, develops and scans the film, and writes the files."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import tifffile
from calib_demo.attitude import moving_view, stated_pose, true_pose
from calib_demo.chance import stream
from calib_demo.control import write_control
from calib_demo.faults import draw_dropouts, spoil
from calib_demo.film import film_of
from calib_demo.layout import lay_out
from calib_demo.package import CONTROL_NAME, DEM_NAME, write_description, write_marks
from calib_demo.readout import common_column_density, draw_strip, line_counts
from calib_demo.scenario import Scenario
from calib_demo.scene import picture_ground
from calib_demo.terrain import make_terrain, write_terrain
from calib_demo.truth import Truth, grain_sigma, video_sigma_dn
from calib_demo.view import RADIUS_KM, View, lon_lat_of, meet_sphere
from numpy.typing import NDArray

Progress = Callable[[float], None]
Dn = NDArray[np.uint8] | NDArray[np.uint16]


def make_frame(scenario: Scenario, folder: Path, *, progress: Progress | None = None) -> Truth:
    """Write the scenario's frame package to `folder` (created if missing) and return its truth.

    The same scenario gives the same bytes. `progress` is called with a share from 0 to 1. Raises FileExistsError if
    the folder already holds a frame.
    """
    tell = progress or (lambda share: None)
    folder = Path(folder)
    if (folder / "frame.toml").exists():
        raise FileExistsError(f"{folder}: already holds a frame package")
    (folder / "strips").mkdir(parents=True, exist_ok=True)
    tell(0.0)
    truth = simulate(scenario)
    tell(0.4)
    for strip in range(len(truth.strips)):
        write_strip(truth, strip, folder / "strips" / f"{strip:03d}.tif")
        tell(0.4 + 0.6 * (strip + 1) / (len(truth.strips) + 1))
    write_marks(truth, folder / "reseau.csv")
    if truth.view.terrain is not None:
        write_terrain(truth.view.terrain, folder / DEM_NAME)
    if scenario.control is not None:
        write_control(truth, folder / CONTROL_NAME)
    write_description(truth, folder)
    tell(1.0)
    return truth


def simulate(scenario: Scenario) -> Truth:
    """The truth of a scenario, without writing anything."""
    layout = lay_out(scenario)
    view = view_of(scenario)
    picture = picture_ground(scenario, view, layout.format_mm)
    film = film_of(scenario, layout, picture)
    strips = []
    for strip, lines in enumerate(line_counts(scenario)):
        first_mm = layout.first_center_mm + strip * scenario.scan.pitch_mm, layout.first_line_mm
        strips.append(draw_strip(scenario, strip, lines, first_mm, draw_dropouts(scenario, strip, lines)[:, :3]))
    position, quaternion = stated_pose(scenario.pointing, scenario.seed)
    return Truth(scenario, layout, view, film, tuple(strips), common_column_density(scenario), position, quaternion)


def view_of(scenario: Scenario) -> View:
    """The camera in its true place, over its terrain."""
    position, rotation = true_pose(scenario.pointing)
    terrain = None
    if scenario.scene.terrain:
        scan, altitude_km = scenario.scan, scenario.pointing.altitude_km
        lon, lat = lon_lat_of(meet_sphere(position, rotation[:, 2], RADIUS_KM)[0])
        half_m = 1.3e3 * altitude_km * scan.strips * scan.pitch_mm / scenario.lens.focal_length_mm
        terrain = make_terrain(scenario.seed, (float(lon), float(lat)), half_m, round(half_m / 120), 0.02 * half_m)
    return moving_view(scenario, position, rotation, terrain)


def strip_dn(truth: Truth, strip: int) -> Dn:
    """The strip's raster: density, grain, banding, drift, video chain, noise, whole DN, dropouts."""
    scenario, s = truth.scenario, truth.strips[strip]
    chance = stream(scenario.seed, "noise", strip)
    density = truth.clean_density(strip).astype(np.float64)
    density += grain_sigma(scenario, density) * chance.standard_normal(s.shape, dtype=np.float32)
    density += s.column_density[None, :] + s.line_density[:, None]
    video = s.video.dn_of(density)
    video += video_sigma_dn(scenario, rounded=False) * chance.standard_normal(s.shape, dtype=np.float32)
    top = 2**scenario.scan.bits - 1
    whole = np.clip(np.rint(video), 0, top)
    dn: Dn = whole.astype(np.uint8) if scenario.scan.bits == 8 else whole.astype(np.uint16)
    spoil(dn, draw_dropouts(scenario, strip, s.shape[0]), scenario, strip)
    return dn


def write_strip(truth: Truth, strip: int, path: Path) -> None:
    """Write one strip as a TIFF."""
    compression = None if truth.scenario.scan.compression == "none" else truth.scenario.scan.compression
    tifffile.imwrite(path, strip_dn(truth, strip), compression=compression, metadata=None, photometric="minisblack")
