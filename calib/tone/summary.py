"""Summary of a tone fit: the table of its patches, and the figures of the report."""

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import TO_SIGMA, medians_by
from calib.ordered import shared_out
from calib.tone.evidence import FOG_KIND, OVERLAP_KIND, PATCH_KIND, STROKE_KIND
from calib.tone.fitted import Fitted
from calib.tone.frame_survey import FrameSurvey
from calib.tone.known_film import KnownFilm
from calib.tone.model import PatchTable, StripTone
from calib.tone.noise import grain_bias
from calib.tone.placing import Curves
from calib.tone.survey import StripSurvey, usable_patches
from calib.tone.tables import curve_density

WEDGE_OFF = 5.0  # times the expected scatter of a strip's patches about its curve


def patch_table(fitted: Fitted, strips: Sequence[StripTone], threads: int) -> PatchTable:
    """All patches of all strips with their residuals after the fit."""
    known, surveyed = fitted.known, fitted.surveyed

    def look(survey: StripSurvey) -> tuple[Array, Array]:
        if survey.curve is None or survey.is_lost:
            return np.full(known.n_patches, np.nan), np.full(known.n_patches, np.nan)
        return _measured(fitted, survey, strips[survey.index])

    measured, sigma = (np.stack(part) for part in zip(*shared_out(look, surveyed.surveys, threads), strict=True))
    used = np.array([usable_patches(survey, known) for survey in surveyed.surveys])
    return _table(known, surveyed, measured - known.patch_density, sigma, used)


def curves_in_doubt(patches: PatchTable, stated_sigma: float | None, n_strips: int) -> Array:
    """Deviation of the used patches from the fitted curves, (n_strips,): density, root mean square over those of a
    strip; 0 where noise and the stated sigma explain it.

    `WEDGE_OFF` is far beyond stated errors, yet below the deviation of a wedge that is misplaced by a patch, or of one
    that belongs to another strip.
    """
    found = np.zeros(n_strips)
    expected = np.hypot(stated_sigma or 0.0, patches.sigma_density)
    for strip in np.unique(patches.strip[patches.used]).tolist():
        rows = (patches.strip == strip) & patches.used
        departure = patches.residual_density[rows]
        if np.mean((departure / expected[rows]) ** 2) > WEDGE_OFF**2:
            found[strip] = np.sqrt(np.mean(departure**2))
    return found


def unmeasured_patches(known: KnownFilm, surveyed: FrameSurvey) -> PatchTable:
    """The table of a frame without a fit."""
    shape = (len(surveyed.surveys), known.n_patches)
    nothing = np.full(shape, np.nan)
    return _table(known, surveyed, nothing, nothing, np.zeros(shape, dtype=np.bool_))


def _table(
    known: KnownFilm, surveyed: FrameSurvey, residual: Array, sigma: Array, used: NDArray[np.bool_]
) -> PatchTable:
    """Rows of (strips, patches) arrays, strip by strip."""
    n, count = known.n_patches, len(surveyed.surveys)
    reasons = [_reasons(survey, row) for survey, row in zip(surveyed.surveys, used, strict=True)]
    surveys = surveyed.surveys
    return PatchTable(
        strip=np.repeat(np.arange(count), n),
        patch=np.tile(np.arange(n), count),
        value=np.tile(known.patch_value, count),
        density=np.tile(known.patch_density, count),
        dn=np.concatenate([survey.patches.dn for survey in surveys]),
        n_samples=np.concatenate([survey.patches.count for survey in surveys]),
        scatter_dn=np.concatenate([survey.patches.scatter_dn for survey in surveys]),
        residual_density=residual.ravel(),
        sigma_density=sigma.ravel(),
        first_line=np.concatenate([survey.patches.first_line for survey in surveys]),
        stop_line=np.concatenate([survey.patches.stop_line for survey in surveys]),
        used=used.ravel(),
        reason=tuple(reason for row in reasons for reason in row),
    )


