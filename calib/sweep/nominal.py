"""Converts between the sweep fit, which works in departures from nominal places in px, and sweeps as tables in mm."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.frame.frame import Frame, ReseauMarks
from calib.ordered import shared_out
from calib.sweep.adjust import Adjustment, student_weights
from calib.sweep.covariance import place_variance
from calib.sweep.evidence import ARM, TIE, Observations
from calib.sweep.layout import GROUPS, StripShape
from calib.sweep.model import StripSweep, nominal_sweep, to_film
from calib.sweep.normals import place_values
from calib.sweep.rows import spline_values

MOST_STRETCH = 2.0  # greatest ratio of the mean spacing of lines or samples to the stated one, or its inverse
SIGMA_EVERY = 16  # the uncertainty is computed on one line of so many and interpolated between
NEARLY_STILL = 0.4  # of the stated step from sample to sample: no real sweep has a smaller one
LEAST_DETERMINANT = 1e-9  # of an information matrix over the product of its diagonal: below, it counts as singular


@dataclass(frozen=True, slots=True, eq=False)
class Nominal:
    """A frame, its strips' nominal sweeps, and the size of one px on the film in (x, y), mm."""

    frame: Frame
    sweeps: tuple[StripSweep, ...]
    px_mm: Array

    @property
    def tolerance_px(self) -> Array:
        """The scan's tolerance, the distance of a mark from its nominal place, in px of (x, y)."""
        return self.frame.scan.tolerance_mm / self.px_mm

    def departure_px(self, strip: int, points: ScanPoints, film: FilmPoints) -> Array:
        """Film places minus the nominal places of scan points, (N, 2), (x, y) in px; (M, N, 2), each with each, if the
        film places have shape (M, 1)."""
        return departure_mm(self.sweeps[strip], points, film) / self.px_mm

    def line_sign(self, strip: int) -> float:
        """+1 where film y rises with the line, -1 in a strip scanned the other way."""
        y_mm = self.sweeps[strip].y_line_mm
        return 1.0 if y_mm[-1] > y_mm[0] else -1.0


def departure_mm(sweep: StripSweep, points: ScanPoints, film: FilmPoints) -> Array:
    """Film places minus those that a sweep gives to scan points, (x, y) mm; shapes as in `Nominal.departure_px`."""
    at = to_film(sweep, points)
    return np.stack([film.x_mm - at.x_mm, film.y_mm - at.y_mm], axis=-1)


def make_nominal(frame: Frame) -> Nominal:
    """The nominal sweeps of a frame. Strips of the same length and direction share their tables of lines."""
    by_shape: dict[tuple[int, bool], StripSweep] = {}
    sweeps = []
    for strip in frame.strips:
        sweep = nominal_sweep(frame.scan, strip)
        first = by_shape.setdefault((strip.n_lines, strip.is_reversed), sweep)
        lines = {name: getattr(first, name) for name in ("x_line_mm", "y_line_mm", "sigma_x_mm", "sigma_y_mm")}
        sweeps.append(replace(sweep, **lines))
    return Nominal(frame, tuple(sweeps), np.array([frame.scan.sample_mm, frame.scan.line_mm]))


def fitted_sweeps(nominal: Nominal, fit: Adjustment, threads: int = 1) -> tuple[StripSweep, ...]:
    """The sweeps of all strips after a fit, with the uncertainty of each line averaged over the samples.

    Raises:
        ValueError: a sweep is not monotonic, or its mean spacing is far from the stated one (a mark could then extend
            over any number of samples).
    """
    return tuple(shared_out(lambda k: _fitted(nominal, fit, k), range(len(nominal.sweeps)), threads))


