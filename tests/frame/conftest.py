"""A small valid package of the invented mission, written from scratch, which tests break in one place at a time."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

FRAME = """\
layout = 1
name = "tern2-0143"

[exposure]
mid_time = 1971-06-02T11:42:07.250Z
shutter_s = 0.02

[camera]
focal_length_mm = 450.0
principal_point_mm = [0.012, -0.034]
distortion = { k1 = 1.0e-7, k2 = 0.0, k3 = 0.0, p1 = 0.0, p2 = 0.0 }
format_mm = [9.0, 7.0]
f_number = 5.6
transmittance = 0.78
falloff = [-1.2e-4, 0.0]

[film]
characteristic = { log_exposure = [-1.5, -0.5, 0.5, 1.5], density = [0.2, 0.5, 1.4, 2.1] }
granularity = 11.0

[film.wedge]
quantity = "density"
patches = [
  { value = 0.30, y_mm = [-4.8, -4.4], across_mm = [-1.5, 1.5] },
  { value = 0.90, y_mm = [-4.4, -4.0], across_mm = [-1.5, 1.5] },
  { value = 1.50, y_mm = [-4.0, -3.6], across_mm = [-1.5, 1.5] },
]
sigma = 0.005

[film.reseau]
shape = "cross"
arm_mm = 0.25
width_mm = 0.04
density = 0.12
sigma_mm = 0.001
marks = "reseau.csv"

[scan]
strips = "strips/*.tif"
pitch_mm = 3.2
first_center_mm = -3.2
first_line_mm = -5.0
line_mm = 0.05
sample_mm = 0.1
reversed = "odd"
tolerance_mm = 0.4
saturation = [0, 65535]

[pointing]
position_km = [1700.0, 600.0, 120.0]
camera_to_moon = { w = 0.5, x = -0.5, y = 0.5, z = -0.5 }
sigma_position_km = 0.3
sigma_attitude_deg = 0.05

[sun]
subsolar_deg = [12.5, -1.2]
distance_au = 1.0149

[control]
points = "control.csv"

[map]
crs = "IAU_2015:30110"
pixel_m = 2.0
bounds = [0.0, -100.0, 200.0, 100.0]
"""
RESEAU = "id,x_mm,y_mm\nA1,-3.0,-2.0\nA2,0.0,-2.0\nA3,3.0,-2.0\nB1,-3.0,2.0\n"
CONTROL = (
    "id,lon_deg,lat_deg,height_m,x_mm,y_mm,sigma_mm\nc1,20.1,3.5,-120.0,1.0,2.0,0.004\nc2,20.2,3.4,0,-1.0,2.0,0.004\n"
)
N_LINES, N_SAMPLES, N_STRIPS = 200, 36, 3


def ramp(n_lines: int, n_samples: int, dtype: type = np.uint16) -> np.ndarray:
    """Values that identify their place: 257 x line + sample, modulo the range of the type."""
    line, sample = np.mgrid[:n_lines, :n_samples]
    return (257 * line + sample).astype(dtype)


@pytest.fixture
def package(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes the package and returns its description's path.

    `edits` are pairs of text in `frame.toml` and what takes its place; the text must be there.
    """

    def write(*edits: tuple[str, str], files: dict[str, str] | None = None) -> Path:
        folder = tmp_path / "night" / "0143"
        (folder / "strips").mkdir(parents=True)
        text = FRAME
        for old, new in edits:
            assert old in text, old
            text = text.replace(old, new, 1)
        for name, content in {
            "frame.toml": text,
            "reseau.csv": RESEAU,
            "control.csv": CONTROL,
            **(files or {}),
        }.items():
            (folder / name).write_text(content, encoding="utf-8")
        for index in range(N_STRIPS):
            tifffile.imwrite(folder / "strips" / f"{index:03d}.tif", ramp(N_LINES + index, N_SAMPLES))
        return folder / "frame.toml"

    return write
