"""Saves and loads a truth as one .npz file, which lies beside the frame package and never inside it."""

from pathlib import Path

import numpy as np
from calib_demo.attitude import moving_view, stated_pose
from calib_demo.film import film_of
from calib_demo.layout import lay_out
from calib_demo.readout import StripTruth, Video, common_column_density
from calib_demo.scenario import from_json, to_json
from calib_demo.scene import GroundPicture
from calib_demo.terrain import Terrain
from calib_demo.truth import Truth

STRIP_ARRAYS = ("x_sample_mm", "x_line_mm", "y_line_mm", "y_sample_mm", "column_density", "line_density", "dropouts")


def save_truth(truth: Truth, path: Path) -> None:
    """Write a truth, without what can be derived from the scenario alone."""
    picture, view = truth.film.picture, truth.view
    arrays = {
        "scenario": np.array(to_json(truth.scenario)),
        "coefficients": picture.coefficients,
        "raster": np.array([picture.x_mm, picture.y_mm, picture.step_mm]),
        "position_km": view.position_km,
        "rotation": view.rotation,
    }
    if view.terrain is not None:
        arrays["heights_m"] = view.terrain.heights_m
        arrays["terrain"] = np.array([view.terrain.west_m, view.terrain.top_m, view.terrain.step_m])
    for k, strip in enumerate(truth.strips):
        arrays |= {f"{k:03d}_{name}": getattr(strip, name) for name in STRIP_ARRAYS}
        video = strip.video
        arrays[f"{k:03d}_video"] = np.array([video.dark, video.bright, video.toe, video.knee, strip.is_reversed])
    with Path(path).open("wb") as file:
        np.savez(file, allow_pickle=False, **arrays)


def load_truth(path: Path) -> Truth:
    """Read what `save_truth` wrote."""
    with np.load(path, allow_pickle=False) as kept:
        scenario = from_json(str(kept["scenario"]))
        terrain = Terrain(kept["heights_m"], *map(float, kept["terrain"])) if "terrain" in kept else None
        view = moving_view(scenario, kept["position_km"], kept["rotation"], terrain)
        x_mm, y_mm, step_mm = map(float, kept["raster"])
        picture = GroundPicture(kept["coefficients"], x_mm, y_mm, step_mm, scenario.scene.folded_px is not None)
        strips = []
        for k in range(scenario.scan.strips):
            *video, is_reversed = kept[f"{k:03d}_video"]
            arrays = {name: kept[f"{k:03d}_{name}"] for name in STRIP_ARRAYS}
            strips.append(StripTruth(**arrays, video=Video(*map(float, video)), is_reversed=bool(is_reversed)))
    layout = lay_out(scenario)
    film = film_of(scenario, layout, picture)
    stated = stated_pose(scenario.pointing, scenario.seed)
    return Truth(scenario, layout, view, film, tuple(strips), common_column_density(scenario), *stated)
