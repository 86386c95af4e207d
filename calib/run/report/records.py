"""Converts the fits of a frame to the tables of fits.nc and of the report."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.camera.exterior import Pose, quaternion_of
from calib.camera.shutter import is_moving
from calib.ground.view import View
from calib.products.fits import (
    Banding,
    Drift,
    FitsFile,
    MarkResiduals,
    ScanGeometry,
    TieResiduals,
    TransferCurves,
)
from calib.products.fits_pointing import ControlResiduals, Pointing
from calib.run.fitting.fit import FrameFits
from calib.run.report.ellipses import place_uncertainty
from calib.sweep.model import StripSweep
from calib.sweep.tables import OUTSIDE
from calib.tone.model import StripTone

MOST_LINES = 1024  # lines of a strip at which slowly varying fits are stored
MOST_DN = 1024  # DN at which a transfer curve is stored


def fits_file(fits: FrameFits, view: View, history: str) -> FitsFile:
    """Everything that was fitted, with its 1-sigma; `view` is the map's, with its terrain."""
    n_lines = np.array([strip.n_lines for strip in fits.frame.strips])
    step = -(-int(n_lines.max()) // MOST_LINES)
    line = np.arange(0, int(n_lines.max()), step)
    return FitsFile(
        frame=fits.frame.name,
        history=history,
        n_lines=n_lines,
        line=line,
        pointing=_pointing(fits),
        transfer=_transfer(fits),
        banding=_banding(fits),
        drift=Drift(
            density=_known(fits, _along(fits.tone.strips, line, lambda tone: tone.line_density)),
            sigma=_known(fits, _along(fits.tone.strips, line, lambda tone: tone.line_sigma)),
        ),
        geometry=_geometry(fits, line),
        marks=_marks(fits),
        ties=_ties(fits),
        control=_control(fits),
        uncertainty=place_uncertainty(fits, view),
    )


def _along(
    strips: tuple[StripTone, ...] | tuple[StripSweep, ...],
    line: NDArray[np.int64],
    table: Callable[..., NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Each strip's `table` over its lines, (K, lines), at the stored lines; NaN beyond the strip's end."""
    out = np.full((len(strips), line.size), np.nan)
    for row, strip in zip(out, strips, strict=True):
        values = table(strip)
        inside = line < values.size
        row[inside] = values[line[inside]]
    return out


def _known(fits: FrameFits, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values (K, ...) of the strips, NaN for those without usable samples."""
    return np.where(fits.usable()[:, np.newaxis], values, np.nan)


def _transfer(fits: FrameFits) -> TransferCurves:
    tones, patches = fits.tone.strips, fits.tone.patches
    size = tones[0].density_of_dn.size
    dn = np.unique(np.linspace(0, size - 1, min(size, MOST_DN)).round().astype(np.int64))
    first = np.array([tone.dn_span[0] for tone in tones])
    last = np.array([tone.dn_span[1] for tone in tones])
    beyond = (dn[np.newaxis] < first[:, np.newaxis]) | (dn[np.newaxis] > last[:, np.newaxis])

    def kept(name: str) -> NDArray[np.float64]:
        values = np.stack([getattr(tone, name)[dn] for tone in tones]).astype(float)
        return _known(fits, np.where(beyond, np.nan, values))

    return TransferCurves(
        dn=dn,
        density=kept("density_of_dn"),
        sigma=kept("curve_sigma"),
        noise=kept("noise_density"),
        first_dn=first,
        last_dn=last,
        patch_strip=patches.strip,
        patch_value=patches.density,
        patch_dn=patches.dn,
        patch_sigma=patches.sigma_density,
        patch_residual=patches.residual_density,
        patch_used=patches.used,
    )


def _banding(fits: FrameFits) -> Banding:
    common = fits.tone.common_column_density
    return Banding(
        common=common,
        common_sigma=fits.tone.common_column_sigma,
        own=_known(fits, np.stack([tone.column_density - common for tone in fits.tone.strips])),
        own_sigma=_known(fits, np.stack([tone.column_sigma for tone in fits.tone.strips])),
    )


def _geometry(fits: FrameFits, line: NDArray[np.int64]) -> ScanGeometry:
    sweeps = fits.sweep.sweeps
    return ScanGeometry(
        x_sample_mm=np.stack([sweep.x_sample_mm for sweep in sweeps]),
        y_sample_mm=np.stack([sweep.y_sample_mm for sweep in sweeps]),
        x_line_mm=_along(sweeps, line, lambda sweep: sweep.x_line_mm),
        y_line_mm=_along(sweeps, line, lambda sweep: sweep.y_line_mm),
        sigma_x_mm=_along(sweeps, line, lambda sweep: sweep.sigma_x_mm),
        sigma_y_mm=_along(sweeps, line, lambda sweep: sweep.sigma_y_mm),
        common_mm=fits.sweep.common_sweep_mm,
        common_sigma_mm=fits.sweep.common_sigma_mm,
        blur_mm=fits.sweep.soft_mm,
    )


def _marks(fits: FrameFits) -> MarkResiduals:
    marks, stated = fits.sweep.marks, fits.frame.marks
    beyond = np.array([reason == OUTSIDE for reason in marks.reason], bool)  # off the strip: not measured

    def measured(residual_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(beyond, np.nan, residual_mm)

    return MarkResiduals(
        strip=marks.strip,
        mark=[stated.ids[index] for index in marks.mark],
        x_mm=stated.x_mm[marks.mark],
        y_mm=stated.y_mm[marks.mark],
        line=marks.line,
        sample=marks.sample,
        sigma_line=np.sqrt(marks.var_line),
        sigma_sample=np.sqrt(marks.var_sample),
        before_x_mm=measured(marks.first_residual_x_mm),
        before_y_mm=measured(marks.first_residual_y_mm),
        residual_x_mm=measured(marks.residual_x_mm),
        residual_y_mm=measured(marks.residual_y_mm),
        used=marks.used,
        reason=list(marks.reason),
    )


def _ties(fits: FrameFits) -> TieResiduals | None:
    ties = fits.sweep.ties
    if not ties.strip.size:
        return None
    return TieResiduals(
        strip=ties.strip,
        x_mm=ties.x_mm,
        y_mm=ties.y_mm,
        residual_x_mm=ties.residual_x_mm,
        residual_y_mm=ties.residual_y_mm,
        sigma_x_mm=ties.sigma_x_mm,
        sigma_y_mm=ties.sigma_y_mm,
        used=ties.used,
    )


def _pointing(fits: FrameFits) -> Pointing:
    position, attitude, correlation = pointing_sigmas(fits)
    turning = quaternion_of(fits.pose.rotation)
    if not is_moving(fits.frame.camera, fits.pose) or fits.pose.motion is None:
        return Pointing(fits.pose.position_km, turning, position, attitude, correlation)
    velocity, turn_deg_s = fits.pose.motion.velocity_km_s, np.degrees(fits.pose.motion.turn_rad_s)
    return Pointing(fits.pose.position_km, turning, position, attitude, correlation, velocity, turn_deg_s)


def pointing_sigmas(
    fits: FrameFits,
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None, NDArray[np.float64] | None]:
    """1-sigma of position (3,) in km and of attitude (3,) in degrees, and their correlation (6, 6); None if unknown."""
    if fits.resection is not None:
        sigma = np.sqrt(np.diag(fits.resection.covariance))
        correlation = fits.resection.covariance / np.outer(sigma, sigma)
        return sigma[:3], np.degrees(sigma[3:]), correlation
    pose: Pose = fits.pose
    position = None if pose.sigma_position_km is None else np.full(3, pose.sigma_position_km)
    attitude = None if pose.sigma_attitude_deg is None else np.full(3, pose.sigma_attitude_deg)
    return position, attitude, None


def _control(fits: FrameFits) -> ControlResiduals | None:
    control, resection = fits.frame.control, fits.resection
    if control is None or resection is None:
        return None
    return ControlResiduals(
        point=list(control.ids),
        x_mm=control.x_mm,
        y_mm=control.y_mm,
        before_x_mm=resection.before_x_mm,
        before_y_mm=resection.before_y_mm,
        residual_x_mm=resection.residual_x_mm,
        residual_y_mm=resection.residual_y_mm,
        sigma_mm=control.sigma_mm,
        used=resection.used,
    )
