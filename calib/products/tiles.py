"""Interface to the raster library: obtains the TIFF tags of a raster and converts transforms.

In `calib` integer indices are pixel centres; in a GeoTIFF's transform they are pixel corners. The half pixel is added
here and removed in `readback`, nowhere else.
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
_DUMMY_TRANSFORM = Affine.scale(2.0)  # for overviews, whose transform is dropped: without one the library warns
_NEW_SUBFILE_TYPE = 254
_GEO_TAGS = (33550, 33922, 34264, 34735, 34736, 34737)  # transform and coordinate system
_LIBRARY_METADATA = 42112


@dataclass(frozen=True, slots=True)
class RasterLayout:
    """Content of a raster's header.

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
    """One entry of a TIFF directory; `value` is in little-endian bytes."""

    code: int
    dtype: int
    count: int
    value: bytes


def corner_transform(center_transform: tuple[float, ...]) -> Affine:
    """A transform at pixel centres as one at corners: there (col, row) = (0, 0) is the top left corner."""
    a, b, c, d, e, f = center_transform
    return Affine(a, b, c - (a + b) / 2, d, e, f - (d + e) / 2)


def center_transform(corner: Affine) -> tuple[float, float, float, float, float, float]:
    """A GeoTIFF's transform as one at pixel centres: the inverse of `corner_transform`."""
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
    """All TIFF tags of a raster, as the raster library writes them, with offsets and byte counts of tiles 0."""
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
    """All TIFF tags of an overview of this size: a reduced image without a transform of its own."""
    profile = _profile(rows, cols, dtype) | {"SPARSE_OK": True, "BIGTIFF": "NO"}
    with MemoryFile() as memory:
        with memory.open(**profile, transform=_DUMMY_TRANSFORM) as file:
            file.update_tags()
        tags = _directory(memory.getbuffer())
    reduced = Tag(_NEW_SUBFILE_TYPE, 4, 1, (1).to_bytes(4, "little"))
    return (reduced, *(tag for tag in tags if tag.code not in (_NEW_SUBFILE_TYPE, *_GEO_TAGS, _LIBRARY_METADATA)))


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
