"""A disk that takes no more: one kind of error from every writer, with the folder's name, and nothing half written.

The system itself refuses here: a limit on a file's size, which it says as it says that a disk is full.
"""

import errno
import resource
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest
import rasterio
from affine import Affine

from calib.products.atomic import whole, write_text
from calib.products.netcdf import Variable, write_netcdf
from calib.products.rasters import RasterSpec, raster
from calib.products.tiles import TILE, RasterLayout
from calib.run.image.unband import unband_file

NOISE = np.random.default_rng(4).standard_normal((TILE, TILE)).astype(np.float32)  # does not become small in a file


@contextmanager
def files_of_at_most(size: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def text(folder):
    write_text(folder / "item.json", "x" * 100_000)


def netcdf(folder):
    write_netcdf(folder / "fits.nc", {}, [Variable("density", ("y", "x"), NOISE, "noise")])


def tiles(folder):
    layout = RasterLayout(rows=TILE, cols=TILE, dtype=NOISE.dtype, center_transform=(1, 0, 0, 0, 1, 0))
    with raster(RasterSpec(folder / "density.tif", layout)) as writer:
        writer.write_block(0, 0, NOISE)


def plain_image(folder):
    shape = {"height": TILE, "width": TILE, "count": 1, "dtype": "float32", "transform": Affine.scale(2)}
    with rasterio.MemoryFile() as made:
        with made.open(driver="GTiff", **shape) as file:
            file.write(NOISE, 1)
        unband_file(made.name, folder / "u.tif", folder / "u.pattern.tif", period=None, as_float=True)


@pytest.mark.parametrize("write", [text, netcdf, tiles, plain_image])
def test_each_writer_says_which_folder_is_full_and_leaves_nothing(write, tmp_path):
    """Libraries that write by themselves said "HDF error" or "write failed", which the command line takes for a fault
    of ours."""
    with files_of_at_most(10_000), pytest.raises(OSError, match="File too large") as refused:
        write(tmp_path)
    assert refused.value.errno == errno.EFBIG
    assert refused.value.filename == str(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_an_error_that_names_its_file_or_is_another_keeps_its_words(tmp_path):
    """What the frame's own files say when they cannot be read is not taken for the product's folder."""
    for error in (OSError(errno.ENOSPC, "full", "elsewhere"), OSError(errno.EIO, "unreadable")):
        with pytest.raises(OSError, match=r"full|unreadable") as refused, whole(tmp_path / "fits.nc"):
            raise error
        assert refused.value.filename in ("elsewhere", None)
