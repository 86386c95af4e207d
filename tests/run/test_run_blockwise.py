"""Rasters written block by block by several threads: bytes, pictures, and what stays when one of them fails."""

from pathlib import Path

import numpy as np
import pytest

from calib.products.rasters import RasterSpec
from calib.products.tiles import RasterLayout
from calib.run.progress import silent
from calib.run.rasters.blockwise import write_blocks

SIZE, STEP = (1100, 1300), 512
VALUES = np.random.default_rng(4).normal(size=SIZE).astype(np.float32)
PLACES = [(slice(r, min(r + STEP, SIZE[0])), slice(c, c + 650)) for r in range(0, SIZE[0], STEP) for c in (0, 650)]
PLACING = (0.0075, 0.0, -29.99625, 0.0, 0.0075, -27.49125)


def written(path: Path, threads: int, fails_at: int = SIZE[0]) -> tuple[bytes, bytes]:
    """Bytes of the file, and of the small picture."""

    def make(rows: slice, columns: slice) -> dict[str, np.ndarray]:
        if rows.start >= fails_at:
            raise MemoryError("no room")
        return {"density": VALUES[rows, columns]}

    spec = RasterSpec(path, RasterLayout(*SIZE, np.dtype("float32"), PLACING))
    seen = write_blocks({"density": spec}, PLACES, make, threads, "writing", silent)
    return path.read_bytes(), seen["density"].picture.tobytes()


def test_neither_bytes_nor_pictures_depend_on_the_threads(tmp_path: Path) -> None:
    alone = written(tmp_path / "one.tif", 1)
    assert written(tmp_path / "two.tif", 2) == written(tmp_path / "four.tif", 4) == alone
    assert alone[1] == VALUES.tobytes()


@pytest.mark.parametrize("threads", [1, 2])
def test_a_block_that_cannot_be_made_leaves_nothing(tmp_path: Path, threads: int) -> None:
    with pytest.raises(MemoryError, match="no room"):
        written(tmp_path / "film.tif", threads, fails_at=STEP)
    assert list(tmp_path.iterdir()) == []
