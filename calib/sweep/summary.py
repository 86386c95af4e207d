"""Summarises a fit of the sweeps: the sweep common to all strips, figures for the report, and warnings."""

import numpy as np

from calib.coordinates import Array
from calib.frame.frame import Frame
from calib.frame.remarks import Remark
from calib.sweep.adjust import Adjustment
from calib.sweep.combine import Combined
from calib.sweep.cross import CrossShape
from calib.sweep.evidence import EDGE, EDGE_X, MARK, TIE
from calib.sweep.nominal import Nominal
from calib.sweep.tables import MarkTable, TieTable

ENOUGH_MARKS = 4  # used in a strip: with fewer there is a warning that its place depends on its neighbours


def common_sweep(nominal: Nominal, fit: Adjustment) -> tuple[Array, Array]:
    """The departure in x common to all strips and its 1-sigma, by sample, mm."""
    shape = fit.layout.strips[0]
    sample = np.arange(shape.n_samples, dtype=float)
    rows = fit.layout.shared_rows(0, np.full(sample.size, (shape.n_lines - 1) / 2), sample)[:, 0]
    variance = np.einsum("np,pq,nq->n", rows, fit.solution.cov_shared, rows)
    return rows @ fit.solution.shared * nominal.px_mm[0], np.sqrt(variance) * nominal.px_mm[0]


def figures_of(
    table: MarkTable, seams: TieTable, found: Combined, nominal: Nominal, shape: CrossShape
) -> dict[str, float]:
    """Figures for the report: counts, rms residuals in px, blurs and scale factors of sigma."""
    evidence, fit = found.evidence, found.fit
    used, marks = table.used, evidence.kind == MARK
    px_mm = nominal.px_mm
    bound = np.concatenate([table.var_line[used], table.var_sample[used]])
    tie_px = np.concatenate([seams.residual_x_mm[seams.used] / px_mm[0], seams.residual_y_mm[seams.used] / px_mm[1]])
    return {
        "marks_expected": float(len(table)), "marks_used": float(used.sum()),
        "marks_rejected": float(np.sum(~used)), "mark_residual_rms_px": _rms(fit.residual[marks].ravel()),
        "mark_sigma_rms_px": float(np.sqrt(bound.mean())) if bound.size else 0.0,
        "ties": float(len(seams)), "ties_used": float(seams.used.sum()), "tie_residual_rms_px": _rms(tie_px),
        "wedge_borders": float(np.sum((evidence.kind == EDGE) | (evidence.kind == EDGE_X))),
        "blur_x_px": shape.blur_x_mm / float(px_mm[0]), "blur_y_px": shape.blur_y_mm / float(px_mm[1]),
        **{f"scale_{name}": float(fit.scale[kind]) for name, kind in
           (("marks", MARK), ("borders_y", EDGE), ("borders_x", EDGE_X), ("ties", TIE))},
    }  # fmt: skip


def _rms(values: Array) -> float:
    """Root mean square, 0 for none."""
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def placing_warnings(frame: Frame, table: MarkTable) -> tuple[Remark, ...]:
    """A remark on each strip with fewer than `ENOUGH_MARKS` used marks."""
    warnings = []
    for strip in frame.strips:
        count = int(np.sum(table.used & (table.strip == strip.index)))
        if count == 0:
            warnings.append(Remark("no usable reseau mark; placed by its neighbours", (strip.index,)))
        elif count < ENOUGH_MARKS:
            marks = "mark" if count == 1 else "marks"
            said = f"only {count} usable reseau {marks}; placed with its neighbours' help"
            warnings.append(Remark(said, (strip.index,)))
    return tuple(warnings)


def soft_warnings(frame: Frame, soft_mm: Array, shape: CrossShape) -> tuple[Remark, ...]:
    """A remark on each strip with an excess blur `soft_mm` (K, 2), rms radius in x and y (`marks.estimate_blur`)."""
    spot_mm = np.array([shape.blur_x_mm, shape.blur_y_mm])
    px_mm = np.array([frame.scan.sample_mm, frame.scan.line_mm])
    return tuple(
        Remark(
            f"its reseau marks are {np.hypot(1.0, np.max(soft / spot_mm)):.2g} times as blurred as other strips': read "
            f"out of focus; sigma holds that its detail is spread over {np.max(soft / px_mm):.2g} px",
            (strip.index,),
        )
        for strip, soft in zip(frame.strips, soft_mm, strict=True)
        if soft.any()
    )
