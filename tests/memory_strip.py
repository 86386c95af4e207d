"""A strip raster that is held in memory, for tests that alter or invent samples."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np


@dataclass(frozen=True)
class MemoryStrip:
    """What the stages ask of a strip."""

    dn: np.ndarray
    index: int = 0
    is_reversed: bool = False
    path: Path = Path("000.tif")

    @property
    def called(self) -> str:
        return f"strip {self.index} ({self.path.name})"

    @property
    def n_lines(self) -> int:
        return self.dn.shape[0]

    @property
    def n_samples(self) -> int:
        return self.dn.shape[1]

    @property
    def dtype(self) -> np.dtype:
        return self.dn.dtype

    def read(self, first: int, stop: int) -> np.ndarray:
        return self.dn[first:stop].copy()
