"""The light of a block of the map, and the last pass over it: factors between nodes or by the pixel, bits, rounding."""

from types import SimpleNamespace

import numpy as np
import pytest
from rounded import rounded_by_sigma

from calib.coordinates import FilmPoints
from calib.film.interpolate import Sampled
from calib.ground.block_places import Placed
from calib.ground.locate import Located
from calib.lattice import lattice
from calib.light.curve import film_curve
from calib.light.functions import DEFAULT_MODEL, to_standard
from calib.quality import DROPOUT, HIGH_DENSITY, NIGHT, OUTSIDE, SEAM
from calib.run.rasters import map as map_raster
from calib.run.rasters.map_finish import MapBlock, finished
from calib.run.rasters.map_light import Light, light_at_nodes, light_of


def test_a_factor_that_is_not_smooth_is_looked_up_for_each_pixel() -> None:
    """Cells that a fold runs through are not interpolated; pixels outside stay out."""

    def place(row: np.ndarray, column: np.ndarray) -> np.ndarray:
        x, y = 0.01 * (column - 40.0), 0.01 * (row - 30.0)
        return np.stack([x, y, *(np.full(x.shape, 30.0) for _ in range(3))])

    at = slice(0, 64), slice(0, 96)
    nodes = lattice(place, np.full(5, 1e-9), 16, *at)
    row, column = np.mgrid[:64, :96].astype(float)
    x, y, *angles = place(row, column)
    quality = np.where(row < 4, OUTSIDE, 0).astype(np.uint16)
    table = SimpleNamespace(at=lambda film: 1.0 + np.abs(film.x_mm), held=lambda film: film)
    located = Located(FilmPoints(x, y), *angles, quality, np.zeros(x.shape, bool))
    seen = Placed(quality, nodes, False, located)
    found = light_of(table, DEFAULT_MODEL, None, seen, light_at_nodes(table, DEFAULT_MODEL, nodes), *at)  # type: ignore[arg-type]
    factor, ratio = (part[quality == 0] for part in found.pixels)
    np.testing.assert_allclose(factor, (1.0 + np.abs(x))[quality == 0], rtol=2e-4)
    np.testing.assert_allclose(ratio, to_standard(DEFAULT_MODEL, 30.0, 30.0, 30.0), rtol=1e-6)


def test_light_between_nodes_is_the_same_to_the_bit_beside_a_cell_that_is_looked_up() -> None:
    """A fold runs through the block, but not through the part of it that is made by itself."""

    def place(row: np.ndarray, column: np.ndarray) -> np.ndarray:
        x, y = 0.013 * (column - 40.0), 0.01 * (row - 30.0)
        return np.stack([x, y, *(20.0 + part * (x + y) for part in (1.0, 2.0, 3.0))])

    def made(columns: slice) -> MapBlock:
        rows, shape = slice(0, 64), (64, columns.stop - columns.start)
        x, y, *angles = place(*np.mgrid[rows, columns].astype(float))
        quality = np.zeros(shape, np.uint16)
        located = Located(FilmPoints(x, y), *angles, quality, np.zeros(shape, bool))
        nodes = lattice(place, np.full(5, 1e-9), 16, rows, columns)
        at_nodes, seen = light_at_nodes(table, DEFAULT_MODEL, nodes), Placed(quality, nodes, False, located)
        light = light_of(table, DEFAULT_MODEL, None, seen, at_nodes, rows, columns)  # type: ignore[arg-type]
        assert (light.pixels.size > 0) == (columns.start < 40)
        flat = (np.full(x.size, value, np.float32) for value in (2.0, 0.1))
        return finished(Sampled(*flat, quality.ravel()), light, quality, exact=True)

    table = SimpleNamespace(at=lambda film: 0.3 + np.abs(film.x_mm), held=lambda film: film)
    whole, part = made(slice(0, 96)), made(slice(48, 96))
    for name in ("reflectance", "sigma", "normal"):
        np.testing.assert_array_equal(getattr(whole, name)[:, 48:], getattr(part, name))


