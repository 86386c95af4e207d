"""The files that `calib tie` writes: the control file, and a page that shows how well its points fit."""

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.camera.exterior import Pose
from calib.frame.files import allowed_root, is_within
from calib.frame.frame import Frame
from calib.ground.region import region_outlined
from calib.products.atomic import write_text
from calib.products.fits_pointing import ControlResiduals
from calib.products.tie_page import Layer, TiePage, TiePoint, page
from calib.run.fitting.fit import FrameFits
from calib.run.tie.modern_map import ModernMap
from calib.run.tie.pictures import (
    Box,
    Lattice,
    box_around,
    frame_maker,
    frame_picture,
    modern_picture,
    pixel_of,
    view_with,
)
from calib.run.tie.result import TieResult
from calib.run.tie.windows import AROUND, PER_SIDE, Ties
from calib.run.tie.words import facts_of

COLUMNS = "id,lon_deg,lat_deg,height_m,x_mm,y_mm,sigma_mm"
LONGEST_PX = 1300  # of the pictures on the page
EDGE_PX = 16  # of the pictures around what is shown


def write_control(ties: Ties, out: Path) -> None:
    """Write the control file, whole or not at all, rounded to 0.3 mm on the ground and 1 nm on the film."""
    g, f = ties.ground, ties.film
    columns = (g.lon_deg, g.lat_deg, 1000 * g.height_km, f.x_mm, f.y_mm, ties.sigma_mm)
    rows = [
        f"{name},{lon:.8f},{lat:.8f},{height:.3f},{x:.6f},{y:.6f},{sigma:.6f}"
        for name, lon, lat, height, x, y, sigma in zip(ties.ids, *columns, strict=True)
    ]
    write_text(out, "\n".join([COLUMNS, *rows]) + "\n")


def control_lines(frame: Frame, out: Path) -> tuple[str, ...]:
    """The lines for frame.toml that make a run use the control file, its path relative to the description."""
    folder = frame.path.resolve().parent
    relative = out.name if far_away(frame, out) else Path(os.path.relpath(out.resolve(), folder)).as_posix()
    return ("[control]", f'points = "{relative}"')


def far_away(frame: Frame, out: Path) -> tuple[str, ...]:
    """A warning where the control file lies outside the folders from which a description may read files."""
    if is_within(allowed_root(frame.path), out):
        return ()
    return (f"a frame reads no file from so far away: copy {out.name} into {frame.path.parent}",)


def write_page(result: TieResult, fits: FrameFits, modern: ModernMap) -> None:
    """Write the page beside the control file."""
    lattice, level = result.found.windows.lattice, 0
    box = _both(fits, result, lattice, level)
    while max(box.rows, box.columns) > LONGEST_PX:
        level += 1
        box = _both(fits, result, lattice, level)
    data = TiePage(
        frame=fits.frame.name,
        map_name=modern.path.name,
        facts=facts_of(result),
        warnings=result.warnings,
        lines=result.lines,
        modern=Layer("modern map", modern_picture(modern, lattice, level, box)),
        refined=Layer("frame, pointing as refined", _shown(fits, result.final.resection.pose, lattice, level, box)),
        stated=Layer("frame, pointing as stated", _shown(fits, fits.given_pose, lattice, level, box)),
        pixel_m=lattice.pixel_m(level),
        residuals=_residuals(result),
        points=_points(result),
        points_px=_points_px(result, lattice, level, box),
        left_out=result.left_out,
        unmatched=result.unmatched,
    )
    write_text(result.page, page(data))


def _both(fits: FrameFits, result: TieResult, lattice: Lattice, level: int) -> Box:
    """The pixels that hold the frame with the stated and with the refined pointing, and a margin."""
    poses = (fits.given_pose, result.final.resection.pose)
    regions = [region_outlined(view_with(fits, pose), PER_SIDE, AROUND) for pose in poses]
    boxes = [box_around(lattice, level, region, EDGE_PX * lattice.pixel_m(level)) for region in regions if region]
    top, left = min(b.first_row for b in boxes), min(b.first_column for b in boxes)
    bottom, right = max(b.first_row + b.rows for b in boxes), max(b.first_column + b.columns for b in boxes)
    return Box(top, left, bottom - top, right - left)


def _shown(fits: FrameFits, pose: Pose, lattice: Lattice, level: int, box: Box) -> NDArray[np.float32]:
    return frame_picture(frame_maker(fits, pose, lattice, level, box), box, box)


def _residuals(result: TieResult) -> ControlResiduals:
    ties, r = result.final.ties, result.final.resection
    return ControlResiduals(
        point=ties.ids,
        x_mm=ties.film.x_mm,
        y_mm=ties.film.y_mm,
        before_x_mm=r.before_x_mm,
        before_y_mm=r.before_y_mm,
        residual_x_mm=r.residual_x_mm,
        residual_y_mm=r.residual_y_mm,
        sigma_mm=ties.sigma_mm,
        used=r.used,
    )


def _points(result: TieResult) -> tuple[TiePoint, ...]:
    ties, r = result.final.ties, result.final.resection
    g, f = ties.ground, ties.film
    before, after = np.hypot(r.before_x_mm, r.before_y_mm), np.hypot(r.residual_x_mm, r.residual_y_mm)
    columns = (g.lon_deg, g.lat_deg, 1000 * g.height_km, f.x_mm, f.y_mm, ties.sigma_mm, before, after)
    return tuple(TiePoint(name, *map(float, values)) for name, *values in zip(ties.ids, *columns, strict=True))


def _points_px(result: TieResult, lattice: Lattice, level: int, box: Box) -> NDArray[np.float64]:
    """Columns and rows (P, 2) of the points on the page's pictures, counted from their corner."""
    row, column = pixel_of(lattice, level, result.final.ties.ground)
    return np.stack([column - box.first_column + 0.5, row - box.first_row + 0.5], axis=1)