def _fitted(nominal: Nominal, fit: Adjustment, strip: int) -> StripSweep:
    """One strip's sweep: the departures split into a part by sample and a part by line."""
    base = nominal.sweeps[strip]
    sample, line = (np.append(np.arange(n, dtype=float), (n - 1) / 2) for n in (base.n_samples, base.n_lines))
    middle = departure(fit, strip, np.full(sample.size, line[-1]), sample)
    along = _by_line(fit, strip, line)
    across, along = middle[:-1] - middle[-1], along[:-1] + (middle[-1] - along[-1])
    sigma = _sigma(fit, strip, base)
    sweep = StripSweep(
        x_sample_mm=base.x_sample_mm + across[:, 0] * nominal.px_mm[0],
        x_line_mm=along[:, 0] * nominal.px_mm[0],
        y_line_mm=base.y_line_mm + along[:, 1] * nominal.px_mm[1],
        y_sample_mm=across[:, 1] * nominal.px_mm[1],
        sigma_x_mm=sigma[:, 0] * nominal.px_mm[0],
        sigma_y_mm=sigma[:, 1] * nominal.px_mm[1],
    )
    _check_spacing(sweep, base, strip)
    return sweep


def _check_spacing(sweep: StripSweep, base: StripSweep, strip: int) -> None:
    """ValueError if the mean spacing of lines or samples differs from the stated one by more than MOST_STRETCH."""
    pairs = {"samples": (sweep.x_sample_mm, base.x_sample_mm), "lines": (sweep.y_line_mm, base.y_line_mm)}
    for what, (found, stated) in pairs.items():
        times = float((found[-1] - found[0]) / (stated[-1] - stated[0]))
        if not 1 / MOST_STRETCH <= times <= MOST_STRETCH:
            raise ValueError(f"{what} of strip {strip} lie {times:.3g} times as far apart as the scan says")


def _by_line(fit: Adjustment, strip: int, line: Array) -> Array:
    """The part of the fitted departure (N, 2) that depends on the line, px."""
    t_l, cell, weight = fit.layout.along(strip, line)
    few, splines = fit.layout.coefficients(strip, fit.solution.unknowns[strip], fit.solution.shared)
    return np.asarray(t_l[:, None] * few[1] + spline_values(cell, weight, splines))


def departure(fit: Adjustment, strip: int, line: Array, sample: Array) -> Array:
    """Fitted departure (N, 2) from the nominal place, px."""
    return place_values(fit.layout, fit.solution, strip, fit.layout.rows(strip, line, sample))


def sample_steps(nominal: Nominal, fit: Adjustment) -> list[Array]:
    """Each strip's sample spacing relative to the stated one, (n_samples - 1,), on its middle line."""
    steps = []
    for k, base in enumerate(nominal.sweeps):
        sample = np.arange(float(base.n_samples))
        moved = departure(fit, k, np.full(sample.size, (base.n_lines - 1) / 2), sample)[:, 0]
        steps.append(np.diff(base.x_sample_mm / nominal.px_mm[0] + moved))
    return steps


def departure_variance(fit: Adjustment, strip: int, line: Array, sample: Array) -> Array:
    """Variance (N, 2) of the fitted departure, px^2."""
    return place_variance(fit.layout, fit.solution, strip, fit.layout.rows(strip, line, sample), _wander_variances(fit))


def prediction_weights(fit: Adjustment, evidence: Observations, threads: int = 1) -> Array:
    """Robust weights (N,) of evidence that an earlier fit has not used, by its residuals.

    The residual is divided by the variance of both the evidence and the fit, so evidence is an outlier only where the
    fit predicts it well, not where the fit was far from other evidence. Arms, which show the spacing of samples, get
    their full weight.
    """
    residual, variance = evidence.value.copy(), np.zeros_like(evidence.value)
    count = len(fit.layout.strips)
    is_tie = np.flatnonzero(evidence.kind == TIE)
    here = [np.flatnonzero(evidence.a == k) for k in range(count)]
    there = [is_tie[evidence.a[is_tie] == k - 1] for k in range(count)]

    def predicted(k: int) -> tuple[Array, Array]:
        line = np.concatenate([evidence.line_a[here[k]], evidence.line_b[there[k]]])
        sample = np.concatenate([evidence.sample_a[here[k]], evidence.sample_b[there[k]]])
        return departure(fit, k, line, sample), departure_variance(fit, k, line, sample)

    some = [k for k in range(count) if here[k].size + there[k].size]
    for k, (moved, moved_variance) in zip(some, shared_out(predicted, some, threads), strict=True):
        both, n = np.concatenate([here[k], there[k]]), here[k].size
        residual[both] += np.repeat([[-1.0], [1.0]], [n, both.size - n], axis=0) * moved
        variance[both] += moved_variance
    seen = np.diagonal(evidence.information, axis1=1, axis2=2) > 0
    own = _inverted(evidence.information)
    total = own + variance[:, :, None] * np.eye(2)
    white = np.linalg.solve(total + ~seen[:, :, None] * np.eye(2), (residual * seen)[:, :, None])[:, :, 0]
    squared = np.where(evidence.kind == ARM, 0.0, np.sum(white * residual * seen, axis=1))
    return student_weights(squared, evidence.information)


