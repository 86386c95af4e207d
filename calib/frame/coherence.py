"""Checks that the parts of a frame agree: the stated contents of the film, and the area that the strips cover."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.errors import InputError
from calib.frame.description import FrameDescription, Scan
from calib.frame.document import Document
from calib.frame.film import WedgePatch
from calib.frame.frame import ControlPoints, Frame, ReseauMarks, StripRaster

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Scanned:
    """The nominal area that the strips cover: outer edges in film mm; `across_mm` is from a strip's centre line."""

    x_mm: Interval
    y_mm: Interval
    across_mm: Interval


def scanned_film(scan: Scan, strips: tuple[StripRaster, ...]) -> Scanned:
    """The area that the strips cover if the scan went as described."""
    half_mm = strips[0].n_samples * scan.sample_mm / 2
    last_center_mm = scan.first_center_mm + (len(strips) - 1) * scan.pitch_mm
    first_edge_mm = scan.first_line_mm - scan.line_mm / 2
    n_lines = max(strip.n_lines for strip in strips)
    return Scanned(
        x_mm=(scan.first_center_mm - half_mm, last_center_mm + half_mm),
        y_mm=(first_edge_mm, first_edge_mm + n_lines * scan.line_mm),
        across_mm=(-half_mm, half_mm),
    )


def off_film(
    described: FrameDescription, marks: ReseauMarks, control: ControlPoints | None, scanned: Scanned, document: Document
) -> Iterator[InputError]:
    """Yield a mistake for a scan outside the format, or for marks, patches or points that all miss the scanned film.

    If some miss it, that is only odd; if all do, a unit or an origin is wrong. The scan may be off by its tolerance. If
    the scan is outside the format, only that is reported, because everything else then misses it as a consequence.
    """
    beside = list(_beside_format(described, scanned, document))
    if beside:
        yield from beside
        return
    slack = described.scan.tolerance_mm
    if not any(_is_scanned(patch, scanned, slack) for patch in described.film.wedge.patches):
        found = _range("y", [y for patch in described.film.wedge.patches for y in patch.y_mm])
        place = ("film", "wedge", "patches")
        yield document.mistake(place, f"patches at {found} alone", f"one or more within {_range('y', scanned.y_mm)}")
    within = f"{_range('x', scanned.x_mm)}, {_range('y', scanned.y_mm)}"
    if not _inside(marks.x_mm, marks.y_mm, scanned, slack).any():
        found = f"marks at {_range('x', marks.x_mm)}, {_range('y', marks.y_mm)} alone"
        yield document.mistake(("film", "reseau", "marks"), found, f"one or more on the film scanned, {within}")
    if control is not None and not _inside(control.x_mm, control.y_mm, scanned, slack).any():
        found = f"points at {_range('x', control.x_mm)}, {_range('y', control.y_mm)} alone"
        yield document.mistake(("control", "points"), found, f"one or more on the film scanned, {within}")


def _beside_format(described: FrameDescription, scanned: Scanned, document: Document) -> Iterator[InputError]:
    """Yield a mistake for each axis in which the scan does not meet the format."""
    begins = {"x": "first_center_mm", "y": "first_line_mm"}
    covered = {"x": scanned.x_mm, "y": scanned.y_mm}
    for (axis, key), size in zip(begins.items(), described.camera.format_mm, strict=True):
        format_mm = -size / 2, size / 2
        if not _meet(covered[axis], format_mm):
            found = f"{getattr(described.scan, key):g}, so that {_range(axis, covered[axis])} were scanned"
            yield document.mistake(("scan", key), found, f"a part of the format, {_range(axis, format_mm)}")


def oddities(frame: Frame) -> Iterator[str]:
    """Yield a line for each oddity of a frame's film, camera and scan that is not a mistake."""
    scan, camera, film = frame.scan, frame.camera, frame.film
    scanned, slack = scanned_film(scan, frame.strips), scan.tolerance_mm
    width_mm = scanned.across_mm[1] - scanned.across_mm[0]
    if len(frame.strips) > 1 and width_mm <= scan.pitch_mm:
        yield f"strips do not overlap: they are {width_mm:g} mm wide, {scan.pitch_mm:g} mm apart"
    for axis, (low, high), size in (("x", scanned.x_mm, camera.format_mm[0]), ("y", scanned.y_mm, camera.format_mm[1])):
        if low - slack > -size / 2 or high + slack < size / 2:
            yield f"the scan covers {axis} {low:.4g} to {high:.4g} mm, the format {-size / 2:g} to {size / 2:g} mm"
    if any(abs(at) > size / 2 for at, size in zip(camera.principal_point_mm, camera.format_mm, strict=True)):
        yield "the principal point is outside the format"
    if (camera.shutter_slit is None) != (frame.pointing.motion is None):
        given, missing = ("camera.shutter_slit", "pointing.motion")
        if camera.shutter_slit is None:
            given, missing = missing, given
        yield f"{given} is given without {missing}: the whole frame is taken to be seen at the mid time"
    missed = sum(not _is_scanned(patch, scanned, slack) for patch in film.wedge.patches)
    if missed:
        yield f"{missed} of {len(film.wedge.patches)} wedge patches are outside the film scanned"
    known = film.characteristic.log_exposure
    if film.wedge.quantity == "log_exposure":
        beyond = sum(not known[0] <= patch.value <= known[-1] for patch in film.wedge.patches)
        if beyond:
            yield f"{beyond} of {len(film.wedge.patches)} wedge patches are beyond the characteristic curve"
    for what, points in (("reseau marks", frame.marks), ("control points", frame.control)):
        off = 0 if points is None else int((~_inside(points.x_mm, points.y_mm, scanned, slack)).sum())
        if points is not None and off:
            yield f"{off} of {len(points.ids)} {what} are outside the film scanned"


def _is_scanned(patch: WedgePatch, scanned: Scanned, slack: float) -> bool:
    return _meet(patch.y_mm, scanned.y_mm, slack) and _meet(patch.across_mm, scanned.across_mm, slack)


def _meet(one: Interval, other: Interval, slack: float = 0.0) -> bool:
    return one[0] < other[1] + slack and other[0] < one[1] + slack


def _inside(x_mm: Array, y_mm: Array, scanned: Scanned, slack: float) -> np.ndarray:
    """Mask (n_points,) of the points on scanned film."""
    in_x = (x_mm >= scanned.x_mm[0] - slack) & (x_mm <= scanned.x_mm[1] + slack)
    return in_x & (y_mm >= scanned.y_mm[0] - slack) & (y_mm <= scanned.y_mm[1] + slack)


def _range(axis: str, values: Array | list[float] | Interval) -> str:
    return f"{axis} {min(values):.4g} to {max(values):.4g} mm"
