"""The key figures of a run, each with the limit that noise or the description sets."""

from itertools import compress

import numpy as np
from numpy.typing import NDArray

from calib.products.report_data import ReportFigure
from calib.run.fitting.fit import FrameFits
from calib.run.report.columns import ColumnMeans
from calib.run.report.seams import SeamCheck
from calib.sweep.tables import OUTSIDE


def figures_of(fits: FrameFits, seams: SeamCheck, columns: ColumnMeans) -> tuple[ReportFigure, ...]:
    """All figures of a run; those that are not defined for it are left out."""
    made = [*_geometry(fits), *_tone(fits, columns), *_seams(seams), *_control(fits)]
    return tuple(figure for figure in made if np.isfinite(figure.value))


def rms(values: NDArray[np.float64]) -> float:
    """Root mean square; NaN for an empty array."""
    return float(np.sqrt(np.mean(np.square(values)))) if values.size else float("nan")


def _joined(of_strips: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """The arrays of the strips, concatenated; empty where there is none."""
    return np.concatenate([np.zeros(0), *of_strips])


def _weighted(residual: NDArray[np.float64], sigma: NDArray[np.float64]) -> tuple[float, str, float]:
    """Root mean square weighted by 1 / sigma^2, its unit px, and its expectation if only noise is left."""
    total = float(np.sum(sigma**-2.0)) if residual.size else float("nan")
    return float(np.sqrt(np.sum((residual / sigma) ** 2) / total)), "px", float(np.sqrt(residual.size / total))


def _geometry(fits: FrameFits) -> list[ReportFigure]:
    marks, ties, scan = fits.sweep.marks, fits.sweep.ties, fits.frame.scan
    used, seen = marks.used, np.array([reason != OUTSIDE for reason in marks.reason], bool)
    along, across = marks.residual_y_mm[used] / scan.line_mm, marks.residual_x_mm[used] / scan.sample_mm
    stated_mm = fits.frame.film.reseau.sigma_mm or 0.0
    fitted = np.concatenate([marks.var_line[used], marks.var_sample[used]])
    stated = np.repeat([stated_mm / scan.line_mm, stated_mm / scan.sample_mm], np.count_nonzero(used))
    expected = np.sqrt(fitted + stated**2)
    sweeps = list(compress(fits.sweep.sweeps, fits.usable()))
    placed = [sweep.sigma_x_mm / scan.sample_mm for sweep in sweeps]
    placed += [sweep.sigma_y_mm / scan.line_mm for sweep in sweeps]
    tie = ties.used
    tie_px = np.concatenate([ties.residual_x_mm[tie] / scan.sample_mm, ties.residual_y_mm[tie] / scan.line_mm])
    tie_sigma = np.concatenate([ties.sigma_x_mm[tie] / scan.sample_mm, ties.sigma_y_mm[tie] / scan.line_mm])
    return [
        ReportFigure("reseau marks used", "marks measured and believed", float(used.sum()), ""),
        ReportFigure("reseau marks left out", "damaged, not seen, or at odds", float((seen & ~used).sum()), ""),
        ReportFigure(
            "mark residual",
            "measured less fitted place, rms per axis",
            rms(np.concatenate([along, across])),
            "px",
            rms(expected),
            "Cramér-Rao bound of the mark fits, and the stated 1-sigma of the marks",
        ),
        *_jitter(fits.sweep.figures.get("line_jitter_px", 0.0)),
        ReportFigure("film place", "1-sigma of a line's place on the film, rms", rms(_joined(placed)), "px"),
        ReportFigure(
            "tie residual",
            "the same texture in two strips, rms per axis weighted by texture",
            *_weighted(tie_px, tie_sigma),
            "noise of the ties",
        ),
    ]


def _jitter(size_px: float) -> list[ReportFigure]:
    """The jitter of single lines, if it exceeds the noise."""
    said = "single lines' own offsets across a strip, taken off: rms in the worst strip"
    return [ReportFigure("line jitter", said, size_px, "px")] if size_px > 0 else []


def _tone(fits: FrameFits, columns: ColumnMeans) -> list[ReportFigure]:
    tone, patches = fits.tone, fits.tone.patches
    strips = list(compress(tone.strips, fits.usable()))
    sigma = _joined([strip.column_sigma for strip in strips])
    residual = patches.residual_density[patches.used]
    banding = _joined([strip.column_density for strip in strips])
    stated = fits.frame.film.wedge.sigma
    return [
        ReportFigure("banding taken out", "rms over all columns", rms(banding), "D"),
        ReportFigure(
            "column known to",
            "1-sigma of a column's banding, rms",
            rms(sigma),
            "D",
            rms(columns.floor[np.isfinite(columns.floor)]),
            "noise of the scene's samples over the root of their number",
        ),
        ReportFigure(
            "wedge residual",
            "measured less stated density of the patches, rms",
            rms(residual),
            "D",
            stated,
            "stated 1-sigma of a patch" if stated else "",
        ),
        ReportFigure("wedge patches used", "over all strips", float(patches.used.sum()), ""),
    ]


def _seams(seams: SeamCheck) -> list[ReportFigure]:
    floor = "noise of the samples compared"
    return [
        ReportFigure(
            "seam jump",
            "mean difference of two strips over blocks of a seam, rms",
            rms(seams.jump),
            "D",
            rms(seams.floor),
            floor,
        )
    ]


def _control(fits: FrameFits) -> list[ReportFigure]:
    if fits.resection is None or fits.frame.control is None:
        return []
    used = fits.resection.used
    after = np.concatenate([fits.resection.residual_x_mm[used], fits.resection.residual_y_mm[used]])
    stated = fits.frame.control.sigma_mm[used]
    return [
        ReportFigure(
            "control residual",
            "measured less computed film place, rms per axis",
            1e3 * rms(after),
            "µm",
            1e3 * rms(stated),
            "stated 1-sigma of the points",
        )
    ]
