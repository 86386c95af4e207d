"""`calib tie`: from a frame and a modern map to a control file that `[control]` of the frame reads."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from calib.camera.exterior import turn_between
from calib.camera.resection import Resection, resect
from calib.coordinates import Array, FilmPoints
from calib.errors import CalibError, InputError, NotPossible
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.ground.grid import sample_distance_m
from calib.ground.match_windows import by_wavelength, waves_apart_px
from calib.ground.region import Region, region_outlined
from calib.ground.sphere import ground_to_moon
from calib.ground.view import View, film_to_ground
from calib.products.atomic import remove_leftovers
from calib.run.fitting.fit import FrameFits, fit_frame
from calib.run.preflight import given_view
from calib.run.progress import Progress, silent
from calib.run.tie.files import control_lines, far_away, write_control, write_page
from calib.run.tie.modern_map import ModernMap, covered, open_modern
from calib.run.tie.pictures import Lattice, box_around, ground_at, lattice_about, pixel_mm, view_with
from calib.run.tie.result import FinalFit, TieResult
from calib.run.tie.search import Found, control_of, find_ties, hunt_for
from calib.run.tie.whole import search_range_m
from calib.run.tie.windows import AROUND, PER_SIDE, chosen, names_of

COMPARED = 15  # places along each side of the format at which the stated and the refined pointing are compared
# Under another Sun the features that both pictures show appear shifted, long waves most, and all ties alike. The
# 1-sigma of that shift in a coordinate, as a share of the shift between long and short waves: by trial on 13 maps of 4
# frames (halves that were moved independently would give 0.35).
SHARED_OF_APART = 0.5
PROBES = 24  # places along each side of the search range at which the map's coverage is checked


def tie_frame(
    path: Path, map_path: Path, out: Path, *, search_km: float | None, overwrite: bool, progress: Progress = silent
) -> TieResult:
    """Find tie points of the frame package at `path` in a modern map; write them to `out` and a page beside it.

    `search_km` is how far from where its pointing puts it the frame is looked for; if None, four stated sigmas, or 2 km
    where none are stated.

    Raises:
        InputError: a mistake in the package or the map, or `out` is there already and `overwrite` is not set.
        CalibError: the frame cannot be found in the map for sure; nothing is written then.
    """
    frame, modern = read_frame(path), open_modern(map_path)
    _check_out(out, overwrite=overwrite)
    view = given_view(frame)
    region = region_outlined(view, PER_SIDE, AROUND)
    if region is None:
        raise InputError(frame.path, "pointing", "a frame that misses the Moon", "a frame that shows the Moon")
    reach_m, sample_m = search_range_m(view, search_km), sample_distance_m(view, frame.scan, region.center)
    lattice = _common_lattice(region, modern, sample_m, reach_m)
    fits = fit_frame(frame, progress=progress)
    with threadpool_limits(1, user_api="blas"):
        found = find_ties(hunt_for(fits, modern, lattice, region, reach_m), progress)
        if isinstance(found, NotPossible):
            raise _refusal(frame, modern, found)
        final = _final_fit(fits, found)
    if isinstance(final, NotPossible):
        raise _refusal(frame, modern, final)
    result = _result(fits, found, final, out, sample_m=sample_m, reach_m=reach_m)
    remove_leftovers(out.parent)
    write_control(final.ties, out)
    write_page(result, fits, modern)
    return result


def _refusal(frame: Frame, modern: ModernMap, why: NotPossible) -> CalibError:
    return CalibError(f"{frame.path}: no tie points in {modern.path.name}: {why.reason}; nothing was written")


def _check_out(out: Path, *, overwrite: bool) -> None:
    if out.is_dir() or not out.parent.is_dir():
        found = "a folder" if out.is_dir() else "a file in a folder that is not there"
        raise InputError(out, "--out", found, "a file in a folder that is there")
    if out.exists() and not overwrite:
        raise InputError(out, "--out", "a file that is there already", "a new one, or --overwrite")


def _common_lattice(region: Region, modern: ModernMap, sample_m: float, reach_m: float) -> Lattice:
    """The lattice of frame and map; InputError where the map covers nothing of the search range."""
    expected = "a map that shows the frame's ground, or a larger --search-km"
    beside = f"a map with none of the ground within {reach_m / 1000:.3g} km of the frame's"
    try:
        lattice = lattice_about(region, modern, sample_m)
    except ValueError as error:
        raise InputError(modern.path, "--map", beside, expected) from error
    box = box_around(lattice, 0, region, reach_m)
    row, column = np.meshgrid(
        np.linspace(box.first_row, box.first_row + box.rows - 1, PROBES),
        np.linspace(box.first_column, box.first_column + box.columns - 1, PROBES),
    )
    if not covered(modern, ground_at(lattice, 0, row, column)).any():
        raise InputError(modern.path, "--map", beside, expected)
    return lattice


def _final_fit(fits: FrameFits, found: Found) -> FinalFit | NotPossible:
    """The final resection, and the ties with sigmas that tell their full uncertainty.

    Where the ties scatter more than matching alone explains (errors of the film's places, of the map, of lighting), all
    sigmas are scaled up by the scatter, so that a run gives the points their proper weight. The error shared by all
    ties is added to each point's sigma times the root of their number, so that it is the 1-sigma of their mean: a
    control file has no other place for it. Parts of the pose that depend on differences between points then look less
    certain than they are.
    """
    ties, camera, given = found.ties, fits.frame.camera, fits.given_pose
    first = resect(camera, control_of(ties), given)
    if isinstance(first, NotPossible):
        return first
    ties = chosen(ties, first.used)
    scatter = float(np.sqrt(first.variance_factor))
    ties = replace(ties, sigma_mm=ties.sigma_mm * max(scatter, 1.0))
    scales = by_wavelength(found.matched.spectra, found.matched.coherence, found.matched.shifts)
    lattice, level = found.windows.lattice, found.windows.level
    shared_px = SHARED_OF_APART * float(np.hypot(*waves_apart_px(scales)))
    shared_mm = shared_px * pixel_mm(view_with(fits, first.pose), lattice, level)
    ties = replace(ties, sigma_mm=np.hypot(ties.sigma_mm, shared_mm * np.sqrt(len(ties.ids))))
    last = resect(camera, control_of(ties), given)
    return last if isinstance(last, NotPossible) else FinalFit(ties, last, scatter, scales, shared_mm)


def _result(fits: FrameFits, found: Found, final: FinalFit, out: Path, *, sample_m: float, reach_m: float) -> TieResult:
    given, refined = fits.given_pose, final.resection.pose
    names = names_of(found.windows)
    matched = {name for name, good in zip(names, found.matched.shifts.good, strict=True) if good}
    return TieResult(
        out=out,
        page=out.with_suffix(".html"),
        found=found,
        final=final,
        sample_m=sample_m,
        sample_mm=fits.frame.scan.sample_mm,
        reach_m=reach_m,
        ground_m=_apart_m(view_with(fits, given), view_with(fits, refined)),
        moved_km=float(np.linalg.norm(refined.position_km - given.position_km)),
        turned_deg=float(np.degrees(np.linalg.norm(turn_between(given.rotation, refined.rotation)))),
        left_out=tuple(name for name in names if name in matched and name not in final.ties.ids),
        unmatched=tuple(name for name in names if name not in matched),
        warnings=(*_warnings(fits.frame, found, final.resection), *far_away(fits.frame, out)),
        lines=control_lines(fits.frame, out),
    )


def _apart_m(stated: View, refined: View) -> Array:
    """Distances on the ground between where two pointings put film points spread over the format.

    Points that miss the Moon are left out.
    """
    width, height = stated.camera.format_mm
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, COMPARED) * width, np.linspace(-0.5, 0.5, COMPARED) * height)
    film = FilmPoints(x.ravel(), y.ravel())
    places = [ground_to_moon(film_to_ground(view, film)) for view in (stated, refined)]
    apart = 1000 * np.linalg.norm(places[1] - places[0], axis=-1)
    return np.asarray(apart[np.isfinite(apart)])


def _warnings(frame: Frame, found: Found, resection: Resection) -> tuple[str, ...]:
    said = list(frame.warnings)
    if found.no_finer:
        kept_m, there_m = (found.windows.lattice.pixel_m(level) for level in (found.windows.level, 0))
        said.append(
            f"matched in pixels of {kept_m:.3g} m, although frame and map both have {there_m:.3g} m or finer:"
            f" there, {found.no_finer}"
        )
    if frame.control is not None:
        said.append("the frame has control points already; they were not used here")
    if resection.rejected:
        said.append(f"a run will leave out {', '.join(resection.rejected)}")
    return tuple(said)
