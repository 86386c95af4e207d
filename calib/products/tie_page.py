"""Makes the HTML page beside a control file: frame over modern map, residuals, points. One file that loads nothing."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from calib.products.fits_pointing import ControlResiduals
from calib.products.pages import package_text, template
from calib.products.report_geometry import control_residuals
from calib.products.report_pictures import grey_jpeg
from calib.products.report_plot import drawing, style


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One picture (rows, columns) of the ground, NaN: no data; all layers have the same pixel grid."""

    title: str
    values: NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class TiePoint:
    """A row of the table: coordinates on ground and film, 1-sigma, lengths of the residual before and after (mm)."""

    name: str
    lon_deg: float
    lat_deg: float
    height_m: float
    x_mm: float
    y_mm: float
    sigma_mm: float
    before_mm: float
    after_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class TiePage:
    """Content of the page. `points_px` (P, 2): column and row of each point on the layers."""

    frame: str
    map_name: str
    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    lines: tuple[str, ...]
    modern: Layer
    refined: Layer
    stated: Layer
    pixel_m: float
    residuals: ControlResiduals
    points: tuple[TiePoint, ...]
    points_px: NDArray[np.float64]
    left_out: tuple[str, ...]
    unmatched: tuple[str, ...]


def page(data: TiePage) -> str:
    """The page as text."""
    with style():
        residuals = Markup(drawing(control_residuals(data.residuals), "control", "Residuals of the tie points"))
    rows, columns = data.modern.values.shape
    return template("tie_page.html").render(
        css=Markup(package_text("report.css")),
        title=f"{data.frame} · tie points",
        script=Markup(package_text("report.js")),
        data=data,
        width=columns,
        height=rows,
        modern=_picture(data.modern),
        refined=_picture(data.refined),
        stated=_picture(data.stated),
        residuals=residuals,
        marks=[(name.name, *np.round(at, 1)) for name, at in zip(data.points, data.points_px.tolist(), strict=True)],
    )


def _picture(layer: Layer) -> dict[str, Any]:
    return {"title": layer.title, "image": grey_jpeg(layer.values)}