def _measured(fitted: Fitted, survey: StripSurvey, tone: StripTone) -> tuple[Array, Array]:
    """Density of each patch by the fitted tone, averaged over its cells, and the 1-sigma of measured minus stated."""
    known, curves, cells = fitted.known, fitted.curves, survey.cells
    curve = partial(curve_density, curves, fitted.fit, survey.index)
    line = np.clip(np.round(cells.line).astype(np.int64), 0, tone.n_lines - 1)
    # the level of the table; between whole DN the curve is not straight
    middle = (tone.dn_span[0] + tone.dn_span[1]) // 2
    level = tone.density_of_dn[middle] - curve(np.array([middle], dtype=np.float64))
    density = (
        curve(cells.dn)
        + level
        - tone.column_density[cells.sample]
        - tone.line_density[line]
        - _bias_of_grain(known, curves, survey)
    )
    usable = np.append(usable_patches(survey, known), False)  # the last stands for all other film
    patch = np.where(usable[np.minimum(cells.label, known.n_patches)], cells.label, -1)
    values = medians_by(density, patch, known.n_patches)
    scatter = TO_SIGMA * medians_by(np.abs(density - values[patch]), patch, known.n_patches)
    count = np.bincount(patch + 1, minlength=known.n_patches + 1)[1:]
    return values, np.hypot(known.patch_sigma, 1.25 * scatter / np.sqrt(np.maximum(count, 1)))


def _bias_of_grain(known: KnownFilm, curves: Curves, survey: StripSurvey) -> Array:
    """Bias of each cell's density due to grain; meaningless for cells that are not of a patch."""
    first, noise = curves.first[survey.index], curves.noise[survey.index]
    z = first.density_of(survey.cells.dn)
    stated = known.patch_density[np.minimum(survey.cells.label, known.n_patches - 1)]
    return grain_bias(*first.derivatives(z), noise.grain_variance(stated))


def _reasons(survey: StripSurvey, used: np.ndarray) -> list[str]:
    found = list(survey.patches.reason)
    is_none = bool((survey.spoilt | ~np.isfinite(survey.patches.dn)).all())
    spoilt = "of no wedge's tone" if is_none else "out of line with the others"
    for patch in np.flatnonzero(~used):
        found[patch] = found[patch] or (spoilt if survey.spoilt[patch] else "not calibrated")
    return found


def figures_of(
    fitted: Fitted, factor: Array, patches: PatchTable, strips: Sequence[StripTone], common: Array
) -> Mapping[str, float]:
    """Plain numbers for the report, in density unless named otherwise; `factor` are the factors of the sigmas."""
    known, surveyed, curves, solution = fitted.known, fitted.surveyed, fitted.curves, fitted.fit.solution
    layout = curves.layout
    residual = patches.residual_density[patches.used]
    residual = residual[np.isfinite(residual)]
    alive = [survey.index for survey in surveyed.surveys if survey.curve is not None and not survey.is_lost]
    own = np.stack([strips[index].column_density for index in alive]) - common
    middle = (float(np.nanmin(known.patch_density)) + float(np.nanmax(known.patch_density))) / 2
    noise = [_noise_at(strips[index], middle) for index in alive]
    sigma = np.concatenate([strips[index].column_sigma for index in alive])
    return {
        "strips_calibrated": float(len(alive)),
        "strips_that_borrowed": float(sum(bool(surveyed.surveys[index].reason) for index in alive)),
        "patches_used": float(patches.used.sum()),
        "patches_left_out": float((~patches.used).sum()),
        "wedge_value_sigma": float(np.median(known.patch_sigma)),
        "patch_residual_rms": float(np.sqrt(np.mean(residual**2))),
        "noise_of_a_sample_at_middle_density": float(np.median(noise)),
        "banding_rms": float(np.std(common)),
        "own_banding_rms": float(np.sqrt(np.mean(own**2))),
        "column_sigma_median": float(np.median(sigma)),
        "drift_rms": float(np.sqrt(np.mean([np.mean(strips[index].line_density ** 2) for index in alive]))),
        "fog_density": known.fog_guess + float(solution.common[layout.fog]),
        "fog_density_sigma": float(np.sqrt(solution.common_covariance[layout.fog, layout.fog])),
        "stroke_density_shift": float(solution.common[layout.stroke]),
        "grain_of_selwyn": float(np.median([curves.noise[index].grain for index in alive])),
        "noise_alike_along": surveyed.noise_correlation.along[0],
        "noise_alike_across": surveyed.noise_correlation.across[0],
        "noise_shared_by_strips": surveyed.noise_correlation.shared,
        "scatter_over_model_patches": float(np.median(factor[alive, PATCH_KIND])),
        "scatter_over_model_fog": float(np.median(factor[alive, FOG_KIND])),
        "scatter_over_model_strokes": float(np.median(factor[alive, STROKE_KIND])),
        "scatter_over_model_overlaps": float(np.median(factor[alive, OVERLAP_KIND])),
    }


def _noise_at(tone: StripTone, density: float) -> float:
    nearest = int(np.argmin(np.abs(tone.density_of_dn - density)))
    return float(tone.noise_density[nearest])
