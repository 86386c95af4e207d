"""Adds ground that resembles scan faults or is difficult for the tone: ridges along strips, a rille, albedo steps."""

import numpy as np
from calib_demo.chance import fractal_field, stream
from calib_demo.scenario import Scenario
from numpy.typing import NDArray
from scipy import ndimage

Raster = NDArray[np.float32]


def add(scenario: Scenario, relief: Raster, log_albedo: Raster) -> None:
    """Add the structures of the scene's kind in place, to the relief (ground pixels) and the natural log of albedo."""
    if scenario.scene.kind == "contrast":
        _add_units(scenario, log_albedo)
    if scenario.scene.kind == "ridges":
        _add_ridges(scenario, relief, log_albedo)


def _add_units(scenario: Scenario, log_albedo: Raster) -> None:
    """Dark and bright plains with sharp, crooked borders: log albedo -0.55 or +0.55."""
    pattern = fractal_field(stream(scenario.seed, "units"), (log_albedo.shape[0], log_albedo.shape[1]), 2.0, 700.0)
    log_albedo += (0.55 * np.tanh(6.0 * pattern)).astype(np.float32)


def _add_ridges(scenario: Scenario, relief: Raster, log_albedo: Raster) -> None:
    """Ridges parallel to the columns, not quite a strip's pitch apart, a bright rille along them, a step of albedo."""
    rows, columns = relief.shape
    scan = scenario.scan
    pitch_px = scan.pitch_mm / min(scan.sample_mm, scan.line_mm)
    chance = stream(scenario.seed, "ridges")
    sway = ndimage.gaussian_filter1d(chance.standard_normal(rows), 0.2 * rows, mode="reflect")
    sway *= 1.5 / np.abs(sway).max()
    column = np.arange(columns, dtype=np.float32)[None, :] - sway.astype(np.float32)[:, None]
    for spacing, width, height in ((0.97 * pitch_px, 9.0, 2.0), (0.5 * pitch_px, 4.0, 0.7)):
        offset = chance.random() * spacing
        away = (column - offset + spacing / 2) % spacing - spacing / 2
        relief += np.float32(height) * np.exp(-0.5 * (away / width) ** 2)
    rille = np.exp(-0.5 * ((column - 0.43 * columns) / 3.0) ** 2)
    relief -= np.float32(1.2) * rille
    log_albedo += np.float32(0.3) * rille
    log_albedo += np.where(column > 0.68 * columns, 0.2, -0.1).astype(np.float32)
