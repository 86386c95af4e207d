"""Rasters: every pixel at its place, bytes independent of the order of writing, valid by independent checks."""

import os
from concurrent.futures import ThreadPoolExecutor
from io import FileIO
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import rasterio
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from rio_cogeo.cogeo import cog_validate
from rounded import rounded_by_sigma

from calib import c_library
from calib.products import cog, file_parts, rasters, tile_store
from calib.products.packing import compressed_tile, predictor_bytes
from calib.products.pyramid import SIGMA_SHARE, Piece, halve
from calib.products.rasters import RasterSpec, raster
from calib.products.readable import LONGEST_PX
from calib.products.readback import read_raster
from calib.products.tiles import RasterLayout, center_transform, corner_transform

FILM = (0.0075, 0.0, -29.99625, 0.0, 0.0075, -27.49125)
MAP = (2.0, 0.0, -910001.0, 0.0, -2.0, 1364551.0)


def coordinates(rows: int, cols: int, transform=FILM) -> np.ndarray:
    """A raster whose values encode their place: x at the pixel's centre, plus y / 1000."""
    a, _, c, _, e, f = transform
    x, y = c + a * np.arange(cols), f + e * np.arange(rows)
    return (x[None, :] + y[:, None] / 1000).astype(np.float32)


def write(path: Path, values: np.ndarray, block: tuple[int, int], *, order: int = 1, **changes) -> bytes:
    layout = {"center_transform": FILM, "description": "density", "units": "1", "texts": {"frame": "tern2-0143"}}
    layout |= changes
    bits = {name: layout.pop(name) for name in ("mantissa_bits", "overview_bits") if name in layout}
    threads = layout.pop("threads", 1)
    spec = RasterSpec(path, RasterLayout(*values.shape, values.dtype, **layout), **bits)
    rows, cols = range(0, values.shape[0], block[0]), range(0, values.shape[1], block[1])
    places = [(row, col) for row in rows for col in cols]
    with raster(spec) as product, ThreadPoolExecutor(threads) as pool:

        def compressed(place: tuple[int, int]) -> rasters.Compressed:
            row, col = place
            return product.compressed(row, col, values[row : row + block[0], col : col + block[1]])

        in_turn = sorted(places, key=lambda place: places.index(place) * order % (len(places) + 1))
        for tiles in pool.map(compressed, in_turn):
            product.store(tiles)
    return path.read_bytes()


