"""Encodes arrays as small pictures inside the page: grey JPEG for the film, one-colour PNG layers for mask bits."""

import base64
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calib import quality
from calib.products.readable import LONGEST_PX

_CLIPPED_SHARE = 0.5  # percent of the values clipped at either end of the grey scale
_NO_DATA_GREY = 128
_MANY = 10**5  # pixels; larger pictures are subsampled for the percentiles
_JPEG_QUALITY = 86

COLORS: dict[int, str] = {
    quality.OUTSIDE: "#6b7280",
    quality.DROPOUT: "#d7263d",
    quality.LOW_DENSITY: "#2f6fde",
    quality.HIGH_DENSITY: "#f2a71b",
    quality.MARK: "#12a594",
    quality.FILLED: "#b15ad6",
    quality.NIGHT: "#22335e",
    quality.SEAM: "#7fae2e",
    quality.OBLIQUE: "#e0701a",
}


def subsampled(values: NDArray) -> NDArray:
    """Every n-th row and column of a picture, for the smallest n with no side longer than LONGEST_PX."""
    step = max(1, -(-max(values.shape) // LONGEST_PX))
    return values[::step, ::step]


def grey_range(values: NDArray[np.floating]) -> tuple[float, float]:
    """The values of black and white: the 0.5 % and 99.5 % percentiles of the finite values.

    Those of a large picture are taken from every second row and column.
    """
    some = values[::2, ::2] if values.size > _MANY else values
    known = some[np.isfinite(some)]
    if known.size == 0:
        return 0.0, 1.0
    low, high = np.percentile(known, [_CLIPPED_SHARE, 100 - _CLIPPED_SHARE])
    return (float(low), float(high)) if high > low else (float(low) - 0.5, float(low) + 0.5)


def grey_jpeg(values: NDArray[np.floating]) -> str:
    """A picture as a data URL of a JPEG: larger values are lighter, no data is grey."""
    small = subsampled(values)
    low, high = grey_range(small)
    with np.errstate(invalid="ignore"):
        scaled = np.clip((small - low) / (high - low), 0, 1) * 255
    pixels = np.where(np.isfinite(small), scaled, _NO_DATA_GREY).astype(np.uint8)
    return _data_url(Image.fromarray(pixels, mode=None), "JPEG", quality=_JPEG_QUALITY)


def bit_png(mask: NDArray[np.bool_], color: str) -> str:
    """One bit of a mask as a data URL of a PNG: in its colour where set, transparent elsewhere."""
    image = Image.fromarray(subsampled(mask).astype(np.uint8), mode=None).convert("P")
    rgb = tuple(int(color[at : at + 2], 16) for at in (1, 3, 5))
    image.putpalette([255, 255, 255, *rgb])
    return _data_url(image, "PNG", bits=1, transparency=0)


def _data_url(image: Image.Image, form: str, **options: object) -> str:
    content = BytesIO()
    image.save(content, form, **options)
    return f"data:image/{form.lower()};base64,{base64.b64encode(content.getvalue()).decode('ascii')}"
