"""The job for one frame: from strips on disk to products on disk."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path

from calib.camera.exterior import quaternion_of
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.light.functions import photometric_function
from calib.ordered import beside, give_back
from calib.products.fits import write_fits
from calib.products.provenance import Provenance, RefinedPointing, Timings, digests, write_run
from calib.products.report_data import ReportFigure
from calib.products.stac import write_item
from calib.run.fitting.fit import FrameFits, fit_frame
from calib.run.out_folder import LAST_WRITTEN, claimed
from calib.run.preflight import given_grid, ground_warnings
from calib.run.progress import Progress, Stopwatch, silent
from calib.run.rasters.angles import ANGLE_ASSETS, clear_angles, write_angles
from calib.run.rasters.film import write_film
from calib.run.rasters.map import MapMaker, MapPictures, map_maker, map_warnings, write_map
from calib.run.report import contents
from calib.run.report.checks import Checks, checks_of, reporting
from calib.run.report.records import fits_file, pointing_sigmas
from calib.run.report.seams import SeamCheck, seam_warnings
from calib.run.settings import Settings

LISTED = ("film/density.tif", "film/quality.tif", *(asset.href for asset in contents.ASSETS))  # products of every run
REPORT = "report.html"
ITEM = "item.json"
PRODUCTS = (*LISTED, ITEM)
STANDARD = Settings()


@dataclass(frozen=True, slots=True, eq=False)
class RunResult:
    """Results of a finished run: fits, map, seams, figures and warnings; the products lie in `out`."""

    out: Path
    fits: FrameFits
    maker: MapMaker
    seams: SeamCheck
    figures: tuple[ReportFigure, ...]
    warnings: tuple[str, ...]


def run_frame(
    path: Path,
    out: Path,
    settings: Settings = STANDARD,
    *,
    threads: int,
    overwrite: bool,
    progress: Progress = silent,
) -> RunResult:
    """Calibrate the frame package at `path` and write all products into `out`.

    The description is checked completely before anything is written. The same input gives the same bytes, whatever
    `threads` is; only the times in run.json differ.

    Raises:
        InputError: a mistake in the package; `out` holds a finished run and `overwrite` is not set; another run writes
            there; or a file of the package lies where products go.
    """
    watch = Stopwatch()
    frame = read_frame(path)
    given_grid(frame)
    with claimed(out, frame.inputs, overwrite=overwrite):
        watch.lap("reading the description")
        return _calibrated(frame, out, settings, threads, progress, watch)


def _calibrated(
    frame: Frame, out: Path, settings: Settings, threads: int, progress: Progress, watch: Stopwatch
) -> RunResult:
    """Make all fits and products of a frame in a folder that no other run uses; run.json is written last of all."""
    beside(reporting, threads)  # loads the plotting library while the fits leave a core idle
    fits = fit_frame(frame, threads=threads, progress=progress, watch=watch)
    (out / LAST_WRITTEN).unlink(missing_ok=True)
    clear_angles(out / "map")
    maker = map_maker(fits, settings.standard, settings.kernel, threads)
    record = fits_file(fits, maker.where.view, f"calib {version('calib')}: calib run")
    checked = beside(lambda: checks_of(maker, record, threads), threads)
    film = write_film(fits, out / "film", threads, progress, kernel=settings.kernel, exact=settings.exact)
    give_back()
    watch.lap("film")
    pictures = write_map(maker, out / "map", threads, progress, exact=settings.exact)
    if settings.angles:
        write_angles(maker, out / "map", threads, progress)
    watch.lap("map")
    progress("checking and reporting", 0.0)
    write_fits(out / "fits.nc", record)
    made = (*LISTED, *(asset.href for asset in ANGLE_ASSETS)) if settings.angles else LISTED
    summed = beside(lambda: digests([out / name for name in made if name != REPORT], out, threads), threads)
    checks = checked()
    watch.lap("checks")
    warnings = _warnings(maker, checks, pictures)
    provenance = _provenance(fits, settings, warnings, _timings(watch), checks)
    reporting().write(out / REPORT, maker, record, reporting().Found(film, pictures, checks, provenance))
    _write_item_and_run(out, maker, provenance, summed(), watch)
    progress("checking and reporting", 1.0)
    return RunResult(out, fits, maker, checks.seams, checks.figures, warnings)


def _write_item_and_run(
    out: Path, maker: MapMaker, provenance: Provenance, summed: Mapping[str, str], watch: Stopwatch
) -> None:
    """Write the item of the catalogue and, last of all, run.json with the digests of all products."""
    products = {**summed, **digests([out / REPORT], out)}
    write_item(out / ITEM, contents.map_item(maker, out, version("calib")), products)
    products |= digests([out / ITEM], out)
    watch.lap("report")
    write_run(out / LAST_WRITTEN, replace(provenance, timings=_timings(watch), products=dict(sorted(products.items()))))


def _timings(watch: Stopwatch) -> Timings:
    return Timings(watch.started, dict(watch.seconds))


def _warnings(maker: MapMaker, checks: Checks, pictures: MapPictures) -> tuple[str, ...]:
    ground = ground_warnings(maker.where.view, maker.fits.sun, maker.grid.pixel_m)
    return (*maker.fits.warnings, *ground, *seam_warnings(checks.seams), *map_warnings(pictures))


def _provenance(
    fits: FrameFits, settings: Settings, warnings: tuple[str, ...], timings: Timings, checks: Checks
) -> Provenance:
    frame = fits.frame
    model = photometric_function(settings.standard)
    return Provenance(
        frame=frame.name,
        inputs=checks.inputs,
        settings=asdict(settings),
        timings=timings,
        figures={figure.name: asdict(figure) for figure in checks.figures},
        warnings=warnings,
        photometric_model={"name": model.name, "has_phase_curve": model.has_phase_curve, "source": model.source},
        rejected=None if frame.control is None else (() if fits.resection is None else fits.resection.rejected),
        pointing=_refined(fits),
        sun={
            "subsolar_deg": fits.sun.subsolar_deg,
            "distance_au": fits.sun.distance_au,
            "illuminance_lx_1au": fits.sun.illuminance_lx_1au,
            "from": "the time of the exposure" if frame.sun is None else "the description",
        },
    )


def _refined(fits: FrameFits) -> RefinedPointing | None:
    if fits.resection is None:
        return None
    position, attitude, _ = pointing_sigmas(fits)
    if position is None or attitude is None:
        return None
    return RefinedPointing(fits.pose.position_km, quaternion_of(fits.pose.rotation), position, attitude)
