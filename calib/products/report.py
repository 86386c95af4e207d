"""Makes report.html, the operator's page: one file that loads nothing, the same bytes for the same run."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from calib.products.atomic import write_text
from calib.products.fits import FitsFile
from calib.products.pages import package_text, template
from calib.products.provenance import plain, versions
from calib.products.readable import number
from calib.products.report_checks import NORMAL_1, NORMAL_2, shares
from calib.products.report_data import MapLayer, MapPicture, PicturePair, QualityPicture, ReportData, ReportFigure
from calib.products.report_drawings import fit_drawings, product_drawings
from calib.products.report_map import map_lines, scale_bar
from calib.products.report_pictures import COLORS, bit_png, grey_jpeg, grey_range, subsampled
from calib.quality import BITS
from calib.sweep.tables import OUTSIDE

_NOTHING = "This run has nothing to show here."


@dataclass(frozen=True, slots=True)
class _FigureRow:
    name: str
    meaning: str
    value: str
    unit: str
    limit: str
    limit_meaning: str
    ratio: str
    bar_percent: float


def write_report(path: str | Path, data: ReportData, drawn: Mapping[str, str] | None = None) -> None:
    """Write report.html completely or not at all; `drawn` as in `page`."""
    write_text(path, page(data, drawn))


def page(data: ReportData, drawn: Mapping[str, str] | None = None) -> str:
    """The page as text; `drawn`: the drawings by name, if already made."""
    if drawn is None:
        drawn = fit_drawings(data.fits, data.residuals, data.noise, data.globe)
        drawn |= product_drawings(data.seams, data.spectrum)
    run = data.provenance
    return template("report.html").render(
        css=Markup(package_text("report.css")),
        title=f"{run.frame} · frame report",
        script=Markup(package_text("report.js")),
        frame=run.frame,
        facts=data.facts,
        warnings=run.warnings,
        rows=[figure_row(figure) for figure in data.figures],
        pairs=[_pair(pair) for pair in data.pairs],
        drawings={name: Markup(drawing) for name, drawing in drawn.items()},
        shares=_shares(data),
        rejected_marks=_rejected_marks(data.fits),
        left_out=_left_out(_rejected_marks(data.fits)),
        places=_places(data.fits),
        maps=_maps(data.map) if data.map is not None else [],
        map_name=data.map.crs_name if data.map is not None else "",
        quality=[_quality(picture) for picture in data.quality],
        run=run,
        settings=_flat(run.settings),
        model=_flat(run.photometric_model or {}),
        versions=versions(),
        absent={name: data.absent.get(name, _NOTHING) for name in _SECTIONS},
    )


_SECTIONS = ("frame", "tone", "residuals", "banding", "geometry", "seams", "spectrum", "map", "quality")


def figure_row(figure: ReportFigure) -> _FigureRow:
    """One row of the table of figures: numbers as text, and the ratio to the limit as a bar that is full at 5."""
    ratio = figure.value / figure.limit if figure.limit and np.isfinite(figure.value) else None
    return _FigureRow(
        name=figure.name,
        meaning=figure.meaning,
        value=number(figure.value),
        unit=figure.unit,
        limit="" if figure.limit is None else number(figure.limit),
        limit_meaning=figure.limit_meaning,
        ratio="" if ratio is None else f"{ratio:.2f}" if ratio < 100 else f"{ratio:.0f}",
        bar_percent=0.0 if ratio is None else round(20 * min(ratio, 5.0), 1),
    )


def _pair(pair: PicturePair) -> dict[str, Any]:
    rows, cols = subsampled(pair.after).shape
    return {
        "title": pair.title,
        "before": grey_jpeg(pair.before),
        "after": grey_jpeg(pair.after),
        "before_caption": pair.before_caption,
        "after_caption": pair.after_caption,
        "width": cols,
        "height": rows,
    }


def _shares(data: ReportData) -> list[dict[str, Any]]:
    """Rows of the table of shares of residuals within 1 and 2 sigma, by kind, with those of a Gaussian."""
    if data.residuals is None or not data.residuals.residual.size:
        return []
    rows = [
        {"kind": s.kind, "count": str(s.count), "one": f"{100 * s.within_1:.1f} %", "two": f"{100 * s.within_2:.1f} %"}
        for s in shares(data.residuals)
    ]
    normal = {"one": f"{100 * NORMAL_1:.1f} %", "two": f"{100 * NORMAL_2:.1f} %"}
    return [*rows, {"kind": "unit normal", "count": "", **normal}]


def _places(fits: FitsFile | None) -> list[tuple[str, ...]]:
    """Rows of the table of places: name, latitude, longitude, semi-axes and azimuth of the ellipse."""
    if fits is None or fits.uncertainty is None:
        return []
    u = fits.uncertainty
    columns = zip(u.place, u.on_moon, u.lat_deg, u.lon_deg, u.semi_major_m, u.semi_minor_m, u.azimuth_deg, strict=True)
    return [
        (name, _compass(lat, "N", "S"), _compass((lon + 180) % 360 - 180, "E", "W"),
         f"{number(major)} m", f"{number(minor)} m", f"{azimuth:.0f}°")
        if there
        else (name, "off the Moon", "", "", "", "")
        for name, there, lat, lon, major, minor, azimuth in columns
    ]  # fmt: skip


def _compass(degrees: float, positive: str, negative: str) -> str:
    return f"{abs(degrees):.4f}° {positive if degrees >= 0 else negative}"


def _rejected_marks(fits: FitsFile | None) -> list[tuple[str, int, str]]:
    """Name, strip and reason of each mark that was not used."""
    if fits is None or fits.marks is None:
        return []
    m = fits.marks
    return [(m.mark[i], int(m.strip[i]), m.reason[i]) for i in np.flatnonzero(~m.used).tolist()]


def _left_out(rows: list[tuple[str, int, str]]) -> str:
    """Text with the number of marks rejected, as the warnings count them, and of marks that were not visible."""
    beyond = sum(reason == OUTSIDE for _, _, reason in rows)
    counts = {"left out": len(rows) - beyond, "beyond the edge of the strip, or lost with it": beyond}
    return ", ".join(f"{count} {'mark' if count == 1 else 'marks'} {what}" for what, count in counts.items() if count)


def _maps(picture: MapPicture) -> list[dict[str, Any]]:
    return [_map(picture, layer) for layer in picture.layers]


def _map(picture: MapPicture, layer: MapLayer) -> dict[str, Any]:
    small = subsampled(layer.values)
    graticule, footprint = map_lines(picture, (small.shape[0], small.shape[1]))
    low, high = grey_range(small)
    scale = f"black {number(low)}, white {number(high)} {layer.unit}".strip()
    return {
        "title": layer.title,
        "image": grey_jpeg(small),
        "width": small.shape[1],
        "height": small.shape[0],
        "graticule": graticule,
        "footprint": footprint,
        "bar": scale_bar(picture),
        "scale": f"{scale}; {layer.note}" if layer.note else scale,
    }


def _quality(picture: QualityPicture) -> dict[str, Any]:
    mask = subsampled(picture.mask)
    bits = [
        {
            "name": bit.name.replace("_", " "),
            "value": bit.value,
            "meaning": bit.meaning,
            "color": COLORS[bit.value],
            "share": _percent(picture.shares.get(bit.value, 0.0)),
            "image": bit_png((mask & bit.value) != 0, COLORS[bit.value]) if (mask & bit.value).any() else "",
        }
        for bit in BITS
    ]
    backdrop = "" if picture.backdrop is None else grey_jpeg(picture.backdrop)
    return {"title": picture.title, "bits": bits, "backdrop": backdrop, "width": mask.shape[1], "height": mask.shape[0]}


def _percent(share: float) -> str:
    if share == 0:
        return "none"
    return "< 0.01 %" if share < 1e-4 else f"{100 * share:.3g} %"


def _flat(table: Any, prefix: str = "") -> list[tuple[str, str]]:
    """A nested table as rows of dotted key and text."""
    rows: list[tuple[str, str]] = []
    for key, value in plain(table).items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            rows += _flat(value, f"{name}.")
        else:
            rows.append((name, value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)))
    return rows