def block_of(light: Light, *, exact: bool) -> MapBlock:
    """A block of 40 x 70 pixels of exposure 2 known to 0.1, some of them off the map or beyond the film's curve."""
    shape, (row, column) = (40, 70), np.mgrid[:40, :70]
    seen = np.where(row == 3, OUTSIDE, np.where(row == 4, NIGHT, 0)).astype(np.uint16)
    bits = np.where(column == 5, HIGH_DENSITY, np.where(column == 6, SEAM, 0)).astype(np.uint16)
    exposure, noise = np.full(shape, 2.0, np.float32), np.full(shape, 0.1, np.float32)
    return finished(Sampled(exposure.ravel(), noise.ravel(), bits.ravel()), light, seen, exact=exact)


def test_the_last_pass_multiplies_by_light_between_nodes_and_joins_the_bits() -> None:
    """Nodes of a plane, three rows and five columns before the block; the same light given pixel by pixel."""
    at_row, at_column = np.mgrid[:64:16, :96:16].astype(float)
    plane = np.stack([1.0 + 0.01 * at_row + 0.001 * at_column, 2.0 - 0.01 * at_column])
    row, column = np.mgrid[3:43, 5:75].astype(float)
    pixels = np.stack([1.0 + 0.01 * row + 0.001 * column, 2.0 - 0.01 * column]).astype(np.float32)
    made = block_of(Light(plane, 16, (3, 5), np.zeros((2, 0, 0), np.float32)), exact=True)
    same = block_of(Light(np.zeros((2, 0, 0)), 1, (0, 0), pixels), exact=True)
    lost = np.zeros(row.shape, bool)
    lost[3], lost[:, 5] = True, True
    factor, ratio = np.where(lost, np.nan, pixels)
    for block in (made, same):
        np.testing.assert_allclose(block.reflectance, 2.0 * factor, rtol=1e-6)
        np.testing.assert_allclose(block.sigma, 0.1 * factor, rtol=1e-6)
        np.testing.assert_allclose(block.normal, 2.0 * factor * ratio, rtol=1e-6)
        assert (block.quality[3] == OUTSIDE).all()
        assert block.quality[4, 4:8].tolist() == [NIGHT, NIGHT | HIGH_DENSITY, NIGHT | SEAM, NIGHT]
        assert block.quality[0, 4:8].tolist() == [0, HIGH_DENSITY, SEAM, 0]


def test_the_last_pass_rounds_each_reflectance_by_its_own_sigma() -> None:
    """At the standard geometry sigma grows with the ratio, whatever its sign."""
    pixels = np.stack([np.full((40, 70), 0.123456), np.full((40, 70), 7.654321)]).astype(np.float32)
    light = Light(np.zeros((2, 0, 0)), 1, (0, 0), pixels)
    plain, kept = (block_of(light, exact=exact) for exact in (True, False))
    np.testing.assert_array_equal(kept.reflectance, rounded_by_sigma(plain.reflectance, plain.sigma))
    np.testing.assert_array_equal(kept.normal, rounded_by_sigma(plain.normal, plain.sigma * pixels[1]))
    assert (np.abs(kept.normal - plain.normal) > 0.01 * plain.sigma)[0, 0]


def test_a_strip_s_share_of_shadow_is_that_of_its_sound_samples_within_the_format(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Unexposed film beyond the format is no shadow, and what the tape lost is neither."""
    y_mm = np.linspace(-12.0, 12.0, 2400)
    curve = film_curve((-1.0, 1.0), (0.2, 2.2))
    density = np.where(np.arange(100) < 30, 0.21, 1.2) * np.ones((2400, 1))
    density[np.abs(y_mm) > 6.0] = 0.2
    quality = np.where(np.arange(100) < 50, 0, DROPOUT) * np.ones((2400, 1), np.uint16)

    def window(raster: object, tone: object, dropouts: object, first: int, stop: int) -> SimpleNamespace:
        part = slice(first, stop)
        return SimpleNamespace(density=density[part], sigma=np.full((stop - first, 100), 0.05), quality=quality[part])

    monkeypatch.setattr(map_raster, "density_window", window)
    source = SimpleNamespace(
        sweep=SimpleNamespace(y_line_mm=y_mm), raster=SimpleNamespace(n_lines=2400), tone=None, dropouts=None
    )
    assert map_raster._dark_share(curve, source, 5.5) == pytest.approx(0.6, abs=0.001)  # type: ignore[arg-type]
    flipped = film_curve((-1.0, 1.0), (2.2, 0.2))
    assert map_raster._dark_share(flipped, source, 5.5) == 0.0  # type: ignore[arg-type]
