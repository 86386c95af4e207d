"""Draws the plots of a run and writes its report. Loaded by `checks.reporting`: its plotting library is slow."""

from dataclasses import dataclass
from pathlib import Path

from calib.products.fits import FitsFile
from calib.products.provenance import Provenance
from calib.products.report import write_report
from calib.products.report_data import ReportData
from calib.products.report_drawings import fit_drawings, product_drawings
from calib.run.rasters.film import FilmPictures
from calib.run.rasters.map import MapMaker, MapPictures
from calib.run.report import contents
from calib.run.report.checks import Checks
from calib.run.report.columns import ColumnMeans, column_spectrum, joined_columns
from calib.run.report.seams import SeamCheck


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The report's input beside the fits: previews of the products, checks and provenance."""

    film: FilmPictures
    pictures: MapPictures
    checks: Checks
    provenance: Provenance


def draw(maker: MapMaker, record: FitsFile, seams: SeamCheck, columns: ColumnMeans) -> dict[str, str]:
    """All plots of the report."""
    fits, scan = maker.fits, maker.fits.frame.scan
    residuals, noise = contents.tone_residuals(fits), contents.sample_noise(fits)
    of_fits = fit_drawings(record, residuals, noise, contents.globe_of(maker))
    joined = joined_columns(fits.frame, maker.sources, columns)
    spectrum = column_spectrum(joined, scan.pitch_mm / scan.sample_mm)
    return of_fits | product_drawings(contents.shown_seams(fits, seams), spectrum)


def write(path: Path, maker: MapMaker, record: FitsFile, found: Found) -> None:
    """Write the report."""
    fits = maker.fits
    shown = ReportData(
        facts=contents.facts_of(fits, maker),
        figures=found.checks.figures,
        provenance=found.provenance,
        fits=record,
        pairs=(contents.film_pair(fits, found.checks.raw, found.film),),
        residuals=contents.tone_residuals(fits),
        map=contents.map_picture(maker, found.pictures),
        quality=contents.quality_pictures(found.film, found.pictures),
    )
    write_report(path, shown, found.checks.plots)