def _inverted(information: Array) -> Array:
    """Covariances (N, 2, 2): the inverse of the information on the axes that have some, 0 on others."""
    p, q, r = information[:, 0, 0], information[:, 0, 1], information[:, 1, 1]
    det = p * r - q**2
    whole = det > LEAST_DETERMINANT * p * r
    cov = np.empty_like(information)
    adjoint = np.stack([r, -q, -q, p], axis=1).reshape(-1, 2, 2)
    cov[whole] = adjoint[whole] / det[whole, None, None]
    cov[~whole] = np.linalg.pinv(information[~whole], hermitian=True)
    return cov


def line_variance(fit: Adjustment, strip: int, line: Array, sample: Array) -> Array:
    """Variance (N, 2) of the fitted departure on lines (N,), averaged over the given samples, px^2.

    The variance is quadratic in terms of the line and terms of the sample. Its mean over the samples is therefore the
    variance at the mean of the samples' terms plus a part by the covariance of these terms.
    """
    across = fit.layout.rows(strip, np.zeros(sample.size), sample).few
    rows = fit.layout.rows(strip, line, np.zeros(line.size))
    rows.few[:, 2:] = across[:, 2:].mean(axis=0)  # all but 1 and that of the line
    scatter = np.cov(across.T, bias=True)
    return place_variance(fit.layout, fit.solution, strip, rows, _wander_variances(fit), scatter)


def _sigma(fit: Adjustment, strip: int, base: StripSweep) -> Array:
    """1-sigma (n_lines, 2) in px by line, root mean square over five samples."""
    some = np.unique(np.append(np.arange(0, base.n_lines, SIGMA_EVERY), base.n_lines - 1)).astype(float)
    variance = line_variance(fit, strip, some, np.linspace(0, base.n_samples - 1, 5))
    sigma = np.sqrt(np.maximum(variance, 0.0))
    line = np.arange(base.n_lines)
    return np.column_stack([np.interp(line, some, sigma[:, i]) for i in range(2)])


def _wander_variances(fit: Adjustment) -> Array:
    """The prior variances (2,) of the wander's modes in x and y that a fit used."""
    return fit.prior[[GROUPS.index("Wx"), GROUPS.index("Wy")]]


def marks_in_reach(sweep: StripSweep, marks: ReseauMarks, reach_mm: float) -> NDArray[np.int64]:
    """Indices of the marks inside the bounding box of a strip on the film, widened by `reach_mm`."""
    corner = to_film(
        sweep,
        ScanPoints(
            line=np.array([0.0, 0.0, sweep.n_lines - 1.0, sweep.n_lines - 1.0]),
            sample=np.array([0.0, sweep.n_samples - 1.0, 0.0, sweep.n_samples - 1.0]),
        ),
    )
    inside_x = (marks.x_mm >= corner.x_mm.min() - reach_mm) & (marks.x_mm <= corner.x_mm.max() + reach_mm)
    inside_y = (marks.y_mm >= corner.y_mm.min() - reach_mm) & (marks.y_mm <= corner.y_mm.max() + reach_mm)
    return np.flatnonzero(inside_x & inside_y)


def strip_shapes(frame: Frame) -> tuple[StripShape, ...]:
    """The strips' shapes, for `layout.make_layout`."""
    return tuple(StripShape(s.n_lines, s.n_samples, s.is_reversed) for s in frame.strips)
