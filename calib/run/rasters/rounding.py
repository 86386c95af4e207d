"""How float products are rounded before they are compressed, and the header text that says so.

The last digits of a noisy value are noise, yet they would make up most of a compressed file. So a value is rounded by
at most a sixteenth of its sigma, which increases that sigma by at most 0.07 %, and a sigma is rounded to six binary
digits. With `exact` nothing is rounded.
"""

from dataclasses import replace
from pathlib import Path

from calib.products.pyramid import FLOAT32_MANTISSA_BITS, SIGMA_SHARE
from calib.products.rasters import RasterSpec
from calib.products.tiles import RasterLayout

SIGMA_BITS = 6  # of the mantissa that sigmas keep: no sigma is known to a hundredth
OVERVIEW_BITS = 9  # of the mantissa that overviews keep: they are for viewing, not for measuring


def value_spec(path: Path, layout: RasterLayout, *, exact: bool) -> RasterSpec:
    """A raster whose values are rounded by their own sigma before they are handed over."""
    share = f"1/{round(1 / SIGMA_SHARE)} of its 1-sigma"
    said = f"each value is off by at most {share}, in overviews by {_part(OVERVIEW_BITS)}"
    return _spec(path, layout, FLOAT32_MANTISSA_BITS, OVERVIEW_BITS, said, exact)


def sigma_spec(path: Path, layout: RasterLayout, *, exact: bool) -> RasterSpec:
    """A raster of sigmas; its overviews are rounded like the sigmas of which they are means."""
    said = f"each sigma is off by at most {_part(SIGMA_BITS)}, in overviews too"
    return _spec(path, layout, SIGMA_BITS, SIGMA_BITS, said, exact)


def _part(bits: int) -> str:
    return f"1/{2 ** (bits + 1)} of itself"


def _spec(path: Path, layout: RasterLayout, bits: int, overview_bits: int, said: str, exact: bool) -> RasterSpec:
    if exact:
        return RasterSpec(path, replace(layout, texts={**layout.texts, "rounding": "none"}))
    return RasterSpec(path, replace(layout, texts={**layout.texts, "rounding": said}), bits, overview_bits)
