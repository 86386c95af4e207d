"""Arrays as small pictures inside the page: grey JPEG for what the film shows, masks as layers of one colour."""

import base64
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calib import quality
from calib.products.readable import LONGEST_PX

_CLIPPED_SHARE = 0.5  # percent at either end of the grey scale
_NOTHING_GREY = 128
_MANY = 10**5  # pixels
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


def thinned(values: NDArray) -> NDArray:
    """Every n-th pixel of a picture, n such that no side is longer than the page can use."""
    step = max(1, -(-max(values.shape) // LONGEST_PX))
    return values[::step, ::step]


def grey_range(values: NDArray[np.floating]) -> tuple[float, float]:
    """The values that black and white stand for: the picture's own range but for its extreme half per cents.

    Of a large picture every second row and column tells it.
    """
    told = values[::2, ::2] if values.size > _MANY else values
    known = told[np.isfinite(told)]
    if known.size == 0:
        return 0.0, 1.0
    low, high = np.percentile(known, [_CLIPPED_SHARE, 100 - _CLIPPED_SHARE])
    return (float(low), float(high)) if high > low else (float(low) - 0.5, float(low) + 0.5)


def grey_jpeg(values: NDArray[np.floating]) -> str:
    """A picture as a data address: larger is lighter, grey where there is nothing."""
    small = thinned(values)
    low, high = grey_range(small)
    with np.errstate(invalid="ignore"):
        scaled = np.clip((small - low) / (high - low), 0, 1) * 255
    pixels = np.where(np.isfinite(small), scaled, _NOTHING_GREY).astype(np.uint8)
    return _address(Image.fromarray(pixels, mode=None), "JPEG", quality=_JPEG_QUALITY)


def bit_png(mask: NDArray[np.bool_], color: str) -> str:
    """One bit of a mask as a data address: its colour where it is set, see-through elsewhere."""
    image = Image.fromarray(thinned(mask).astype(np.uint8), mode=None).convert("P")
    rgb = tuple(int(color[at : at + 2], 16) for at in (1, 3, 5))
    image.putpalette([255, 255, 255, *rgb])
    return _address(image, "PNG", bits=1, transparency=0)


def _address(image: Image.Image, form: str, **options: object) -> str:
    content = BytesIO()
    image.save(content, form, **options)
    return f"data:image/{form.lower()};base64,{base64.b64encode(content.getvalue()).decode('ascii')}"
