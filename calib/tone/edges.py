"""Reads the edges of strips that neighbours cover, as DN or first-order density, and compares them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.tone.borrow import steps_of_overlap
from calib.tone.dropouts import Dropouts
from calib.tone.noise import NoiseModel
from calib.tone.overlap import Edge, OverlapCells, compare, matched, shared_samples
from calib.tone.overlap_kernels import looked_up
from calib.tone.survey import StripSurvey
from calib.tone.transfer import BEYOND, FirstCurve

if TYPE_CHECKING:
    from calib.frame.frame import Frame

Array32 = NDArray[np.float32]
EDGE_MARGIN = 0.1  # density past the patches up to which an overlap is compared


def unbiased_density(curve: FirstCurve, noise: NoiseModel | None, dn: Array) -> Array:
    """Density of DN corrected by ``f'' var / 2`` for the video's noise, so that means of densities are unbiased."""
    density = curve.density_of(dn)
    if noise is None:
        return density
    return np.asarray(density - 0.5 * curve.curvature(density) * noise.variance_dn(density))


def _density_table(curve: FirstCurve, noise: NoiseModel | None, n_dn: int) -> Array32:
    """Unbiased densities of all DN."""
    return unbiased_density(curve, noise, np.arange(n_dn, dtype=np.float64)).astype(np.float32)


class EdgeReader:
    """Reads the edges of strips, as DN or as first-order density."""

    def __init__(self, frame: Frame, sweeps: Sequence[StripSweep], dropouts: Sequence[Dropouts]) -> None:
        self.frame, self.sweeps, self.dropouts = frame, sweeps, dropouts

    def _read(self, index: int, clip: tuple[int, int], table: Array32, *samples: slice) -> list[Array32]:
        """Values of a table over DN for some columns of a strip, read once; NaN where samples are lost or clipped."""
        raster = self.frame.strips[index]
        whole, lost = raster.read(0, raster.n_lines), self.dropouts[index].mask(0, raster.n_lines)
        table[: clip[0] + 1] = table[clip[1] :] = np.nan
        return [looked_up(whole[:, some], lost[:, some], table) for some in samples]

    def _shared(self, first: int) -> tuple[slice, slice]:
        """Samples of a strip that the next one covers, and samples of the next that it covers."""
        return shared_samples(self.sweeps[first], self.sweeps[first + 1])

    def density(self, survey: StripSurvey, *samples: slice) -> list[Edge]:
        """First-order density of some columns, within the range of the strip's patches; NaN where lost or clipped."""
        if survey.curve is None:
            raise ValueError(f"strip {survey.index} has no curve yet")
        inside = BEYOND - EDGE_MARGIN
        span = survey.curve.lightest + inside, survey.curve.deepest - inside
        table = _density_table(survey.curve, survey.noise, self._n_dn)
        read = self._read(survey.index, survey.clip, table, *samples)
        return [Edge(some.start, density, span) for some, density in zip(samples, read, strict=True)]

    def raw(self, survey: StripSurvey, *samples: slice) -> list[Edge]:
        """DN of some columns; NaN where lost or clipped."""
        read = self._read(survey.index, survey.clip, np.arange(self._n_dn, dtype=np.float32), *samples)
        return [Edge(some.start, dn) for some, dn in zip(samples, read, strict=True)]

    @property
    def _n_dn(self) -> int:
        return int(np.iinfo(self.frame.strips[0].dtype).max) + 1

    def both(self, survey: StripSurvey) -> list[Edge] | None:
        """The columns of a strip that the strip before and the next one cover; None for a lost strip."""
        if survey.curve is None or survey.is_lost:
            return None
        left = self._shared(survey.index - 1)[1] if survey.index > 0 else slice(0, 0)
        right = self._shared(survey.index)[0] if survey.index + 1 < len(self.sweeps) else slice(0, 0)
        return self.density(survey, left, right)

    def compare(
        self, one: tuple[StripSurvey, list[Edge] | None], two: tuple[StripSurvey, list[Edge] | None]
    ) -> OverlapCells | None:
        """Differences of a strip and the next over the film that they share; the columns are those given by `both`."""
        if one[1] is None or two[1] is None:
            return None
        return compare(self.sweeps[one[0].index], self.sweeps[two[0].index], one[1][1], two[1][0])

    def lend(self, lender: StripSurvey, borrower: StripSurvey) -> tuple[Array, Array]:
        """Pairs of a borrower's DN and its neighbour's density over the film that they share."""
        first, second = sorted((lender, borrower), key=lambda survey: survey.index)
        one, two = self.sweeps[first.index], self.sweeps[second.index]
        right, left = self._shared(first.index)
        if right.stop - right.start < 2 or left.stop - left.start < 4:
            return np.zeros(0), np.zeros(0)
        read_one = self.density if first is lender else self.raw
        read_two = self.density if second is lender else self.raw
        values = matched(one, two, *read_one(first, right), *read_two(second, left))
        if values is None:
            return np.zeros(0), np.zeros(0)
        own, other = values
        return steps_of_overlap(own, other) if first is borrower else steps_of_overlap(other, own)
