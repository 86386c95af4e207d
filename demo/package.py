"""Writing the frame package: the description, the marks, the control points."""

from pathlib import Path

import numpy as np
from calib_demo.emulsion import knots_of
from calib_demo.scenario import Scenario
from calib_demo.truth import Truth

DEM_NAME = "dem.tif"
CONTROL_NAME = "control.csv"


def write_description(truth: Truth, folder: Path) -> None:
    """Write frame.toml (and lens.toml where the camera has a file of its own)."""
    scenario = truth.scenario
    camera = _camera(truth)
    parts = ["layout = 1", f'name = "{scenario.name}"']
    if scenario.lens.in_own_file:
        parts.append('camera = "lens.toml"')
        (folder / "lens.toml").write_text("\n".join(camera) + "\n", encoding="ascii")
    parts += ["", "[exposure]", f"mid_time = {scenario.mid_time}", f"shutter_s = {scenario.shutter_s}"]
    if not scenario.lens.in_own_file:
        parts += ["", "[camera]", *camera]
    parts += ["", *_film(truth), "", *_scan(truth), "", *_pointing(truth), *_sun(scenario)]
    if truth.view.terrain is not None:
        parts += ["", "[terrain]", f'dem = "{DEM_NAME}"']
    if scenario.control is not None:
        parts += ["", "[control]", f'points = "{CONTROL_NAME}"']
    parts += _map(scenario)
    (folder / "frame.toml").write_text("\n".join(parts) + "\n", encoding="ascii")


def write_marks(truth: Truth, path: Path) -> None:
    """Write the stated places of the reseau marks."""
    marks = truth.layout.marks
    rows = [f"{name},{x:.4f},{y:.4f}" for name, (x, y) in zip(marks.ids, marks.stated_mm, strict=True)]
    path.write_text("\n".join(["id,x_mm,y_mm", *rows]) + "\n", encoding="ascii")


def _list(values: object) -> str:
    return "[" + ", ".join(repr(float(v)) for v in np.asarray(values).ravel()) + "]"


def _camera(truth: Truth) -> list[str]:
    lens = truth.scenario.lens
    lines = [
        f"focal_length_mm = {lens.focal_length_mm}",
        f"principal_point_mm = {_list(lens.principal_point_mm)}",
    ]
    if any(lens.distortion):
        terms = ", ".join(
            f"{k} = {float(v)!r}" for k, v in zip(("k1", "k2", "k3", "p1", "p2"), lens.distortion, strict=True)
        )
        lines.append(f"distortion = {{ {terms} }}")
    lines += [
        f"format_mm = {_list(truth.layout.format_mm)}",
        f"f_number = {lens.f_number}",
        f"transmittance = {lens.transmittance}",
    ]
    if lens.falloff is not None:
        lines.append(f"falloff = {_list(lens.falloff)}")
    if lens.slit is not None:
        way, speed_mm_s = lens.slit
        lines.append(f'shutter_slit = {{ travel = "{way}", speed_mm_s = {speed_mm_s} }}')
    return lines


def _film(truth: Truth) -> list[str]:
    emulsion, wedge, plate = truth.scenario.emulsion, truth.scenario.wedge, truth.scenario.reseau
    knots, patches = knots_of(emulsion), truth.layout.patches
    lines = ["[film]"]
    lines.append(f"characteristic = {{ log_exposure = {_list(knots.log_exposure)}, density = {_list(knots.density)} }}")
    if emulsion.states_granularity:
        lines.append(f"granularity = {emulsion.granularity}")
    lines += ["", "[film.wedge]", f'quantity = "{wedge.quantity}"', "patches = ["]
    for value, y_mm, across_mm in zip(patches.stated, patches.y_mm, patches.across_mm, strict=True):
        lines.append(f"  {{ value = {float(value)!r}, y_mm = {_list(y_mm)}, across_mm = {_list(across_mm)} }},")
    lines.append("]")
    if wedge.states_sigma:
        lines.append(f"sigma = {wedge.sigma}")
    lines += ["", "[film.reseau]", 'shape = "cross"', f"arm_mm = {plate.arm_mm}", f"width_mm = {plate.width_mm}"]
    if plate.states_density:
        lines.append(f"density = {plate.density}")
    if plate.states_sigma:
        lines.append(f"sigma_mm = {plate.sigma_mm}")
    return [*lines, 'marks = "reseau.csv"']


def _scan(truth: Truth) -> list[str]:
    scan = truth.scenario.scan
    lines = [
        "[scan]",
        'strips = "strips/*.tif"',
        f"pitch_mm = {scan.pitch_mm}",
        f"first_center_mm = {truth.layout.first_center_mm}",
        f"first_line_mm = {truth.layout.first_line_mm}",
        f"line_mm = {scan.line_mm}",
        f"sample_mm = {scan.sample_mm}",
        f'reversed = "{scan.reversed}"',
        f"tolerance_mm = {scan.tolerance_mm}",
    ]
    return [*lines, f"saturation = [0, {2**scan.bits - 1}]"] if scan.states_saturation else lines


def _pointing(truth: Truth) -> list[str]:
    pointing = truth.scenario.pointing
    lines = ["[pointing]"]
    if pointing.form == "position":
        turn = ", ".join(f"{k} = {float(v)!r}" for k, v in zip("wxyz", truth.stated_quaternion, strict=True))
        lines += [f"position_km = {_list(truth.stated_position_km)}", f"camera_to_moon = {{ {turn} }}"]
    else:
        lines += [
            f"sub_point_deg = {_list(pointing.sub_point_deg)}",
            f"altitude_km = {pointing.altitude_km}",
            f"tilt_deg = {pointing.tilt_deg}",
            f"tilt_azimuth_deg = {pointing.tilt_azimuth_deg}",
            f"swing_deg = {pointing.swing_deg}",
        ]
    if pointing.sigma_position_km is not None:
        lines.append(f"sigma_position_km = {pointing.sigma_position_km}")
    if pointing.sigma_attitude_deg is not None:
        lines.append(f"sigma_attitude_deg = {pointing.sigma_attitude_deg}")
    if pointing.velocity_km_s is not None:
        moving = f"velocity_km_s = {_list(pointing.velocity_km_s)}, turn_deg_s = {_list(pointing.turn_deg_s)}"
        lines.append(f"motion = {{ {moving} }}")
    return lines


def _sun(scenario: Scenario) -> list[str]:
    sun = scenario.sun
    if not sun.stated:
        return []
    lines = ["", "[sun]", f"subsolar_deg = {_list(sun.subsolar_deg)}", f"distance_au = {sun.distance_au}"]
    return [*lines, f"illuminance_lx_1au = {sun.illuminance_lx_1au}"] if sun.states_illuminance else lines


def _map(scenario: Scenario) -> list[str]:
    wish = scenario.map
    if wish is None:
        return []
    lines = ["", "[map]"]
    if wish.crs is not None:
        lines.append(f'crs = "{wish.crs}"')
    if wish.pixel_m is not None:
        lines.append(f"pixel_m = {wish.pixel_m}")
    return lines if wish.bounds is None else [*lines, f"bounds = {_list(wish.bounds)}"]
