"""Strip rasters on disk: inspects the header of a TIFF, and reads lines from it.

This is the interface to the TIFF libraries: row = scan line, column = sample, values exactly as stored. Lines of an
uncompressed file with contiguous data are read directly; all other files are read by the raster library, which decodes
the segments that contain the lines. Once a strip has been read whole, it is not decoded again. Lines that are lost,
because the file is truncated or a segment does not decode, are read as zeros and reported in a mask.
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
from calib.frame.decoded import DecodedStrips, Lines

KEY = "scan.strips"
A_STRIP = "a TIFF with one band of uint8 or uint16"
STAYS = "a file that stays as it is while it is read"
MOST_PAGES = 64  # far more than a strip with overviews and masks has; a damaged chain of pages may be endless
OPEN_PER_THREAD = 4  # files: overlapping strips are read at the same time
REDUCED_OR_MASK = 0b101  # bits of NewSubfileType: overviews and masks do not count as images
# a damaged header can make the parser fail in any of these ways
UNREADABLE = (
    tifffile.TiffFileError,
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    AttributeError,
    struct.error,
)

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # damage is reported by us
_opening = threading.Lock()


@dataclass(frozen=True, slots=True)
class Storage:
    """The layout of a strip in its file: its size, its type as stored, and the offset of its data if contiguous.

    The file should have at least `n_bytes` bytes; if it is truncated, `cut_off` is its size, else None.
    """

    n_lines: int
    n_samples: int
    stored: np.dtype
    offset: int | None
    n_bytes: int
    cut_off: int | None


class DamagedError(InputError):
    """A strip's file is so damaged that no line can be read."""

    @property
    def damage(self) -> str:
        """The damage in words."""
        return f"it is {self.found}"


class OtherKindError(DamagedError):
    """A readable file that holds no strip, or not one like the others, possibly because its header is damaged."""

    @property
    def damage(self) -> str:
        return f"its header is not that of the others: found {self.found}, expected {self.expected}"


def storage_of(path: Path) -> Storage:
    """The layout of a strip by its file's header. Raises `DamagedError` if the file has no header, or not a strip's;
    `InputError` if it cannot be opened."""
    try:
        status = os.stat(path)
    except OSError as error:
        raise _unreadable(path, error) from error
    return _storage(path, status.st_size, status.st_mtime_ns)


