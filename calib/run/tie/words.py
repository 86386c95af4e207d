"""The result of `calib tie` in words: how far the pointing was off, and how good the tie points are."""

import numpy as np

from calib.ground.match_windows import waves_apart_px
from calib.run.report.figures import rms
from calib.run.tie.result import TieResult

Facts = tuple[tuple[str, str], ...]


def facts_of(result: TieResult) -> Facts:
    """Label and text of each finding, the most important first."""
    final, ids = result.final, result.final.ties.ids
    r, used = final.resection, final.resection.used
    before = rms(np.concatenate([r.before_x_mm[used], r.before_y_mm[used]]))
    after = rms(np.concatenate([r.residual_x_mm[used], r.residual_y_mm[used]]))
    mm, m = result.sample_mm, result.sample_m
    off, most = rms(result.ground_m), float(result.ground_m.max())
    sigma_um = 1000 * float(np.median(final.ties.sigma_mm))
    windows = len(ids) + len(result.left_out) + len(result.unmatched)
    return (
        ("pointing was off", f"{off:.4g} m on the ground rms, {most:.4g} m at most (rms {off / m:.4g} samples)"),
        ("camera moved, turned", f"{result.moved_km:.4g} km, {result.turned_deg:.3g} deg (in part interchangeable)"),
        ("residuals before", f"{1000 * before:.4g} µm rms per axis, {before / mm:.4g} samples"),
        ("residuals after", f"{1000 * after:.3g} µm rms per axis, {after / mm:.2g} samples"),
        ("points", f"{len(ids)} used of {windows} windows, {len(result.unmatched)} without a clear match"),
        ("left out", ", ".join(result.left_out) or "none of those that match"),
        ("scatter of the points", f"{final.scatter:.2g} times what matching alone explains"),
        ("trace of the lighting", _lighting(result)),
        ("shared by all points", f"1-sigma {1000 * final.shared_mm:.2g} µm, {final.shared_mm / mm:.2g} samples"),
        ("sigma of a point", f"{sigma_um:.3g} µm (median), with what all share times the root of their number"),
        ("searched", f"{result.reach_m / 1000:.3g} km around the stated place"),
    )  # fmt: skip


def _lighting(result: TieResult) -> str:
    apart_px, noise_px = waves_apart_px(result.final.scales)
    pixel_m = result.found.windows.lattice.pixel_m(result.found.windows.level)
    return f"long and short waves lie {pixel_m * apart_px:.2g} m apart (1-sigma {pixel_m * noise_px:.1g} m)"
