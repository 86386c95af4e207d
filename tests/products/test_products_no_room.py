"""A full disk: every writer raises the same kind of error with the folder's name and leaves no partial file.

It is simulated by a limit on a file's size, for which the system reports a similar error.
"""

import errno
import resource
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest
import rasterio
from affine import Affine

from calib.products.atomic import atomic_file, write_text
from calib.products.netcdf import Variable, write_netcdf
from calib.products.rasters import RasterSpec, raster
from calib.products.tiles import TILE, RasterLayout
from calib.run.image.unband import unband_file

NOISE = np.random.default_rng(4).standard_normal((TILE, TILE)).astype(np.float32)  # hardly compressible


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
def test_each_writer_names_the_full_folder_and_leaves_no_file(write, tmp_path):
    """Libraries that write files themselves raised "HDF error" or "write failed", which the command line took for a bug
    of this program."""
    with files_of_at_most(10_000), pytest.raises(OSError, match="File too large") as refused:
        write(tmp_path)
    assert refused.value.errno == errno.EFBIG
    assert refused.value.filename == str(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_other_errors_and_errors_with_a_file_name_are_unchanged(tmp_path):
    """An error while reading the frame's files must not be reported as one of the product's folder."""
    for error in (OSError(errno.ENOSPC, "full", "elsewhere"), OSError(errno.EIO, "unreadable")):
        with pytest.raises(OSError, match=r"full|unreadable") as refused, atomic_file(tmp_path / "fits.nc"):
            raise error
        assert refused.value.filename in ("elsewhere", None)