@pytest.fixture(scope="module")
def film(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("film") / "density.tif"
    values = coordinates(1337, 1601)
    values[100:700, 200:900] = np.nan
    write(path, values, (512, 1601))
    return path


@pytest.mark.parametrize("block", [(1337, 1601), (100, 333), (512, 512), (600, 1601)])
@pytest.mark.parametrize("order", [1, -1])
def test_the_bytes_do_not_depend_on_the_blocks_nor_on_their_order(tmp_path, film, block, order):
    values = coordinates(1337, 1601)
    values[100:700, 200:900] = np.nan
    assert write(tmp_path / "again.tif", values, block, order=order) == film.read_bytes()


def test_gdal_reads_every_value_back_at_its_place_to_a_hundredth_of_a_pixel(film):
    """The value of a pixel is the coordinate of its centre; GDAL's own transform must give the same."""
    with rasterio.open(film) as file:
        rows, cols = np.mgrid[0 : file.height, 0 : file.width]
        x, y = file.transform @ (cols.ravel() + 0.5, rows.ravel() + 0.5)
        values = file.read(1)
        assert file.crs is None
        assert np.isnan(file.nodata)
        assert file.transform.e > 0  # y runs down on the film
        assert (file.descriptions, file.units) == (("density",), ("1",))
        assert file.tags()["frame"] == "tern2-0143"
    expected = (x + y / 1000).reshape(values.shape)
    there = np.isfinite(values)
    assert there.sum() == values.size - 600 * 700
    # float32 keeps 30 mm to 2e-6 mm: far below a hundredth of a pixel.
    assert np.abs(values - expected)[there].max() < 0.01 * 0.0075


def overview_of(path: Path, level: int) -> np.ndarray:
    """An overview of a raster as read by GDAL: level 0 has half the resolution, 1 a quarter, and so on."""
    with rasterio.open(path, overview_level=level) as file:
        return file.read(1)


@pytest.mark.parametrize("overview", [0, 1])
def test_an_overview_lies_where_the_full_raster_lies(film, overview):
    """Its value at a pixel is the mean of the coordinates that it covers; 1337 and 1601 are not multiples of 2."""
    with rasterio.open(film) as file:
        side, to_film = file.overviews(1)[overview], file.transform
    part = overview_of(film, overview)[:20, 230:390]  # clear of the gap in both
    rows, cols = np.mgrid[0:20, 230:390] + 0.5
    # Each of its pixels covers 2^n x 2^n full pixels; the library would stretch it over the raster's extent instead.
    x, y = to_film @ (side * cols, side * rows)
    assert np.abs(part - (x + y / 1000)).max() < 0.01 * 0.0075


def test_an_independent_validator_accepts_the_cloud_optimised_geotiff(tmp_path, film):
    assert cog_validate(film, strict=True) == (True, [], [])
    mask = np.zeros((1100, 700), np.uint16)
    mask[500, 300] = 256
    write(tmp_path / "quality.tif", mask, (512, 700), center_transform=MAP, crs_wkt="IAU_2015:30110", units="")
    assert cog_validate(tmp_path / "quality.tif", strict=True) == (True, [], [])
    with rasterio.open(tmp_path / "quality.tif") as file:
        assert file.crs.to_dict()["R"] == 1737400
        assert file.transform[:6] == (2.0, 0.0, -910002.0, 0.0, -2.0, 1364552.0)
        assert file.nodata is None
        assert np.array_equal(file.read(1), mask)


def extents(path: Path) -> list[list[tuple[int, int]]]:
    """First byte and end of each tile, by resolution."""
    with tifffile.TiffFile(path) as tiff:
        return [
            [(at, at + size) for at, size in zip(page.dataoffsets, page.databytecounts, strict=True)]
            for page in tiff.pages
        ]


@pytest.fixture(params=[0, 1, 3, 6, 24, 48], ids="room for {} bits a pixel".format)
def room(request, monkeypatch) -> None:
    """Makes tiles be written in place, after a gap that is too small for the overviews, or too large."""
    monkeypatch.setattr(rasters, "MAX_SPOOLED_TILES", 0)
    monkeypatch.setattr(rasters, "_BITS_SAVED", 9 - request.param)


@pytest.mark.usefixtures("room")
def test_tiles_written_in_place_make_a_valid_file_without_gaps(tmp_path):
    path = tmp_path / "density.tif"
    values = np.random.default_rng(5).normal(size=(1600, 1601)).astype(np.float32)
    layout = RasterLayout(*values.shape, values.dtype, FILM)
    with raster(RasterSpec(path, layout, overview_bits=9)) as product:
        product.write_block(0, 0, values)
    assert cog_validate(path, strict=True) == (True, [], [])
    assert np.array_equal(read_raster(path).values, values)
    means = overview_of(path, 1)
    expected = values[:, :1600].reshape(400, 4, 400, 4).mean(axis=(1, 3))
    assert np.abs(means[:, :400] / expected - 1).max() < 0.003
    full, *overviews = extents(path)
    assert min(full)[0] >= max(stop for overview in overviews for _, stop in overview)
    begun = sorted(full + [place for overview in overviews for place in overview])
    largest = max(stop - start for start, stop in full)
    gaps = [after[0] - before[1] for before, after in pairwise(begun)]
    assert min(gaps) >= 0
    assert sum(gaps) < largest
    assert path.stat().st_size == begun[-1][1]


@pytest.mark.parametrize(("rows", "level"), [(1300, None), (2048, None), (2049, 0), (5000, 1)])
@pytest.mark.parametrize("dtype", [np.float32, np.uint16])
def test_the_picture_of_a_raster_is_the_finest_overview_that_a_screen_can_show(tmp_path, rows, level, dtype):
    """Complete at odd edges too, for any blocks; NaN and every bit are kept."""
    chance = np.random.default_rng(6)
    values = chance.integers(0, 512, (rows, 701)).astype(dtype)
    if dtype == np.float32:
        values[chance.random(values.shape) < 0.4] = np.nan
    spec = RasterSpec(tmp_path / "any.tif", RasterLayout(*values.shape, values.dtype, FILM))
    with raster(spec) as product:
        for row in range(0, rows, 700):
            product.write_block(row, 0, values[row : row + 700])
    assert max(product.picture.shape) <= LONGEST_PX
    assert np.array_equal(product.picture, overview_of(spec.path, level), equal_nan=dtype == np.float32)


@pytest.mark.usefixtures("room")
def test_tiles_smaller_than_the_header_are_moved_behind_it(tmp_path):
    """All tiles of a mask with no bit set are together smaller than the header."""
    mask = np.zeros((1600, 1601), np.uint16)
    write(tmp_path / "quality.tif", mask, (512, 1601))
    assert cog_validate(tmp_path / "quality.tif", strict=True) == (True, [], [])
    assert np.array_equal(read_raster(tmp_path / "quality.tif").values, mask)
    full, *overviews = extents(tmp_path / "quality.tif")
    assert sum(stop - start for start, stop in full) < min(start for start, _ in overviews[-1])
    assert min(full)[0] >= max(stop for overview in overviews for _, stop in overview)


@pytest.mark.usefixtures("room")
@pytest.mark.parametrize(("block", "order"), [((512, 512), -1), ((100, 333), 1), ((512, 1024), 3)])
def test_the_bytes_of_tiles_written_in_place_do_not_depend_on_their_order(tmp_path, block, order):
    values = np.random.default_rng(5).normal(size=(1600, 1601)).astype(np.float32)
    whole = write(tmp_path / "whole.tif", values, values.shape, overview_bits=9)
    assert write(tmp_path / "again.tif", values, block, overview_bits=9, order=order, threads=3) == whole


@pytest.mark.usefixtures("room")
def test_writeback_of_tiles_in_place_starts_before_the_raster_is_complete(tmp_path, monkeypatch):
    """In consecutive pieces of whole pages, except for an incomplete last piece, without a change of the bytes."""
    values = np.random.default_rng(5).normal(size=(1600, 1601)).astype(np.float32)
    expected = write(tmp_path / "late.tif", values, (512, 1601), overview_bits=9)
    sent, start_writeback = [], file_parts.start_writeback

    def noted(out, start, stop):
        sent.append((start, stop, os.fstat(out.fileno()).st_size))
        start_writeback(out, start, stop)

    monkeypatch.setattr(tile_store, "WRITEBACK_BYTES", 2**16)
    monkeypatch.setattr(tile_store, "start_writeback", noted)
    assert write(tmp_path / "early.tif", values, (512, 1601), overview_bits=9) == expected
    assert all(start < stop <= written and start % 2**16 == stop % 2**16 == 0 for start, stop, written in sent)
    assert all(one[1] == following[0] for one, following in pairwise(sent))
    in_place = sum(stop - start for start, stop in extents(tmp_path / "early.tif")[0])
    assert sum(stop - start for start, stop, _ in sent) > in_place - 2**16


def test_the_system_accepts_the_writeback_call(tmp_path, monkeypatch):
    answers, library = [], c_library.ctypes.CDLL(None)

    class Noted:
        def __getattr__(self, name):
            return lambda *given: answers.append(getattr(library, name)(*given))

    monkeypatch.setattr(c_library.ctypes, "CDLL", lambda _: Noted())
    with FileIO(tmp_path / "file", "w") as out:
        out.write(bytes(5000))
        file_parts.start_writeback(out, 0, 4096)
    assert answers == [0]


def test_writeback_is_skipped_if_the_c_library_lacks_the_function(tmp_path, monkeypatch):
    monkeypatch.setattr(c_library.ctypes, "CDLL", lambda _: object())
    with FileIO(tmp_path / "file", "w") as out:
        file_parts.start_writeback(out, 0, 4096)


def test_a_raster_too_large_for_tiff_becomes_a_bigtiff(tmp_path, film, monkeypatch):
    """The switch is made by size; here the limit is lowered instead of 4 GB being written."""
    monkeypatch.setattr(cog, "_CLASSIC_LIMIT", 1000)
    values = coordinates(1337, 1601)
    content = write(tmp_path / "big.tif", values, (512, 1601))
    assert content[:4] == b"II\x2b\x00"
    assert film.read_bytes()[:4] == b"II\x2a\x00"
    assert cog_validate(tmp_path / "big.tif", strict=True) == (True, [], [])
    with rasterio.open(tmp_path / "big.tif") as file:
        assert np.array_equal(file.read(1), values)
        assert file.overviews(1) == [2, 4]


def test_overviews_average_what_is_there_and_keep_every_flag(tmp_path):
    values = np.full((1030, 600), np.nan, np.float32)
    values[7, 9] = 0.5  # one pixel in an empty raster is still there at a quarter of the resolution
    write(tmp_path / "reflectance.tif", values, (512, 600))
    mask = np.where(np.isnan(values), 1, 0).astype(np.uint16)
    mask[7, 9], mask[8, 9] = 128, 2
    write(tmp_path / "quality.tif", mask, (512, 600))
    means = overview_of(tmp_path / "reflectance.tif", 1)
    bits = overview_of(tmp_path / "quality.tif", 1)
    assert means[1, 2] == 0.5
    assert np.isfinite(means).sum() == 1
    assert (bits[1, 2], bits[2, 2]) == (128 | 1, 2 | 1)
    assert np.all(bits[np.isnan(means)] != 0)


@given(
    rows=st.integers(1, 9), cols=st.integers(1, 9), seed=st.integers(0, 2**32 - 1), gaps=st.floats(0, 1),
)  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_halving_is_the_mean_of_the_finite_and_the_union_of_the_bits(rows, cols, seed, gaps):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(rows, cols)).astype(np.float32)
    values[rng.random(values.shape) < gaps] = np.nan
    mask = rng.integers(0, 512, (rows, cols)).astype(np.uint16)
    around = np.pad(values, 2, constant_values=np.inf), np.pad(mask, 2, constant_values=512)
    mean, union = (np.empty((rows // 2 + 4, cols // 2 + 4), kind) for kind in (np.float32, np.uint16))
    for whole, out in zip(around, (mean, union), strict=True):
        out[:] = 7
        halve(Piece(whole, 2, 2, rows, cols), out, 1, 2)
    place = np.s_[1 : 1 + (rows + 1) // 2, 2 : 2 + (cols + 1) // 2]
    for out in (mean, union):
        inside = out[place].copy()
        out[place] = 7
        assert (out == 7).all()  # nothing is written outside the target
        out[place] = inside
    mean, union = mean[place], union[place]
    for i, j in np.ndindex(mean.shape):
        below = values[2 * i : 2 * i + 2, 2 * j : 2 * j + 2]
        finite = below[np.isfinite(below)]
        if finite.size:
            assert mean[i, j] == pytest.approx(finite.mean(dtype=float), abs=3e-7)  # four float32 roundings
        else:
            assert np.isnan(mean[i, j])
        assert union[i, j] == np.bitwise_or.reduce(mask[2 * i : 2 * i + 2, 2 * j : 2 * j + 2], axis=None)


def undo_predictor(stored: np.ndarray) -> np.ndarray:
    """Values from the floating-point predictor's bytes, after the text of TIFF Technical Note 3."""
    planes = np.cumsum(stored, axis=1, dtype=np.uint8).reshape(len(stored), 4, -1)
    return np.ascontiguousarray(planes.transpose(0, 2, 1)).view(">f4")[..., 0].astype(np.float32)


@given(value=st.floats(width=32), bits=st.integers(1, 23))
def test_rounding_keeps_the_promised_digits(value, bits):
    one = np.full((3, 4), value, np.float32)
    kept = undo_predictor(predictor_bytes(Piece(one, 1, 2, 2, 2), 3, bits))
    assert np.array_equal(kept, np.full((3, 3), kept[0, 0]), equal_nan=True)
    kept = kept[0, 0]
    if not np.isfinite(value):
        assert np.array_equal(kept, np.float32(value), equal_nan=True)
    elif np.finfo(np.float32).tiny <= abs(value) < 2.0**127:
        assert abs(float(kept) - value) <= abs(value) * 2.0 ** -(bits + 1)


@given(value=st.floats(-(2.0**60), 2.0**60, width=32), sigma=st.floats(2.0**-60, 2.0**60, width=32))
@settings(deadline=None)
def test_rounding_by_sigma_is_off_by_a_sixteenth_of_it_at_most(value, sigma):
    one, its_sigma = np.array([[value]], np.float32), np.array([[sigma]], np.float32)
    kept = float(rounded_by_sigma(one, its_sigma)[0, 0])
    if value == 0 or abs(value) > np.finfo(np.float32).tiny:
        assert abs(kept - value) <= SIGMA_SHARE * sigma


def test_noise_is_entropy_coded():
    """Without repetitions a tile cannot be smaller than the entropy of its bytes (Shannon 1948). It comes near to that
    only with an experimental parameter of the C library; without it bytes are stored uncompressed."""
    noise = np.round(np.random.default_rng(2).normal(1300, 10, (512, 512))).astype(np.float32) / 1024
    tile = Piece(noise, 0, 0, 512, 512)
    planes = predictor_bytes(tile, 512, 23).reshape(512, 4, 512).transpose(1, 0, 2).reshape(4, -1)
    shares = [np.unique(plane, return_counts=True)[1] / plane.size for plane in planes]
    entropy = sum(-np.sum(share * np.log2(share)) for share in shares) * noise.size / 8
    assert entropy < len(compressed_tile(tile, 512)) < 1.5 * entropy


def test_rounding_by_sigma_leaves_few_digits_and_keeps_values_without_sigma():
    noisy = (1 + 0.02 * np.random.default_rng(3).normal(size=(64, 64))).astype(np.float32)
    kept = rounded_by_sigma(noisy, np.full_like(noisy, 0.02))
    assert not (kept.view(np.uint32) & ((1 << 13) - 1)).any()  # 2^-10 is the largest power of two below 0.02 / 16
    assert len(np.unique(kept)) < 200
    for sigma in (0.0, np.nan, np.inf):
        assert np.array_equal(rounded_by_sigma(noisy, np.full_like(noisy, sigma)), noisy)
    gaps = np.full((1, 2), np.nan, np.float32)
    assert np.isnan(rounded_by_sigma(gaps, np.ones_like(gaps))).all()


@pytest.mark.parametrize("threads", [1, 3])
@pytest.mark.parametrize("block", [(512, 512), (300, 700)])
def test_concurrent_compression_gives_the_same_bytes(tmp_path, film, threads, block):
    values = coordinates(1337, 1601)
    values[100:700, 200:900] = np.nan
    assert write(tmp_path / "again.tif", values, block, threads=threads) == film.read_bytes()


def test_failed_compression_leaves_no_product(tmp_path, monkeypatch):
    def fails(*_: object) -> bytes:
        raise MemoryError("no room")

    monkeypatch.setattr(rasters, "compressed_tile", fails)
    with pytest.raises(MemoryError, match="no room"):
        write(tmp_path / "x.tif", coordinates(600, 600), (512, 600), threads=2)
    assert list(tmp_path.iterdir()) == []


def test_fewer_mantissa_bits_give_fewer_bytes(tmp_path):
    noisy = (1 + 0.02 * np.random.default_rng(3).normal(size=(512, 512))).astype(np.float32)
    short = write(tmp_path / "short.tif", noisy, (512, 512), mantissa_bits=12)
    assert len(short) < 0.7 * len(write(tmp_path / "long.tif", noisy, (512, 512)))
    assert np.abs(read_raster(tmp_path / "short.tif").values / noisy - 1).max() <= 2.0**-13


def test_a_raster_is_read_back_lazily_with_coordinates(film):
    density = read_raster(film)
    assert density.chunks is not None
    part = density[100:103, 995:1000]
    assert part.x.values == pytest.approx(FILM[2] + FILM[0] * np.arange(995, 1000), abs=1e-12)
    assert part.y.values == pytest.approx(FILM[5] + FILM[4] * np.arange(100, 103), abs=1e-12)
    assert np.array_equal(part.values, coordinates(1337, 1601)[100:103, 995:1000])
    assert density.attrs["center_transform"] == pytest.approx(FILM, abs=1e-12)
    assert density.attrs["description"] == "density"


def test_corner_and_center_are_half_a_pixel_apart():
    skewed = (2.0, 0.5, 10.0, -0.25, -3.0, 20.0)
    corner = corner_transform(skewed)
    assert corner @ (0.5, 0.5) == pytest.approx((10.0, 20.0))
    assert center_transform(corner) == pytest.approx(skewed)


def test_invalid_calls_raise_clear_errors(tmp_path):
    layout = RasterLayout(600, 40, np.dtype("float32"), FILM)
    block = np.zeros((600, 40), np.float32)

    def spoil(*blocks):
        with raster(RasterSpec(tmp_path / "x.tif", layout)) as product:
            for row, col, values in blocks:
                product.write_block(row, col, values)

    with pytest.raises(ValueError, match=r"the tile from row 512, column 0 on is not complete"):
        spoil((0, 0, block[:512]))
    with pytest.raises(ValueError, match=r"600 x 40 at \(1, 0\) does not fit in 600 x 40"):
        spoil((1, 0, block))
    with pytest.raises(ValueError, match=r"the block in rows 0 to 511, columns 0 to 39 came before"):
        spoil((0, 0, block[:505]), (500, 0, block[:10]))
    with pytest.raises(ValueError, match=r"the tile of rows 0 to 511, columns 0 to 39 was complete"):
        spoil((0, 0, block[:512]), (0, 0, block[:10]))
    with pytest.raises(ValueError, match="found float64, the raster holds float32"):
        spoil((0, 0, block.astype(float)))
    with pytest.raises(ValueError, match="float32 or uint16, not int32"):
        RasterSpec(tmp_path / "x.tif", RasterLayout(1, 1, np.dtype("int32"), FILM))
    assert list(tmp_path.iterdir()) == []
