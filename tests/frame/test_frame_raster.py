"""Strips are read exactly as stored, in all layouts of TIFF, and never more lines than were requested."""

import os
import pickle
import re
import tracemalloc
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from io import BufferedReader, FileIO
from pathlib import Path

import numpy as np
import pytest
import rasterio
import tifffile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from calib.errors import CalibError, InputError
from calib.frame import decoded, raster
from calib.frame.decoded import DecodedStrips
from calib.frame.frame import StripRaster
from calib.frame.raster import storage_of
from calib.frame.read import read_frame
from calib.frame.strips import split_at_jump, with_gap, without_lines

Write = Callable[..., Path]
pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # GDAL-written strips


def ramp(n_lines: int, n_samples: int, dtype: type = np.uint16) -> np.ndarray:
    """Values that identify their place: 257 x line + sample, modulo the range of the type."""
    line, sample = np.mgrid[:n_lines, :n_samples]
    return (257 * line + sample).astype(dtype)


def strip_of(path: Path) -> StripRaster:
    storage = storage_of(path)
    dtype = storage.stored.newbyteorder("=")
    return StripRaster(0, path, storage.n_lines, storage.n_samples, dtype, is_reversed=False)


def by_gdal(path: Path, values: np.ndarray, **options: object) -> None:
    profile = {
        "driver": "GTiff",
        "height": values.shape[0],
        "width": values.shape[1],
        "count": 1,
        "dtype": values.dtype,
    }
    with rasterio.open(path, "w", **profile, **options) as dataset:
        dataset.write(values, 1)


WRITERS: dict[str, Callable[[Path, np.ndarray], None]] = {
    "plain": lambda path, values: tifffile.imwrite(path, values),
    "many-segments": lambda path, values: tifffile.imwrite(path, values, rowsperstrip=7),
    "other-byte-order": lambda path, values: tifffile.imwrite(path, values, byteorder=">"),
    "big-tiff": lambda path, values: tifffile.imwrite(path, values, bigtiff=True),
    "big-tiff-other-byte-order": lambda path, values: tifffile.imwrite(path, values, bigtiff=True, byteorder=">"),
    "tiled": lambda path, values: tifffile.imwrite(path, values, tile=(16, 32)),
    "deflate": lambda path, values: tifffile.imwrite(path, values, compression="zlib", rowsperstrip=5),
    "deflate-other-byte-order": lambda path, values: tifffile.imwrite(path, values, compression="zlib", byteorder=">"),
    "white-is-zero": lambda path, values: tifffile.imwrite(path, values, photometric="miniswhite"),
    "white-is-zero-deflate": lambda path, values: tifffile.imwrite(
        path, values, photometric="miniswhite", compression="zlib"
    ),
    "lzw": lambda path, values: by_gdal(path, values, compress="lzw", predictor=2),
    "lzw-tiled": lambda path, values: by_gdal(path, values, compress="lzw", tiled=True, blockxsize=32, blockysize=16),
    "packbits": lambda path, values: by_gdal(path, values, compress="packbits"),
}


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("writer", WRITERS)
def test_lines_are_read_as_stored(tmp_path: Path, writer: str, dtype: type) -> None:
    values = ramp(53, 41, dtype)
    path = tmp_path / "000.tif"
    WRITERS[writer](path, values)
    strip = strip_of(path)
    assert (strip.n_lines, strip.n_samples, strip.dtype) == (53, 41, np.dtype(dtype))
    for first, stop in [(0, 53), (0, 1), (52, 53), (13, 29), (7, 7)]:
        block = strip.read(first, stop)
        assert block.dtype == np.dtype(dtype)
        assert block.dtype.isnative
        np.testing.assert_array_equal(block, values[first:stop])


def test_twelve_bit_samples_are_read_as_uint16(tmp_path: Path) -> None:
    values = ramp(20, 33) % 4096
    by_gdal(tmp_path / "000.tif", values, nbits=12)
    np.testing.assert_array_equal(strip_of(tmp_path / "000.tif").read(3, 20), values[3:])


def test_overviews_do_not_count_as_images(tmp_path: Path) -> None:
    values = ramp(64, 64)
    by_gdal(tmp_path / "000.tif", values)
    with rasterio.open(tmp_path / "000.tif", "r+") as dataset:
        dataset.build_overviews([2])
    np.testing.assert_array_equal(strip_of(tmp_path / "000.tif").read(0, 64), values)


