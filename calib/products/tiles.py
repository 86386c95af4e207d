"""The border to the raster library: the TIFF tags that it gives a raster.

Inside `calib` an integer index is the pixel's centre; a GeoTIFF's transform has the pixel's corner there. The half
pixel is added here and taken off in `readback`, nowhere else.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from io import BytesIO

import numpy as np
from affine import Affine
from rasterio.io import MemoryFile
from tifffile import TiffFile

TILE = 512
_SOME_PLACING = Affine.scale(2.0)  # where a placing is not kept: without one the library warns
_NEW_SUBFILE_TYPE = 254
_PLACING = (33550, 33922, 34264, 34735, 34736, 34737)
_LIBRARY_METADATA = 42112


@dataclass(frozen=True, slots=True)
class RasterLayout:
    """What a raster's header says.

    `center_transform` (a, b, c, d, e, f): x = a col + b row + c, y = d col + e row + f at pixel *centres*.
    Float rasters have NaN for no data; integer rasters are bit masks and have none.
    """

    rows: int
    cols: int
    dtype: np.dtype
    center_transform: tuple[float, float, float, float, float, float]
    crs_wkt: str | None = None
    description: str = ""
    units: str = ""
    texts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tag:
    """One entry of a TIFF directory: `value` as its bytes, little-endian."""

    code: int
    dtype: int
    count: int
    value: bytes


def corner_transform(center_transform: tuple[float, ...]) -> Affine:
    """From pixel centres to a GeoTIFF's corner origin: (col, row) = (0, 0) is the top left corner there."""
    a, b, c, d, e, f = center_transform
    return Affine(a, b, c - (a + b) / 2, d, e, f - (d + e) / 2)


def center_transform(corner: Affine) -> tuple[float, float, float, float, float, float]:
    """From a GeoTIFF's corner origin to pixel centres: the inverse of `corner_transform`."""
    a, b, c, d, e, f = corner[:6]
    return a, b, c + (a + b) / 2, d, e, f + (d + e) / 2


def _profile(rows: int, cols: int, dtype: np.dtype) -> dict[str, object]:
    is_float = np.issubdtype(dtype, np.floating)
    return {
        "driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": dtype.name, "tiled": True,
        "blockxsize": TILE, "blockysize": TILE, "compress": "zstd",
        "predictor": 3 if is_float else 2, "nodata": np.nan if is_float else None,
    }  # fmt: skip


def raster_tags(layout: RasterLayout) -> tuple[Tag, ...]:
    """All TIFF tags of a raster, as the raster library writes them; offsets and byte counts of its tiles are 0."""
    profile = _profile(layout.rows, layout.cols, layout.dtype) | {"SPARSE_OK": True, "BIGTIFF": "NO"}
    with MemoryFile() as memory:
        with memory.open(**profile, transform=corner_transform(layout.center_transform), crs=layout.crs_wkt) as file:
            file.update_tags(**dict(sorted(layout.texts.items())))
            if layout.description:
                file.set_band_description(1, layout.description)
            if layout.units:
                file.units = (layout.units,)
        return _directory(memory.getbuffer())


@cache
def overview_tags(rows: int, cols: int, dtype: np.dtype) -> tuple[Tag, ...]:
    """All TIFF tags of an overview of this size: a reduced image, with no placing of its own."""
    profile = _profile(rows, cols, dtype) | {"SPARSE_OK": True, "BIGTIFF": "NO"}
    with MemoryFile() as memory:
        with memory.open(**profile, transform=_SOME_PLACING) as file:
            file.update_tags()
        tags = _directory(memory.getbuffer())
    reduced = Tag(_NEW_SUBFILE_TYPE, 4, 1, (1).to_bytes(4, "little"))
    return (reduced, *(tag for tag in tags if tag.code not in (_NEW_SUBFILE_TYPE, *_PLACING, _LIBRARY_METADATA)))


def _directory(content: memoryview) -> tuple[Tag, ...]:
    with TiffFile(BytesIO(content)) as tiff:
        return tuple(
            Tag(
                tag.code,
                int(tag.dtype),
                tag.count,
                bytes(content[tag.valueoffset : tag.valueoffset + tag.valuebytecount]),
            )
            for tag in tiff.pages[0].aspage().tags
        )
