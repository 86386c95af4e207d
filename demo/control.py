"""Control points: places on the ground measured on the film, some of them wrongly."""

from pathlib import Path

import numpy as np
from calib_demo.chance import stream
from calib_demo.scenario import GroundControl
from calib_demo.truth import Truth


def write_control(truth: Truth, path: Path) -> None:
    """Write the control points; `blunder_ids` gives those that are wrong on purpose."""
    control = _control(truth)
    chance = stream(truth.scenario.seed, "control")
    half = 0.46 * np.array(truth.layout.format_mm)
    x, y = ((2 * chance.random((control.points, 2)) - 1) * half).T
    lon, lat, hit = truth.ground_of_film(x, y)
    lon, lat = np.round(lon[hit], 7), np.round(lat[hit], 7)
    height_m = np.round(1e3 * truth.height_km(lon, lat), 2)
    x, y = truth.film_of_ground(lon, lat, 1e-3 * height_m)
    x, y = (place + chance.normal(0.0, control.sigma_mm, place.size) for place in (x, y))
    names = [f"c{k + 1:02d}" for k in range(lon.size)]
    for k in range(len(names)):
        if names[k] in blunder_ids(truth):
            x[k] += 60 * control.sigma_mm
            y[k] -= 45 * control.sigma_mm
    rows = [
        f"{name},{a:.7f},{b:.7f},{h:.2f},{u:.5f},{v:.5f},{control.sigma_mm}"
        for name, a, b, h, u, v in zip(names, lon, lat, height_m, x, y, strict=True)
    ]
    path.write_text("\n".join(["id,lon_deg,lat_deg,height_m,x_mm,y_mm,sigma_mm", *rows]) + "\n", encoding="ascii")


def blunder_ids(truth: Truth) -> tuple[str, ...]:
    """Names of the points that were measured wrongly on purpose."""
    control = _control(truth)
    chosen = stream(truth.scenario.seed, "blunders").choice(control.points, control.blunders, replace=False)
    return tuple(sorted(f"c{k + 1:02d}" for k in chosen))


def _control(truth: Truth) -> GroundControl:
    if truth.scenario.control is None:
        raise ValueError(f"{truth.scenario.name}: the scenario has no control points")
    return truth.scenario.control