def test_segments_never_written_are_dark(tmp_path: Path) -> None:
    profile = {"driver": "GTiff", "height": 40, "width": 20, "count": 1, "dtype": "uint16"}
    with rasterio.open(
        tmp_path / "000.tif", "w", **profile, sparse_ok=True, compress="deflate", blockysize=4
    ) as dataset:
        dataset.write(np.full((4, 20), 7, np.uint16), 1, window=((8, 12), (0, 20)))
    block = strip_of(tmp_path / "000.tif").read(0, 40)
    assert (block[8:12] == 7).all()
    assert not block[:8].any()
    assert not block[12:].any()


@given(first=st.integers(-3, 60), stop=st.integers(-3, 60))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_only_existing_lines_can_be_read(tmp_path: Path, first: int, stop: int) -> None:
    path = tmp_path / "000.tif"
    if not path.exists():
        tifffile.imwrite(path, ramp(53, 41))
    if 0 <= first <= stop <= 53:
        assert strip_of(path).read(first, stop).shape == (stop - first, 41)
    else:
        with pytest.raises(ValueError, match=f"lines {first} to {stop} of a strip that has 53"):
            strip_of(path).read(first, stop)


@pytest.mark.parametrize("options", [{}, {"compress": "deflate", "blockysize": 64}], ids=["plain", "deflate"])
def test_a_block_costs_the_memory_of_a_block(tmp_path: Path, options: dict[str, object]) -> None:
    """32 MB on disk, 64 lines of 16 KB requested; numpy reports its memory to tracemalloc."""
    path = tmp_path / "000.tif"
    by_gdal(path, np.zeros((2048, 8192), np.uint16), **options)
    strip = strip_of(path)
    strip.read(0, 1)
    tracemalloc.start()
    block = strip.read(1024, 1088)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 2.2 * block.nbytes


