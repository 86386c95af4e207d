"""Checks and plots of a run's fits. They need neither film nor map, so they are made while those are written."""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from calib.products.fits import FitsFile
from calib.products.provenance import digests
from calib.products.report_data import ReportFigure
from calib.run.rasters.film import grid_of
from calib.run.rasters.map import MapMaker
from calib.run.report.columns import ColumnMeans, column_means
from calib.run.report.figures import figures_of
from calib.run.report.raw_mosaic import raw_mosaic
from calib.run.report.seams import SeamCheck, check_seams


@dataclass(frozen=True, slots=True, eq=False)
class Checks:
    """Seams, columns and figures; a small picture of the raw strips, `raw`; SHA-256 digests of the inputs; and the
    report's plots as SVG, by name.
    """

    seams: SeamCheck
    columns: ColumnMeans
    figures: tuple[ReportFigure, ...]
    raw: NDArray[np.float32]
    inputs: Mapping[str, str]
    plots: Mapping[str, str]


def checks_of(maker: MapMaker, record: FitsFile, threads: int) -> Checks:
    """Check the fits of a frame against its samples, and draw the results."""
    fits, frame = maker.fits, maker.fits.frame
    seams, columns = check_seams(fits, threads), column_means(frame, maker.sources, threads)
    return Checks(
        seams=seams,
        columns=columns,
        figures=figures_of(fits, seams, columns),
        raw=raw_mosaic(frame, [lost.unread() for lost in fits.dropouts], grid_of(fits), threads),
        inputs=digests(frame.inputs, frame.path.parent, threads),
        plots=reporting().draw(maker, record, seams, columns),
    )


def reporting() -> ModuleType:
    """The module that writes the report, imported on demand: its plotting library takes long to load."""
    return importlib.import_module("calib.run.report.page")
