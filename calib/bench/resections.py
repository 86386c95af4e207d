"""Measures resection on simulated control points that include blunders, from a wrongly stated pointing."""

from dataclasses import dataclass, replace

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.bench.arrays import rms
from calib.bench.figure import Figure, Reach
from calib.camera.adjustment import Control
from calib.camera.exterior import Pose, turn_between, turned
from calib.camera.resection import Resection, resect
from calib.coordinates import FilmPoints, GroundPoints
from calib.frame.camera import Camera
from calib.ground.sphere import ground_to_moon

Floats = NDArray[np.float64]
DRAWS, POINTS, BLUNDERS = 200, 12, 2
SIGMA_MM = 0.004  # of a point's film coordinates, half a sample
BLUNDER_SIGMAS = (20.0, 100.0)  # range of a blunder's error
SIGMA_KM, SIGMA_DEG = 0.5, 0.05  # of the stated pointing


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """One random case: measured control points, the mask of blunders, and the stated pointing."""

    control: Control
    blunders: tuple[str, ...]
    stated: Pose


def resection_figures(scene: str, camera: Camera, pose: Pose, truth: Truth) -> list[Figure]:
    """Errors of resected poses in units of their covariance, and the blunders found, in random cases of one camera.

    `pose` is the true one; `truth` gives the places of the points.
    """
    chance = np.random.default_rng(truth.scenario.seed)
    scores, found, planted, mistaken, failed = [], 0, 0, 0, 0
    for _ in range(DRAWS):
        drawn = draw(truth, pose, chance)
        result = resect(camera, drawn.control, drawn.stated)
        planted += len(drawn.blunders)
        if not isinstance(result, Resection):
            failed += 1
            continue
        found += len(set(result.rejected) & set(drawn.blunders))
        mistaken += len(set(result.rejected) - set(drawn.blunders))
        scores.append(whitened(result, pose))
    said = {"draws": float(DRAWS), "failed": float(failed)}
    share = BLUNDERS * found / planted
    return [
        Figure(scene, "resection error over its bound, rms", rms(np.array(scores)), "", Reach(high=1.2), said),
        Figure(
            scene,
            f"blunders found of {BLUNDERS} in {POINTS}",
            share,
            "",
            Reach(low=float(BLUNDERS)),
            {"good points rejected per draw": mistaken / DRAWS},
        ),
    ]


def draw(truth: Truth, pose: Pose, chance: np.random.Generator) -> Drawn:
    """Control points spread over the format, `BLUNDERS` of them far wrong, and a pointing with random errors."""
    half = 0.46 * np.array(truth.layout.format_mm)
    x, y, lon, lat = (np.zeros(0) for _ in range(4))
    while x.size < POINTS:  # where the limb is in view, only some places are on the Moon
        try_x, try_y = (2 * chance.random((2, POINTS)) - 1) * half[:, None]
        try_lon, try_lat, hit = truth.ground_of_film(try_x, try_y)
        x, y = np.append(x, try_x[hit]), np.append(y, try_y[hit])
        lon, lat = np.append(lon, try_lon[hit]), np.append(lat, try_lat[hit])
    x, y, lon, lat = (values[:POINTS] for values in (x, y, lon, lat))
    ground = ground_to_moon(GroundPoints(lon, lat, truth.height_km(lon, lat)))
    place = np.stack([x, y]) + chance.normal(0.0, SIGMA_MM, (2, POINTS))
    wrong = chance.choice(POINTS, BLUNDERS, replace=False)
    angle, size = chance.uniform(0, 2 * np.pi, BLUNDERS), SIGMA_MM * chance.uniform(*BLUNDER_SIGMAS, BLUNDERS)
    place[:, wrong] += size * np.stack([np.cos(angle), np.sin(angle)])
    ids = tuple(f"p{k:02d}" for k in range(POINTS))
    control = Control(ids, ground, FilmPoints(*place), np.full(POINTS, SIGMA_MM))
    return Drawn(control, tuple(ids[k] for k in wrong), _wrongly_stated(pose, chance))


def whitened(result: Resection, true: Pose) -> Floats:
    """The error (6,) of a resected pose in units of its covariance: unit scatter where the covariance is true."""
    error = np.concatenate(
        [result.pose.position_km - true.position_km, turn_between(true.rotation, result.pose.rotation)]
    )
    return np.linalg.solve(np.linalg.cholesky(result.covariance), error)


def _wrongly_stated(pose: Pose, chance: np.random.Generator) -> Pose:
    return replace(
        pose,
        position_km=pose.position_km + chance.normal(0.0, SIGMA_KM, 3),
        rotation=turned(pose.rotation, np.radians(chance.normal(0.0, SIGMA_DEG, 3))),
        sigma_position_km=SIGMA_KM,
        sigma_attitude_deg=SIGMA_DEG,
    )
