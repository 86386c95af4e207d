"""Writes item.json, a STAC 1.1 Item with the place of the map products on the Moon and their content.

GeoJSON defines longitude and latitude on the Earth. Here they are planetocentric on the Moon, positive east, in the
mean-Earth/polar-axis frame (IAU_2015:30100), as in catalogues of other bodies; the item states this.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pystac
from numpy.typing import NDArray

from calib.light.geometry import CenterLight
from calib.products.atomic import write_text
from calib.products.fits_pointing import PlaceUncertainty
from calib.products.footprint import geojson
from calib.products.tiles import corner_transform
from calib.quality import BITS

_EXTENSIONS = "https://stac-extensions.github.io"
PROJECTION = f"{_EXTENSIONS}/projection/v2.0.0/schema.json"
VIEW = f"{_EXTENSIONS}/view/v1.0.0/schema.json"
FILE = f"{_EXTENSIONS}/file/v2.1.0/schema.json"
CLASSIFICATION = f"{_EXTENSIONS}/classification/v2.0.0/schema.json"

_RASTER = "image/tiff; application=geotiff; profile=cloud-optimized"
_MEDIA_TYPES = {".nc": "application/netcdf", ".html": "text/html", ".json": "application/json"}


@dataclass(frozen=True, slots=True, eq=False)
class MapPlace:
    """The map grid: `shape` (rows, cols), transform at pixel centres, `code` (such as IAU_2015:30110) if it has one."""

    crs_wkt: str
    code: str | None
    shape: tuple[int, int]
    center_transform: tuple[float, float, float, float, float, float]
    gsd_m: float


@dataclass(frozen=True, slots=True)
class Asset:
    """One product file; `href` is relative to item.json, `unit` that of a float raster, `is_mask` marks a bit mask."""

    key: str
    href: str
    title: str
    roles: tuple[str, ...]
    unit: str = ""
    is_mask: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class MapItem:
    """Content of item.json. The footprint is a ring of ground points (N,), degrees.

    `center` is None if the frame's centre is off the Moon, `uncertainty` if that of the pointing is not known.
    """

    frame: str
    mid_time: datetime
    footprint_lon_deg: NDArray[np.float64]
    footprint_lat_deg: NDArray[np.float64]
    place: MapPlace
    center: CenterLight | None
    uncertainty: PlaceUncertainty | None
    assets: Sequence[Asset]
    version: str


def write_item(path: str | Path, item: MapItem, digests: Mapping[str, str]) -> None:
    """Write item.json in the folder of its products, which must exist, completely or not at all; it holds no date of
    writing.

    `digests`: the SHA-256 of each product by its path relative to item.json.
    """
    table = as_item(item, Path(path).parent, digests)
    write_text(path, json.dumps(table, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def as_item(item: MapItem, folder: Path, digests: Mapping[str, str]) -> dict[str, Any]:
    """The STAC Item as nested tables, with sizes of the files in `folder` and the checksums given."""
    geometry, bbox = geojson(item.footprint_lon_deg, item.footprint_lat_deg)
    stac = pystac.Item(
        id=item.frame,
        geometry=geometry,
        bbox=bbox,
        datetime=item.mid_time.astimezone(UTC),
        properties=_properties(item),
        stac_extensions=[PROJECTION, VIEW, FILE, CLASSIFICATION],
    )
    for asset in item.assets:
        stac.add_asset(asset.key, _asset(asset, folder, digests[asset.href]))
    return stac.to_dict(include_self_link=False, transform_hrefs=False)


def _properties(item: MapItem) -> dict[str, Any]:
    place = item.place
    rows, cols = place.shape
    corner = corner_transform(place.center_transform)
    ends = [corner @ (0, 0), corner @ (cols, rows)]
    (left, right), (lower, upper) = (sorted(axis) for axis in zip(*ends, strict=True))
    properties: dict[str, Any] = {
        "title": f"Reflectance map of the film frame {item.frame}",
        "description": "Place on the Moon. Longitude and latitude in geometry and bbox are planetocentric, positive "
        "east, in the mean-Earth/polar-axis frame on a sphere of 1737.4 km (IAU_2015:30100), not those of the Earth.",
        "gsd": place.gsd_m,
        "proj:code": place.code,
        "proj:wkt2": place.crs_wkt,
        "proj:projjson": pyproj.CRS(place.crs_wkt).to_json_dict(),
        "proj:shape": list(place.shape),
        "proj:transform": [float(value) for value in corner[:6]],
        "proj:bbox": [float(value) for value in (left, lower, right, upper)],
        "calib:body": "Moon",
        "calib:version": item.version,
    }
    if item.center is not None:
        properties |= {
            "view:incidence_angle": round(item.center.emission_deg, 4),
            "view:sun_elevation": round(90.0 - item.center.incidence_deg, 4),
            "view:sun_azimuth": round(item.center.sun_azimuth_deg % 360, 4),
            # STAC's incidence angle is that of the line of sight, which photometry calls emission.
            "calib:incidence_angle_deg": round(item.center.incidence_deg, 4),
            "calib:emission_angle_deg": round(item.center.emission_deg, 4),
            "calib:phase_angle_deg": round(item.center.phase_deg, 4),
        }
    if item.uncertainty is not None:
        properties |= _uncertainty(item.uncertainty)
    return properties


def _uncertainty(known: PlaceUncertainty) -> dict[str, Any]:
    """Properties of the error ellipses at the frame's corners, and at its centre if that lies on the Moon."""
    ellipses = [
        {
            "semi_major_m": float(f"{major:.4g}"),
            "semi_minor_m": float(f"{minor:.4g}"),
            "azimuth_deg": round(float(azimuth) % 180, 2),
        }
        for major, minor, azimuth in zip(known.semi_major_m, known.semi_minor_m, known.azimuth_deg, strict=True)
    ]
    corners: list[dict[str, Any]] = []
    for k in range(1, len(ellipses)):
        corner: dict[str, Any] = {"corner": known.place[k], "film_mm": [float(known.x_mm[k]), float(known.y_mm[k])]}
        if known.on_moon[k]:
            place = {"lon_deg": round(float(known.lon_deg[k]), 7), "lat_deg": round(float(known.lat_deg[k]), 7)}
            corners.append(corner | {"on_moon": True} | place | ellipses[k])
        else:
            corners.append(corner | {"on_moon": False})
    meaning = "1-sigma ellipse of the place on the ground that the pointing leaves open; 39 % of errors lie inside"
    found: dict[str, Any] = {"calib:corner_uncertainty": {"corners": corners, "meaning": meaning}}
    if known.on_moon[0]:
        meaning = "1-sigma ellipse at the centre of the frame; 39 % of errors lie inside"
        found["calib:position_uncertainty"] = ellipses[0] | {"meaning": meaning}
    return found


def _asset(asset: Asset, folder: Path, digest: str) -> pystac.Asset:
    content = folder / asset.href
    fields: dict[str, Any] = {
        "file:size": content.stat().st_size,
        "file:checksum": "1220" + digest,  # multihash: SHA2-256, 32 bytes
    }
    if asset.is_mask:
        fields |= {"data_type": "uint16", "classification:bitfields": _bitfields()}
    elif content.suffix == ".tif":
        fields |= {"data_type": "float32", "nodata": "nan", "unit": asset.unit}
    media_type = _RASTER if content.suffix == ".tif" else _MEDIA_TYPES[content.suffix]
    return pystac.Asset(
        href=f"./{asset.href}", title=asset.title, media_type=media_type, roles=list(asset.roles), extra_fields=fields
    )


def _bitfields() -> list[dict[str, Any]]:
    return [
        {
            "name": bit.name,
            "description": bit.meaning,
            "offset": bit.value.bit_length() - 1,
            "length": 1,
            "classes": [
                {"value": 0, "name": "no", "description": f"not: {bit.meaning}"},
                {"value": 1, "name": "yes", "description": bit.meaning},
            ],
        }
        for bit in BITS
    ]
