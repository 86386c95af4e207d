"""The last pass over a block of the map: exposure to reflectance, to the standard geometry, and off with the noise.

One loop over each row turns what the interpolation gave into all that is written, so that nothing in between is ever
held for a whole block.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.interpolate import Sampled
from calib.products.pyramid import round_by_sigma
from calib.quality import HIGH_DENSITY, LOW_DENSITY, OUTSIDE
from calib.run.rasters.map_light import Light, across

OFF_MAP = np.uint16(OUTSIDE)
BEYOND = np.uint16(LOW_DENSITY | HIGH_DENSITY)


@dataclass(frozen=True, slots=True, eq=False)
class MapBlock:
    """A block of the map, (rows, columns): reflectance, its 1-sigma, at standard geometry, and the quality bits."""

    reflectance: NDArray[np.float32]
    sigma: NDArray[np.float32]
    normal: NDArray[np.float32]
    quality: NDArray[np.uint16]


def nothing_seen(quality: NDArray[np.uint16]) -> MapBlock:
    """A block no pixel of which is seen."""
    reflectance, sigma, normal = (np.full(quality.shape, np.nan, np.float32) for _ in range(3))
    return MapBlock(reflectance, sigma, normal, quality)


def finished(sampled: Sampled, light: Light, seen: NDArray[np.uint16], *, exact: bool) -> MapBlock:
    """Exposure to reflectance where it can be calibrated; the bits of film and ground, `seen` (rows, columns), joined
    where a pixel is seen. Unless `exact`, reflectance at both geometries is rounded by its own sigma.

    The arrays of `sampled` become those of the block: what is written where it was read need not be fetched.
    """
    reflectance, sigma = (part.reshape(seen.shape) for part in (sampled.value, sampled.sigma))
    quality = sampled.quality.reshape(seen.shape)
    normal = np.empty(seen.shape, np.float32)
    _finish(
        seen, (light.nodes, light.half, light.offset, light.pixels), not exact, (reflectance, sigma, normal, quality)
    )
    return MapBlock(reflectance, sigma, normal, quality)


@njit(cache=True, nogil=True)
def _finish(seen, light_of, rounded, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """See `finished`; the loop over a row is one for all that is written of it."""
    (nodes, half, (offset_r, offset_c), pixels), (reflectance, sigma, normal, quality) = light_of, out
    columns, nothing, single = np.uint64(seen.shape[1]), np.float32(np.nan), pixels.size > 0
    normal_sigma, wide = np.empty(columns, np.float32), across(nodes, half, offset_c, seen.shape[1])
    for i in range(seen.shape[0]):
        r, share = (i + offset_r) // half, np.float32((i + offset_r) % half) / np.float32(half)
        factor, ratio = (pixels[0, i], pixels[1, i]) if single else (wide[0, r], wide[1, r])
        factor_below, ratio_below = (factor, ratio) if single else (wide[0, r + 1], wide[1, r + 1])
        a, b, c, d, of_ground = reflectance[i], sigma[i], normal[i], quality[i], seen[i]
        for j in range(columns):
            light = factor[j] + share * (factor_below[j] - factor[j])
            standard = ratio[j] + share * (ratio_below[j] - ratio[j])
            on = of_ground[j] & OFF_MAP == 0
            known = on & (d[j] & BEYOND == 0)
            d[j] = of_ground[j] | d[j] if on else of_ground[j]
            a[j] = a[j] * light if known else nothing
            b[j] = b[j] * light if known else nothing
            c[j], normal_sigma[j] = a[j] * standard, b[j] * abs(standard)
        if rounded:
            round_by_sigma(a, b)
            round_by_sigma(c, normal_sigma)
