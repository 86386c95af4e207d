"""The report of a run. It needs the plotting library, which takes long to load: `checks.reporting` loads this."""

from dataclasses import dataclass
from pathlib import Path

from calib.products.fits import FitsFile
from calib.products.provenance import Provenance
from calib.products.report import write_report
from calib.products.report_data import ReportData
from calib.products.report_drawings import fit_drawings, product_drawings
from calib.run.rasters.film import FilmPictures
from calib.run.rasters.map import MapMaker, MapPictures
from calib.run.report import contents as build
from calib.run.report.checks import Checks
from calib.run.report.columns import ColumnMeans, column_spectrum, joined_columns
from calib.run.report.seams import SeamCheck


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What a run shows of its products and says of them, beside its fits."""

    film: FilmPictures
    pictures: MapPictures
    checks: Checks
    provenance: Provenance


def draw(maker: MapMaker, record: FitsFile, seams: SeamCheck, columns: ColumnMeans) -> dict[str, str]:
    """All plots of the report."""
    fits, scan = maker.fits, maker.fits.frame.scan
    of_fits = fit_drawings(record, build.tone_residuals(fits), build.sample_noise(fits), build.globe_of(maker))
    joined = joined_columns(fits.frame, maker.sources, columns)
    spectrum = column_spectrum(joined, scan.pitch_mm / scan.sample_mm)
    return of_fits | product_drawings(build.shown_seams(fits, seams), spectrum)


def write(path: Path, maker: MapMaker, record: FitsFile, found: Found) -> None:
    """Write the report."""
    fits = maker.fits
    shown = ReportData(
        facts=build.facts_of(fits, maker),
        figures=found.checks.figures,
        provenance=found.provenance,
        fits=record,
        pairs=(build.film_pair(fits, found.checks.raw, found.film),),
        residuals=build.tone_residuals(fits),
        map=build.map_picture(maker, found.pictures),
        quality=build.quality_pictures(found.film, found.pictures),
    )
    write_report(path, shown, found.checks.plots)
