"""Computes the layout of the film: format, wedge, marks and strips, all in film millimetres."""

from dataclasses import dataclass

import numpy as np
from calib_demo.chance import stream
from calib_demo.emulsion import density_of, knots_of
from calib_demo.scenario import Scenario
from numpy.typing import NDArray

Array = NDArray[np.float64]
DAMAGES = ("missing", "scratched", "cut")


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """The wedge of one strip: stated values, true densities, and edges in mm (across: from the strip's centre line)."""

    stated: Array
    density: Array
    y_mm: Array  # (n, 2)
    across_mm: Array  # (n, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Reseau marks: stated and true places, and the damage of each ("" where it is whole)."""

    ids: tuple[str, ...]
    stated_mm: Array  # (n, 2)
    true_mm: Array  # (n, 2)
    damage: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """The places of format, wedge and marks on the film."""

    format_mm: tuple[float, float]
    first_center_mm: float
    first_line_mm: float
    patches: Patches
    marks: Marks
    blots: Array  # (n, 5): left, right, top, bottom in film mm, density


def lay_out(scenario: Scenario) -> Layout:
    """Place wedge, format and marks so that all of them are inside the scan for any offset within its tolerance."""
    scan, wedge = scenario.scan, scenario.wedge
    block_mm = wedge.patches * wedge.patch_mm
    above_mm = {"top": block_mm, "bottom": 0.0, "both": (wedge.patches + 1) // 2 * wedge.patch_mm}[wedge.place]
    below_mm = block_mm - above_mm
    margin_mm, gap_mm = 0.5 * scan.tolerance_mm + 24 * scan.line_mm, 16 * scan.line_mm
    length_mm = (scan.lines - scan.line_count_spread) * scan.line_mm
    gaps_mm = gap_mm * ((above_mm > 0) + (below_mm > 0))
    height_mm = round(length_mm - 2 * margin_mm - block_mm - gaps_mm, 2)
    span_mm = (scan.strips - 1) * scan.pitch_mm
    width_mm = round(
        span_mm + scan.samples * scan.sample_mm - 0.2 * min(scan.tolerance_mm, 1.0) - 24 * scan.sample_mm, 2
    )
    top_mm = -height_mm / 2 - (gap_mm + above_mm if above_mm > 0 else 0.0)
    first_line_mm = round(top_mm - margin_mm, 3)
    edges = _patch_edges(scenario, above_mm, height_mm, gap_mm)
    format_mm = (width_mm, height_mm)
    first_center_mm = round(-span_mm / 2, 4)
    patches, marks = _patches(scenario, edges), _marks(scenario, format_mm)
    return Layout(format_mm, first_center_mm, first_line_mm, patches, marks, _blots(scenario, first_center_mm, edges))


def _patch_edges(scenario: Scenario, above_mm: float, height_mm: float, gap_mm: float) -> Array:
    wedge = scenario.wedge
    n_above = round(above_mm / wedge.patch_mm)
    tops = [-height_mm / 2 - gap_mm - (n_above - k) * wedge.patch_mm for k in range(n_above)]
    tops += [height_mm / 2 + gap_mm + k * wedge.patch_mm for k in range(wedge.patches - n_above)]
    tops_mm = np.round(tops, 4)
    return np.stack([tops_mm, np.round(tops_mm + wedge.patch_mm, 4)], axis=1)


def _patches(scenario: Scenario, y_mm: Array) -> Patches:
    wedge, emulsion, scan = scenario.wedge, scenario.emulsion, scenario.scan
    knots = knots_of(emulsion)
    share = np.linspace(wedge.low, wedge.high, wedge.patches)
    if wedge.quantity == "density":
        low, high = min(knots.density[0], knots.density[-1]), max(knots.density[0], knots.density[-1])
        values = np.round(low + share * (high - low), 3)
    else:
        first, last = knots.log_exposure[0], knots.log_exposure[-1]
        values = np.round(first + share * (last - first), 3)
    real = values + stream(scenario.seed, "wedge").normal(0.0, wedge.sigma, values.size)
    density = real if wedge.quantity == "density" else density_of(knots, real)
    half_mm = round(0.5 * (scan.pitch_mm - wedge.gap_samples * scan.sample_mm), 4)
    across = np.tile([-half_mm, half_mm], (wedge.patches, 1))
    if wedge.partial:
        across[wedge.patches // 3, 1] = round(0.1 * half_mm, 4)
    return Patches(values, density, y_mm, across)


def _blots(scenario: Scenario, first_center_mm: float, edges_mm: Array) -> Array:
    """Damage of the wedge: clear scratches and dark spots that cover part of a patch or two."""
    scan, patch_mm = scenario.scan, scenario.wedge.patch_mm
    chance = stream(scenario.seed, "blots")
    blots = []
    for strip, number in enumerate(chance.poisson(scenario.wedge.blots, scan.strips)):
        for _ in range(number):
            left = first_center_mm + scan.pitch_mm * (strip + chance.uniform(-0.4, 0.2))
            top = chance.choice(edges_mm[:, 0]) + chance.uniform(-0.3, 0.6) * patch_mm
            width, height = chance.uniform(0.1, 0.5) * scan.pitch_mm, chance.uniform(0.4, 1.0) * patch_mm
            blots.append((left, left + width, top, top + height, chance.choice([0.05, 1.7])))
    return np.array(blots).reshape(-1, 5)


def _marks(scenario: Scenario, format_mm: tuple[float, float]) -> Marks:
    plate = scenario.reseau
    inset = 1.6 * plate.arm_mm
    half_x, half_y = format_mm[0] / 2 - inset, format_mm[1] / 2 - inset
    columns = np.arange(-half_x, half_x, plate.spacing_mm[0])
    rows = np.arange(-half_y, half_y, plate.spacing_mm[1])
    ids, places = [], []
    for row, y_mm in enumerate(rows):
        shift = plate.spacing_mm[0] / 2 if plate.staggered and row % 2 else 0.0
        for column, x_mm in enumerate(columns + shift):
            if x_mm <= half_x:
                ids.append(f"{_letters(column)}{row + 1:02d}")
                places.append((x_mm, y_mm))
    chance = stream(scenario.seed, "reseau")
    stated = np.round(np.array(places), 4)
    true = stated + chance.normal(0.0, plate.sigma_mm, stated.shape)
    hurt = chance.random(len(ids)) < plate.damaged
    kinds = chance.integers(0, len(DAMAGES), len(ids))
    damage = tuple(DAMAGES[kind] if bad else "" for bad, kind in zip(hurt, kinds, strict=True))
    return Marks(tuple(ids), stated, true, damage)


def _letters(column: int) -> str:
    return (chr(64 + column // 26) if column >= 26 else "") + chr(65 + column % 26)