def read_lines(
    path: Path, first: int, stop: int, shape: tuple[int, int], dtype: np.dtype, decoded: DecodedStrips
) -> Lines:
    """Lines `first` to `stop` - 1 of a strip of `shape` (n_lines, n_samples) as `dtype`, and the mask of lost lines.

    Unless the data are contiguous, the cache `decoded` is used. Raises `InputError`.
    """
    storage = storage_of(path)
    if (storage.n_lines, storage.n_samples) != shape or storage.stored.newbyteorder("=") != dtype:
        raise InputError(path, KEY, "another raster than before", STAYS)
    if storage.offset is None:
        return decoded.read(_state(path), (first, stop), shape, dtype, lambda: _decoded(path, first, stop, storage))
    line_bytes = storage.n_samples * storage.stored.itemsize
    there = stop if storage.cut_off is None else max((storage.cut_off - storage.offset) // line_bytes, 0)
    values = np.empty((stop - first, storage.n_samples), storage.stored)
    wanted, values[max(there - first, 0) :] = values[: max(there - first, 0)], 0
    try:
        with path.open("rb") as file:  # faster for a few lines than numpy's reader
            file.seek(storage.offset + first * line_bytes)
            whole = wanted.size == 0 or file.readinto(wanted.data) == wanted.nbytes
    except OSError as error:
        raise _unreadable(path, error) from error
    if not whole:
        raise InputError(path, KEY, "a file cut off since it was described", STAYS)
    return values.astype(dtype, copy=False), np.arange(first, stop) >= there


@lru_cache(maxsize=1024)
def _storage(path: Path, size: int, modified_ns: int) -> Storage:
    """As `storage_of`, cached by size and time of modification."""
    try:
        with tifffile.TiffFile(path) as tiff:
            pages = [page.aspage() for page in islice(tiff.pages, MOST_PAGES)]
            images = [page for page in pages if not page.subfiletype & REDUCED_OR_MASK]
            if not images:  # the file ends before its list of images
                raise DamagedError(path, KEY, "a TIFF file that holds no image", A_STRIP)
            if len(images) != 1:
                raise OtherKindError(path, KEY, f"{len(images)} images", A_STRIP)
            return _checked(path, images[0], size)
    except OSError as error:
        raise _unreadable(path, error) from error
    except UNREADABLE as error:
        found = "a file that cannot be read as TIFF" if size else "an empty file"
        raise DamagedError(path, KEY, found, A_STRIP) from error


def _checked(path: Path, page: tifffile.TiffPage, size: int) -> Storage:
    """The layout of the only image of a file of `size` bytes."""
    if page.samplesperpixel != 1 or len(page.shape) != 2:
        raise OtherKindError(path, KEY, f"{max(page.samplesperpixel, page.imagedepth)} bands", A_STRIP)
    if page.dtype not in (np.uint8, np.uint16):
        raise OtherKindError(path, KEY, f"samples of {page.dtype or 'an unknown type'}", A_STRIP)
    n_lines, n_samples = map(index, page.shape)  # a damaged header may hold other types; index() accepts integers only
    if n_lines < 3 or n_samples < 3:
        raise OtherKindError(path, KEY, f"{n_lines} lines of {n_samples} samples", "three or more of each")
    offsets, lengths = list(map(index, page.dataoffsets)), list(map(index, page.databytecounts))
    plain = bool(page.is_contiguous) and page.bitspersample == 8 * page.dtype.itemsize
    if plain:
        ends = [offsets[0] + n_lines * n_samples * page.dtype.itemsize]
    else:
        ends = [at + length for at, length in zip(offsets, lengths, strict=True)]
    stored = np.dtype(page.dtype).newbyteorder(page.parent.byteorder)
    cut_off = size if max(ends) > size else None
    return Storage(n_lines, n_samples, stored, offsets[0] if plain else None, max(ends), cut_off)


def _decoded(path: Path, first: int, stop: int, storage: Storage) -> Lines:
    """Lines of a file with compressed, tiled or scattered data; a segment that does not decode is lost entirely."""
    values = np.zeros((stop - first, storage.n_samples), storage.stored.newbyteorder("="))
    lost = np.zeros(stop - first, np.bool_)
    if first == stop:
        return values, lost
    try:
        dataset = _datasets.of(path)
    except RasterioError:
        return values, ~lost
    try:
        _decode(dataset, first, values)
    except RasterioError:
        height = dataset.block_shapes[0][0]
        for top in range(first - first % height, stop, height):
            rows = slice(max(top - first, 0), top + height - first)
            try:
                _decode(dataset, first + rows.start, values[rows])
            except RasterioError:
                values[rows], lost[rows] = 0, True
    return values, lost


def _decode(dataset: rasterio.DatasetReader, first: int, values: NDArray) -> None:
    """Decode the lines from `first` on into `values`."""
    values[:] = dataset.read(1, window=Window(0, first, values.shape[1], values.shape[0]))


def _unreadable(path: Path, error: OSError) -> InputError:
    return InputError(path, KEY, f"a file that cannot be read ({error.strerror})", A_STRIP)


def _state(path: Path) -> tuple[Path, int, int]:
    """A key for a file in its present state; it differs after the file has changed."""
    status = os.stat(path)
    return path, status.st_size, status.st_mtime_ns


class _Datasets(threading.local):
    """The open datasets of a thread, least recently used first; a dataset must not be shared between threads."""

    def __init__(self) -> None:
        self.open: OrderedDict[tuple[Path, int, int], rasterio.DatasetReader] = OrderedDict()

    def of(self, path: Path) -> rasterio.DatasetReader:
        """The dataset of a strip in the present state of its file."""
        key = _state(path)
        if key not in self.open:
            # all threads share the warnings filter
            with _opening, warnings.catch_warnings():
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                self.open[key] = rasterio.open(path, driver="GTiff", sharing=False)
        self.open.move_to_end(key)
        while len(self.open) > OPEN_PER_THREAD:
            self.open.popitem(last=False)[1].close()
        return self.open[key]


_datasets = _Datasets()
