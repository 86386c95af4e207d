"""Strip rasters on disk: what a TIFF holds, told from its header alone, and reading lines of it.

This is the border to the TIFF libraries: row = scan line, column = sample, values exactly as stored. Lines of an
uncompressed file with its data in one run are read from their place in the file; anything else goes through the raster
library, which decodes the segments that the lines touch; once a strip has been read whole, it is not decoded again.
"""

import logging
import os
import struct
import threading
import warnings
from collections import OrderedDict
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from operator import index
from pathlib import Path

import numpy as np
import rasterio
import tifffile
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from calib.errors import InputError
from calib.frame.decoded import DecodedStrips

KEY = "scan.strips"
A_STRIP = "a TIFF with one band of uint8 or uint16"
MOST_PAGES = 64  # far more than a strip with its overviews and masks has; a damaged chain of pages need not end
OPEN_PER_THREAD = 4  # neighbouring strips are read side by side where they overlap
REDUCED_OR_MASK = 0b101  # bits of NewSubfileType: overviews and masks are no further images
# a damaged header can make the parser fail in any of these ways
UNREADABLE = (
    tifffile.TiffFileError,
    OSError,
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    AttributeError,
    struct.error,
)

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # what it finds odd in a damaged file is said by us
_opening = threading.Lock()


@dataclass(frozen=True, slots=True)
class Storage:
    """How a strip lies in its file: its size, its type as stored, and where its data start if in one plain run."""

    n_lines: int
    n_samples: int
    stored: np.dtype
    offset: int | None


def storage_of(path: Path) -> Storage:
    """What the header of a strip's file says. Raises `InputError` where it is no strip, or shorter than its data."""
    try:
        status = os.stat(path)
    except OSError as error:
        raise InputError(path, KEY, f"a file that cannot be read ({error.strerror})", A_STRIP) from error
    return _storage(path, status.st_size, status.st_mtime_ns)


def read_lines(
    path: Path, first: int, stop: int, shape: tuple[int, int], dtype: np.dtype, decoded: DecodedStrips
) -> NDArray:
    """Lines `first` to `stop` - 1 of a strip of `shape` (n_lines, n_samples) as `dtype`, looked up in what is `decoded`
    where the file is not plain. Raises `InputError`.
    """
    storage = storage_of(path)
    if (storage.n_lines, storage.n_samples) != shape or storage.stored.newbyteorder("=") != dtype:
        raise InputError(path, KEY, "another raster than before", "a file that stays as it is while it is read")
    if storage.offset is None:
        return decoded.read(_state(path), (first, stop), shape, dtype, lambda: _decoded(path, first, stop, storage))
    start = storage.offset + first * storage.n_samples * storage.stored.itemsize
    values = np.empty((stop - first, storage.n_samples), storage.stored)
    try:
        with path.open("rb") as file:  # numpy's reader does far more about a few lines
            file.seek(start)
            whole = file.readinto(values.data) == values.nbytes
    except OSError as error:
        raise _undecodable(path, first, stop) from error
    if not whole:
        raise _undecodable(path, first, stop)
    return values.astype(dtype, copy=False)


@lru_cache(maxsize=1024)
def _storage(path: Path, size: int, modified_ns: int) -> Storage:
    """As `storage_of`; the size and time of the file make the answer that of this state of it."""
    try:
        with tifffile.TiffFile(path) as tiff:
            pages = [page.aspage() for page in islice(tiff.pages, MOST_PAGES)]
            images = [page for page in pages if not page.subfiletype & REDUCED_OR_MASK]
            if len(images) != 1:
                raise InputError(path, KEY, f"{len(images)} images", A_STRIP)
            return _checked(path, images[0], size)
    except UNREADABLE as error:
        raise InputError(path, KEY, "a file that cannot be read as TIFF", A_STRIP) from error


def _checked(path: Path, page: tifffile.TiffPage, size: int) -> Storage:
    """The storage of the one image of a file of `size` bytes."""
    if page.samplesperpixel != 1 or len(page.shape) != 2:
        raise InputError(path, KEY, f"{max(page.samplesperpixel, page.imagedepth)} bands", A_STRIP)
    if page.dtype not in (np.uint8, np.uint16):
        raise InputError(path, KEY, f"samples of {page.dtype or 'an unknown type'}", A_STRIP)
    n_lines, n_samples = map(index, page.shape)  # a damaged header may hold anything; index() takes whole numbers only
    if n_lines < 3 or n_samples < 3:
        raise InputError(path, KEY, f"{n_lines} lines of {n_samples} samples", "three or more of each")
    offsets, lengths = list(map(index, page.dataoffsets)), list(map(index, page.databytecounts))
    plain = bool(page.is_contiguous) and page.bitspersample == 8 * page.dtype.itemsize
    if plain:
        ends = [offsets[0] + n_lines * n_samples * page.dtype.itemsize]
    else:
        ends = [at + length for at, length in zip(offsets, lengths, strict=True)]
    if max(ends) > size:
        raise InputError(path, KEY, f"a file cut off after {size} bytes", f"{max(ends)} bytes, as its header says")
    stored = np.dtype(page.dtype).newbyteorder(page.parent.byteorder)
    return Storage(n_lines, n_samples, stored, offsets[0] if plain else None)


def _decoded(path: Path, first: int, stop: int, storage: Storage) -> NDArray:
    """Lines of a file whose data are compressed, tiled or scattered."""
    native = storage.stored.newbyteorder("=")
    if first == stop:
        return np.empty((0, storage.n_samples), native)
    try:
        dataset = _datasets.of(path)
        values = dataset.read(1, window=Window(0, first, storage.n_samples, stop - first))
    except RasterioError as error:
        raise _undecodable(path, first, stop) from error
    return values.astype(native, copy=False)


def _undecodable(path: Path, first: int, stop: int) -> InputError:
    return InputError(path, KEY, f"damaged data in lines {first} to {stop - 1}", "data that can be decoded")


def _state(path: Path) -> tuple[Path, int, int]:
    """A file as it is now: another one once it has been changed."""
    status = os.stat(path)
    return path, status.st_size, status.st_mtime_ns


class _Datasets(threading.local):
    """The datasets that a thread has open, the latest used last; a dataset must not be shared between threads."""

    def __init__(self) -> None:
        self.open: OrderedDict[tuple[Path, int, int], rasterio.DatasetReader] = OrderedDict()

    def of(self, path: Path) -> rasterio.DatasetReader:
        """The dataset of a strip in the present state of its file."""
        key = _state(path)
        if key not in self.open:
            # the filter of warnings is shared by all threads
            with _opening, warnings.catch_warnings():
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                self.open[key] = rasterio.open(path, driver="GTiff", sharing=False)
        self.open.move_to_end(key)
        while len(self.open) > OPEN_PER_THREAD:
            self.open.popitem(last=False)[1].close()
        return self.open[key]


_datasets = _Datasets()
