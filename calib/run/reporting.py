"""The report of a run. It needs the plotting library, which takes long to load: nothing loads this before it is due."""

from dataclasses import dataclass
from pathlib import Path

from calib.film.assemble import film_grid
from calib.products.fits import FitsFile
from calib.products.provenance import Provenance
from calib.products.report import write_report
from calib.products.report_data import ReportData, ReportFigure
from calib.products.report_drawings import fit_drawings
from calib.run import report_build as build
from calib.run.columns import ColumnMeans, column_spectrum, joined_columns
from calib.run.film_product import FilmPictures
from calib.run.map_product import MapMaker, MapPictures
from calib.run.seams import SeamCheck


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What a run shows of its products and says of them, beside its fits."""

    film: FilmPictures
    pictures: MapPictures
    seams: SeamCheck
    columns: ColumnMeans
    figures: tuple[ReportFigure, ...]
    provenance: Provenance


def draw_fits(maker: MapMaker, record: FitsFile) -> dict[str, str]:
    """The drawings that need the fits alone."""
    return fit_drawings(record, build.tone_residuals(maker.fits), build.sample_noise(maker.fits), build.globe_of(maker))


def write(path: Path, maker: MapMaker, record: FitsFile, found: Found, drawn: dict[str, str], threads: int) -> None:
    """Write the report; `drawn` are the drawings of the fits."""
    fits, scan = maker.fits, maker.fits.frame.scan
    joined = joined_columns(fits.frame, maker.sources, found.columns)
    grid = film_grid(maker.sources, scan.sample_mm)
    shown = ReportData(
        facts=build.facts_of(fits, maker),
        figures=found.figures,
        provenance=found.provenance,
        fits=record,
        pairs=(build.film_pair(fits, grid, found.film, threads),),
        seams=build.shown_seams(fits, found.seams),
        residuals=build.tone_residuals(fits),
        spectrum=column_spectrum(joined, scan.pitch_mm / scan.sample_mm),
        map=build.map_picture(maker, found.pictures),
        quality=build.quality_pictures(found.film, found.pictures),
    )
    write_report(path, shown, drawn)