def test_reading_a_frame_does_not_read_its_samples(package: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sparse file with 8 GB of samples, which would not fit into memory, is described as fast as any."""
    path = package(("strips/*.tif", "strips/00[0-2].tif"))
    for index in range(3):
        name = path.parent / "strips" / f"{index:03d}.tif"
        name.unlink()
        tifffile.memmap(name, shape=(120_000_000, 36), dtype=np.uint16, bigtiff=True).flush()
    monkeypatch.setattr(np, "fromfile", None)
    tracemalloc.start()
    frame = read_frame(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert frame.strips[0].n_lines == 120_000_000
    assert peak < 20e6


def test_no_file_stays_open(package: Write) -> None:
    frame = read_frame(package())
    before = len(os.listdir("/proc/self/fd"))
    for strip in frame.strips:
        strip.read(0, 10)
    assert len(os.listdir("/proc/self/fd")) == before


def test_few_compressed_files_stay_open(tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd"))
    for index in range(12):
        tifffile.imwrite(tmp_path / f"{index}.tif", ramp(53, 41) + index, compression="zlib")
        assert strip_of(tmp_path / f"{index}.tif").read(1, 2)[0, 0] == 257 + index
    assert len(os.listdir("/proc/self/fd")) <= before + 4


def test_a_compressed_strip_is_decoded_only_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fits read each strip many times; a frame's strips share one cache file, which is deleted with them."""
    strips, shared = [], DecodedStrips()
    for index in range(3):
        WRITERS["lzw-tiled"](tmp_path / f"{index}.tif", ramp(53, 41) + index)
        strips.append(replace(strip_of(tmp_path / f"{index}.tif"), decoded=shared))
    for strip in strips:
        strip.read(0, 53)
    other = tmp_path / "other.tif"
    WRITERS["lzw-tiled"](other, ramp(53, 41) + 9)
    again = pickle.loads(pickle.dumps(strips[1]))
    monkeypatch.setattr(raster._datasets, "of", refuse)
    for index, strip in enumerate(strips):
        np.testing.assert_array_equal(strip.read(7, 31), ramp(53, 41)[7:31] + index)
        assert strip.read(4, 4).shape == (0, 41)
    with pytest.raises(AssertionError, match="decoded"):
        again.read(0, 2)  # in another process, say: nothing of it is there
    os.replace(other, strips[2].path)
    with pytest.raises(AssertionError, match="decoded"):
        strips[2].read(0, 2)  # another file by now
    monkeypatch.undo()
    assert strips[2].read(0, 2)[0, 0] == 9
    kept = shared._file
    assert kept is not None
    assert not kept.closed
    del strips, strip, shared
    assert kept.closed


def test_without_room_for_the_cache_strips_are_decoded_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> object:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(decoded, "TemporaryFile", full)
    values = ramp(53, 41)
    WRITERS["deflate"](tmp_path / "0.tif", values)
    strip = strip_of(tmp_path / "0.tif")
    for _ in range(2):
        np.testing.assert_array_equal(strip.read(0, 53), values)
    np.testing.assert_array_equal(strip.read(5, 9), values[5:9])


def refuse(path: Path) -> object:
    raise AssertionError(f"{path} is decoded")


@pytest.mark.parametrize("writer", ["plain", "deflate"])
def test_threads_read_the_same(tmp_path: Path, writer: str) -> None:
    values = ramp(530, 41)
    strips = []
    for index in range(6):
        WRITERS[writer](tmp_path / f"{index}.tif", values + index)
        strips.append(strip_of(tmp_path / f"{index}.tif"))
    jobs = [(strip, index, first) for index, strip in enumerate(strips) for first in range(0, 530, 10)]
    with ThreadPoolExecutor(4) as pool:
        blocks = pool.map(lambda job: job[0].read(job[2], job[2] + 10), jobs)
        for (_, index, first), block in zip(jobs, blocks, strict=True):
            np.testing.assert_array_equal(block, values[first : first + 10] + index)


def refused(path: Path) -> str:
    with pytest.raises(InputError, match=r"\A[^\n]+: scan.strips: found [^\n]+, expected [^\n]+\Z") as caught:
        read_frame(path)
    return str(caught.value)


def broken(package: Write, values: np.ndarray, **options: object) -> tuple[Path, Path]:
    """The package with its second strip replaced; paths of description and strip."""
    path = package()
    strip = path.parent / "strips" / "001.tif"
    tifffile.imwrite(strip, values, **options)
    return path, strip


BROKEN = [
    (ramp(200, 35), {}, "35 samples in a line", "36, as 000.tif has"),
    (ramp(200, 36, np.uint8), {}, "samples of uint8", "uint16, as 000.tif has"),
    (ramp(200, 36).astype(np.int16), {}, "samples of int16", "a TIFF with one band of uint8 or uint16"),
    (ramp(200, 36).astype(np.float32), {}, "samples of float32", "a TIFF with one band of uint8 or uint16"),
    (np.zeros((2, 36), np.uint16), {}, "2 lines of 36 samples", "three or more of each"),
    (np.zeros((36, 2), np.uint16), {}, "36 lines of 2 samples", "three or more of each"),
    (np.zeros((200, 36), bool), {}, "samples of bool", "a TIFF with one band of uint8 or uint16"),
    (np.zeros((200, 36, 3), np.uint8), {"photometric": "rgb"}, "3 bands", "a TIFF with one band"),
    (
        np.zeros((2, 200, 36), np.uint16),
        {"photometric": "minisblack", "planarconfig": "separate"},
        "2 bands",
        "one band",
    ),
    (np.zeros((4, 200, 36), np.uint16), {"photometric": "minisblack"}, "4 images", "a TIFF with one band"),
]


@pytest.mark.parametrize(("values", "options", "found", "expected"), BROKEN, ids=[case[2] for case in BROKEN])
def test_a_strip_of_another_kind_is_lost(
    package: Write, values: np.ndarray, options: dict[str, object], found: str, expected: str
) -> None:
    """A damaged header may still parse, if all others agree. A file with another kind of name may not be a strip."""
    path, strip = broken(package, values, **options)
    strips = read_frame(path).strips
    assert [each.is_lost for each in strips] == [False, True, False]
    assert strips[1].damage.startswith(f"its header is not that of the others: found {found}, expected ")
    assert expected in strips[1].damage
    assert (strips[1].n_lines, strips[1].n_samples, strips[1].dtype) == (200, 36, np.uint16)
    strip.rename(strip.with_name("001 small.tif"))
    said = refused(path)
    assert said.startswith(f"{strip.with_name('001 small.tif')}: scan.strips: found {found}, expected ")


def test_the_first_strip_may_be_of_another_kind(package: Write) -> None:
    """The majority decides, not the first strip."""
    path = package()
    tifffile.imwrite(path.parent / "strips" / "000.tif", ramp(200, 35))
    assert [each.is_lost for each in read_frame(path).strips] == [True, False, False]


def test_strips_of_many_kinds_are_refused(package: Write) -> None:
    """Not more than half agree, so the right kind is unknown; each file is named."""
    path, _ = broken(package, ramp(200, 35))
    tifffile.imwrite(path.parent / "strips" / "002.tif", ramp(200, 34))
    with pytest.raises(InputError, match=r"001\.tif: .*found 35 samples .*\n.*002\.tif: .*found 34 samples"):
        read_frame(path)
    for index in range(3):
        tifffile.imwrite(path.parent / "strips" / f"{index:03d}.tif", np.zeros((200, 36), np.float32))
    with pytest.raises(InputError, match=r"(000|001|002)\.tif: scan.strips: found samples of float32"):
        read_frame(path)


def test_saturation_beyond_eight_bits(package: Write) -> None:
    path = package()
    for index in range(3):
        tifffile.imwrite(path.parent / "strips" / f"{index:03d}.tif", ramp(200, 36, np.uint8))
    with pytest.raises(InputError, match=re.escape("scan.saturation[1]: found 65535, expected at most 255")):
        read_frame(path)


NO_TIFF = [
    (b"", "an empty file"),
    (b"II*\0", "a file that cannot be read as TIFF"),
    (b"no raster", "a file that cannot be read as TIFF"),
    (b"II*\0\x08\0\0\0\xff\xff", "a file that cannot be read as TIFF"),
    (b"II*\0\xf0\0\0\0" + bytes(90), "a TIFF file that holds no image"),  # cut off before what describes it
]


@pytest.mark.parametrize(("content", "found"), NO_TIFF, ids=range(5))
def test_a_strip_that_is_no_tiff_keeps_its_place(
    package: Write, content: bytes, found: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """It gets the length of its neighbours, and all its lines are lost."""
    path = package()
    strip = path.parent / "strips" / "001.tif"
    strip.write_bytes(content)
    strips = read_frame(path).strips
    assert [each.is_lost for each in strips] == [False, True, False]
    assert strips[1].damage == f"it is {found}"
    assert (strips[1].n_lines, strips[1].n_samples, strips[1].dtype) == (200, 36, np.uint16)
    assert not strips[1].read(3, 9).any()
    assert strips[1].unread().all()
    assert capfd.readouterr() == ("", "")


def test_an_inserted_missing_strip_changes_the_direction_of_those_after_it(package: Write) -> None:
    """Every other place in the frame is scanned from its far end, whichever file holds the strip there."""
    frame = read_frame(package())
    frame = replace(frame, scan=frame.scan.model_copy(update={"reversed": "odd"}))
    strips = with_gap(frame, 1, 1, "no file holds it").strips
    assert [(each.index, each.is_lost, each.is_reversed) for each in strips] == [
        (0, False, False),
        (1, True, True),
        (2, False, False),
        (3, False, True),
    ]


def test_the_warnings_of_a_frame_are_renewed_after_a_strip_is_inserted(package: Write) -> None:
    """Without it the scan seemed to end inside the format, with marks outside."""
    path = package()
    frame = read_frame(path)
    (path.parent / "strips" / "001.tif").unlink()
    found = read_frame(path)
    assert found.warnings != frame.warnings
    assert with_gap(found, 1, 1, "no file holds it").warnings == frame.warnings


def test_files_that_are_no_strips_are_mistakes(package: Write) -> None:
    """A file with another kind of name; most files no TIFF; or a file without permission to read (can be mended)."""
    path = package(("strips/*.tif", "strips/*"))
    notes = path.parent / "strips" / "001-notes.txt"
    notes.write_text("scanned on a Monday")
    assert refused(path).startswith(f"{notes}: scan.strips: found a file that cannot be read as TIFF, expected a TIFF")
    notes.unlink()
    for index in (0, 2):
        (path.parent / "strips" / f"{index:03d}.tif").write_bytes(b"")
    with pytest.raises(
        InputError, match=r"000\.tif: scan\.strips: found an empty file, .*\n.*002\.tif: .*an empty file"
    ):
        read_frame(path)


def test_a_file_that_must_not_be_read_is_a_mistake(package: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """The user can mend that; it is not damage."""
    path = package()

    def refuse(*_: object) -> object:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tifffile, "TiffFile", refuse)
    with pytest.raises(InputError, match="found a file that cannot be read \\(Permission denied\\), expected"):
        read_frame(path)


CUT_OFF = [({}, 190), ({"compression": "zlib", "rowsperstrip": 20}, 180), ({"tile": (16, 48)}, 192)]


@pytest.mark.parametrize(("options", "left"), CUT_OFF, ids=["plain", "deflate", "tiled"])
def test_a_file_cut_off_is_read_as_far_as_it_goes(package: Write, options: dict[str, object], left: int) -> None:
    values = np.random.default_rng(5).integers(1, 65535, (200, 36), np.uint16)
    path, strip = broken(package, values, **options)
    size = strip.stat().st_size
    os.truncate(strip, size - 700)
    strips = read_frame(path).strips
    assert strips[1].damage == f"its file is cut off after {size - 700} of {size} bytes"
    assert [each.damage for each in (strips[0], strips[2])] == ["", ""]
    for _ in range(2):  # decoded, and as it was kept
        assert np.flatnonzero(~strips[1].unread()).tolist() == list(range(left))
        np.testing.assert_array_equal(strips[1].read(0, 200), np.where(np.arange(200)[:, None] < left, values, 0))
        np.testing.assert_array_equal(strips[1].read(left - 5, left + 5)[:5], values[left - 5 : left])
        lost = raster.read_lines(strip, left - 5, left + 5, (200, 36), strips[1].dtype, strips[1].decoded)[1]
        assert lost.tolist() == 5 * [False] + 5 * [True]
    assert not strips[1].read(195, 200).any()


def test_a_header_that_promises_far_more_than_other_strips_is_a_mistake(package: Write) -> None:
    """Otherwise a huge number of lines would be read as zeros."""
    path, strip = broken(package, ramp(500, 36))
    size = strip.stat().st_size
    os.truncate(strip, size - 700)
    assert f"{strip}: scan.strips: found a file cut off after {size - 700} bytes, expected " in refused(path)


def test_a_circular_chain_of_images(package: Write) -> None:
    """The offset of the next image is that of the first: reading on would never end."""
    path, strip = broken(package, ramp(200, 36), metadata=None, byteorder=">")
    content = bytearray(strip.read_bytes())
    first = int.from_bytes(content[4:8], "big")
    after = first + 2 + 12 * int.from_bytes(content[first : first + 2], "big")
    content[after : after + 4] = content[4:8]
    strip.write_bytes(content)
    assert "found 64 images, expected a TIFF with one band" in read_frame(path).strips[1].damage


def test_data_that_do_not_decode_are_left_out_when_they_are_read(
    package: Write, capfd: pytest.CaptureFixture[str]
) -> None:
    path, strip = broken(package, ramp(200, 36), compression="zlib", rowsperstrip=50)
    with tifffile.TiffFile(strip) as tiff:
        damaged = tiff.pages[0].dataoffsets[2]
    with open(strip, "r+b") as file:
        file.seek(damaged)
        file.write(b"\xff" * 40)
    raster = read_frame(path).strips[1]
    assert raster.damage == ""  # nothing that the header tells
    there = np.where(np.arange(200)[:, None] < 100, ramp(200, 36), 0)
    np.testing.assert_array_equal(raster.read(0, 100), there[:100])
    np.testing.assert_array_equal(raster.read(90, 110), there[90:110])
    assert np.flatnonzero(raster.held().unread()).tolist() == list(range(100, 150))
    assert capfd.readouterr() == ("", "")


def test_a_file_that_changes_after_it_was_described(package: Write) -> None:
    path = package()
    strip = read_frame(path).strips[1]
    tifffile.imwrite(strip.path, ramp(100, 36))
    with pytest.raises(InputError, match="found another raster than before"):
        strip.read(0, 10)
    strip.path.unlink()
    with pytest.raises(InputError, match="found a file that cannot be read"):
        strip.read(0, 10)


def test_a_file_cut_off_while_it_is_read(package: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between reading its header and its lines."""
    strip = read_frame(package()).strips[1]
    described = storage_of(strip.path)
    os.truncate(strip.path, strip.path.stat().st_size - 700)
    monkeypatch.setattr(raster, "storage_of", lambda _: described)
    last = strip.n_lines - 1
    with pytest.raises(InputError, match=r"001\.tif: scan\.strips: found a file cut off since "):
        strip.read(last, last + 1)


def test_a_short_read_is_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As Linux does beyond 2 GB, and some file systems below (read(2))."""

    class Reluctant(FileIO):
        def readinto(self, room) -> int:  # type: ignore[no-untyped-def]
            return super().readinto(memoryview(room).cast("B")[:1000])

    def opened(self: Path, _mode: str, buffering: int = -1) -> FileIO | BufferedReader:
        return BufferedReader(Reluctant(self)) if buffering else Reluctant(self)

    values = ramp(300, 41)
    tifffile.imwrite(tmp_path / "000.tif", values)
    strip = strip_of(tmp_path / "000.tif")
    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", opened)
        read = strip.read(3, 300)
    np.testing.assert_array_equal(read, values[3:])


@given(
    changes=st.lists(st.tuples(st.integers(0, 500), st.integers(0, 255)), min_size=1, max_size=6),
    deflated=st.booleans(),
)
@example(changes=[(0, 77), (1, 77)], deflated=False)
@settings(
    max_examples=200, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
def test_a_damaged_header_is_never_more_than_a_mistake(
    tmp_path: Path, changes: list[tuple[int, int]], deflated: bool
) -> None:
    """Whatever bytes of the header are hit, the strip is read or refused in one line."""
    path = tmp_path / "000.tif"
    tifffile.imwrite(path, ramp(20, 8), compression="zlib" if deflated else None, software="", metadata=None)
    content = bytearray(path.read_bytes())
    for at, value in changes:
        if at < len(content):
            content[at] = value
    path.unlink()
    path.write_bytes(content)
    assert "\n" not in said_of(path)


def said_of(path: Path) -> str:
    """The error of reading the strip's first and last line; empty if there is none."""
    try:
        strip = strip_of(path)
        strip.read(0, min(1, strip.n_lines))
        strip.read(max(0, strip.n_lines - 1), strip.n_lines)
    except CalibError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("is_reversed", [False, True])
def test_a_split_strip_has_inserted_lines_and_no_repeated_ones(tmp_path: Path, is_reversed) -> None:  # type: ignore[no-untyped-def]
    """Lines before and after the jump are unchanged, whatever part of the strip is read."""
    values = ramp(40, 5)
    by_gdal(tmp_path / "000.tif", values, compress="deflate")
    strip = replace(strip_of(tmp_path / "000.tif"), is_reversed=is_reversed)
    way = slice(None, None, -1 if is_reversed else 1)
    lacks = split_at_jump(strip, 20, 22, 6, "why")
    filled = np.concatenate([values[way][:20], np.zeros((8, 5), np.uint16), values[way][22:]])[way]
    assert lacks.n_lines == 46
    np.testing.assert_array_equal(np.flatnonzero(lacks.between_pieces()[way]), np.arange(20, 28))
    np.testing.assert_array_equal(lacks.held().read(0, 46), filled)
    np.testing.assert_array_equal(np.flatnonzero(lacks.unread()[way]), np.arange(20, 28))
    for first, stop in ((0, 3), (15, 30), (22, 25), (30, 46), (7, 7)):
        np.testing.assert_array_equal(lacks.read(first, stop), filled[first:stop])
    stop = 18 if is_reversed else 20  # as lines were scanned, those behind it are left out
    twice = split_at_jump(strip, 20, 22, -6, "why")
    np.testing.assert_array_equal(twice.read(0, 34), np.delete(values, np.s_[stop : stop + 6], axis=0))
    assert not twice.unread().any()


def test_lines_left_out_keep_the_place_of_the_others(tmp_path: Path) -> None:
    """Also at a strip's end, and if the strip is split later: the end of the file must still be known."""
    values = ramp(40, 5)
    by_gdal(tmp_path / "000.tif", values)
    strip = strip_of(tmp_path / "000.tif")
    for gone in (range(10), range(30, 40), [0, 5, 6, 39]):
        left = without_lines(strip, set(gone)).held()
        kept = np.setdiff1d(np.arange(40), list(gone))
        np.testing.assert_array_equal(np.flatnonzero(~left.unread()), kept)
        np.testing.assert_array_equal(left.read(0, 40)[kept], values[kept])
    lacks = split_at_jump(without_lines(strip, set(range(30, 40))), 20, 20, 4, "why").held()
    np.testing.assert_array_equal(lacks.read(24, 34), values[20:30])
    assert lacks.unread()[34:].all()


def test_a_strip_may_be_split_again(tmp_path: Path) -> None:
    """Before the first jump or after it."""
    values = ramp(40, 5)
    by_gdal(tmp_path / "000.tif", values)
    strip = strip_of(tmp_path / "000.tif")
    expected = np.concatenate([values[:10], values[13:30], np.zeros((5, 5), np.uint16), values[31:]])
    before = split_at_jump(split_at_jump(strip, 30, 31, 4, "why"), 10, 11, -3, "why")
    behind = split_at_jump(split_at_jump(strip, 10, 11, -3, "why"), 27, 28, 4, "why")
    assert before.pieces == behind.pieces
    np.testing.assert_array_equal(before.read(0, 41), expected)
