"""Tie points found in a modern map of another Sun: the pointing is put right, and what cannot be found is refused."""

import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from calib_demo.modern_map import ModernMap, write_modern_map
from calib_demo.truth import Truth

from calib.camera.exterior import Pose, pose_of, quaternion_of, turned
from calib.coordinates import FilmPoints, GroundPoints
from calib.errors import CalibError, InputError, NotPossible
from calib.frame.read import read_frame
from calib.ground.sphere import ground_to_moon
from calib.ground.view import View, film_to_ground
from calib.run.fitting.fit import with_pointing
from calib.run.tie import job, search, whole, windows
from calib.run.tie.job import tie_frame
from calib.run.tie.modern_map import open_modern, sample, to_pixel
from calib.run.tie.words import facts_of

OTHER_SIDE = (137.2 - 55.0, -1.2)  # the frame's Sun stands in the east, this one in the west
PIXEL_M = 1.0333
NARROW = 3.5
OFF_KM = np.array([-0.14, -0.15, 0.12])  # sidewards
OFF_RAD = np.radians([0.03, -0.03, 0.02])
SIGMAS = "sigma_position_km = 0.15\nsigma_attitude_deg = 0.03\n"


def off_package(package: Path, folder: Path, sigmas: str = SIGMAS) -> Path:
    """A copy of the package whose stated pointing is a quarter of a kilometre and 0.05 degrees off."""
    shutil.copytree(package, folder)
    pose = pose_of(read_frame(package).pointing)
    position = ", ".join(f"{v:.6f}" for v in pose.position_km + OFF_KM)
    q = quaternion_of(turned(pose.rotation, OFF_RAD))
    turn = ", ".join(f"{k} = {v:.12f}" for k, v in zip("wxyz", q, strict=True))
    text = (folder / "frame.toml").read_text()
    text = re.sub(r"position_km = \[.*\]", f"position_km = [{position}]", text)
    text = re.sub(r"camera_to_moon = .*\n", f"camera_to_moon = {{ {turn} }}\n{sigmas}", text)
    (folder / "frame.toml").write_text(text)
    return folder


@pytest.fixture(scope="module")
def maps(calibrated, tmp_path_factory: pytest.TempPathFactory) -> Path:  # type: ignore[no-untyped-def]
    folder = tmp_path_factory.mktemp("maps")
    write_modern_map(calibrated.truth, ModernMap(OTHER_SIDE, PIXEL_M, margin=0.5), folder / "fine.tif")
    write_modern_map(calibrated.truth, ModernMap(OTHER_SIDE, 2.5 * PIXEL_M, margin=0.5), folder / "coarse.tif")
    return folder


@pytest.fixture
def ready_fits(calibrated, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    """Places and tone of the frame are fitted once for all tests; only the pointing differs."""
    fits = calibrated.result.fits

    def ready(frame, **_):  # type: ignore[no-untyped-def]
        return with_pointing(frame, fits.dropouts, fits.sweep, fits.tone)

    monkeypatch.setattr(job, "fit_frame", ready)


def map_errors_m(package: Path, pose: Pose, truth: Truth) -> np.ndarray:
    """How far from their true places a pose puts places over the format."""
    view = View(read_frame(package).camera, pose)
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-2.0, 2.0, 7), np.linspace(-2.0, 2.0, 7)))
    found = ground_to_moon(film_to_ground(view, FilmPoints(x, y)))
    lon, lat, _ = truth.ground_of_film(x, y)
    return 1000 * np.linalg.norm(found - ground_to_moon(GroundPoints(lon, lat, np.zeros_like(lon))), axis=-1)


@pytest.mark.usefixtures("ready_fits")
def test_a_frame_that_is_hundreds_of_pixels_off_is_put_right(calibrated, maps: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """Less than one pixel of map error is left; the file is what a run reads, and brings the same pointing."""
    package = off_package(calibrated.package, tmp_path / "frame")
    out = package / "tie.csv"
    result = tie_frame(package, maps / "fine.tif", out, search_km=None, overwrite=False)
    before = map_errors_m(package, pose_of(read_frame(package).pointing), calibrated.truth)
    after = map_errors_m(package, result.final.resection.pose, calibrated.truth)
    assert before.mean() > 150
    assert after.max() < 1.0 * PIXEL_M
    assert np.sqrt(np.mean(result.ground_m**2)) == pytest.approx(before.mean(), rel=0.02)
    with (package / "frame.toml").open("a") as file:
        file.write("\n" + "\n".join(result.lines) + "\n")
    frame = read_frame(package)
    assert frame.control is not None
    assert frame.control.ids == result.final.ties.ids
    assert len(frame.control.ids) >= 25
    fits = calibrated.result.fits
    again = with_pointing(frame, fits.dropouts, fits.sweep, fits.tone)
    assert again.resection is not None
    assert again.resection.rejected == ()
    np.testing.assert_allclose(
        np.diag(again.resection.covariance), np.diag(result.final.resection.covariance), rtol=0.02
    )
    # Another Sun moves all points alike, which no scatter shows: the pose was up to 18 sigmas off.
    mean_sigma_mm = np.sum(result.final.ties.sigma_mm**-2.0) ** -0.5
    assert 0 < result.final.shared_mm < mean_sigma_mm
    assert map_errors_m(package, again.pose, calibrated.truth) == pytest.approx(after, abs=0.02)
    page = (package / "tie.html").read_text()
    assert result.final.ties.ids[0] in page
    assert "://" not in page.replace("http://www.w3.org/", "")
    said, r = dict(facts_of(result)), result.final.resection
    assert said["pointing was off"].startswith(f"{np.sqrt(np.mean(result.ground_m**2)):.4g} m")
    per_axis = np.sqrt(np.mean(np.square([r.residual_x_mm[r.used], r.residual_y_mm[r.used]])))
    assert said["residuals after"].startswith(f"{1000 * per_axis:.3g} µm rms per axis")
    assert f"rms {1000 * per_axis:.3g} µm per axis" in page  # as the picture beside it has it


@pytest.mark.usefixtures("ready_fits")
def test_a_coarse_map_and_no_stated_sigmas(calibrated, maps: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """At a pixel two and a half times the frame's the points are as good in metres as they must be."""
    package = off_package(calibrated.package, tmp_path / "frame", sigmas="")
    result = tie_frame(package, maps / "coarse.tif", tmp_path / "tie.csv", search_km=0.6, overwrite=False)
    assert result.reach_m == 600.0
    assert map_errors_m(package, result.found.pose, calibrated.truth).max() < 1.0 * PIXEL_M
    assert result.lines[1] == 'points = "../tie.csv"'


@pytest.mark.usefixtures("ready_fits")
def test_a_narrow_frame_begins_with_windows_that_fit_across_it(  # type: ignore[no-untyped-def]
    calibrated, maps: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a frame is looked for goes by its longest side: across a strip no window of that level lies whole.

    It was refused then, and the map blamed for it.
    """
    monkeypatch.setattr(whole, "LONGEST_PX", 300)  # two levels are too coarse for windows in so small a frame
    package = off_package(calibrated.package, tmp_path / "frame")
    text = (package / "frame.toml").read_text()
    narrow = re.sub(
        r"format_mm = \[([\d.]+), ([\d.]+)\]", lambda m: f"format_mm = [{m[1]}, {float(m[2]) / NARROW}]", text
    )
    assert narrow != text
    (package / "frame.toml").write_text(narrow)
    result = tie_frame(package, maps / "fine.tif", tmp_path / "tie.csv", search_km=None, overwrite=False)
    assert result.found.whole.level >= 1
    assert len(result.final.ties.ids) >= 15  # 19 when this was written: a pose of six unknowns has more than it needs
    x, y = np.linspace(-2.0, 2.0, 9), np.zeros(9)
    found = ground_to_moon(
        film_to_ground(View(read_frame(package).camera, result.final.resection.pose), FilmPoints(x, y))
    )
    lon, lat, _ = calibrated.truth.ground_of_film(x, y)
    apart_m = 1000 * np.linalg.norm(found - ground_to_moon(GroundPoints(lon, lat, np.zeros_like(lon))), axis=-1)
    assert apart_m.max() < 1.0 * PIXEL_M


@pytest.mark.parametrize(
    ("sigma_mm", "kept", "tried", "said"),
    [
        ({4: 8e-3, 2: 2e-3, 0: 5e-4}, 0, [4, 2, 0], ""),
        ({4: 8e-3, 2: 2e-3, 1: None, 0: None}, 2, [4, 2, 0, 1], "too few"),
        ({4: 8e-3, 2: 2e-3, 1: 3e-3, 0: None}, 2, [4, 2, 0, 1], "9 windows match, which tell less"),
        ({4: 8e-3, 2: 2e-3, 1: 1e-3, 0: 4e-3}, 1, [4, 2, 0, 1, 0], "9 windows match, which tell less"),
        ({4: 8e-3, 2: 2e-3, 0: 2.2e-3}, 0, [4, 2, 0], ""),
    ],
)
def test_windows_get_finer_while_the_ties_know_more_with_it(
    sigma_mm: dict[int, float | None], kept: int, tried: list[int], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A map enlarged from a coarse picture shows nothing in its own pixels: a frame was refused for it, or left to the
    few windows that matched there, although coarser ones had told its place better."""
    levels, shares = [], []

    def matched_at(hunt, whole_found, pose, level: int, *, is_first: bool):  # type: ignore[no-untyped-def]
        levels.append(level)
        sigma = sigma_mm[level]
        if sigma is None:
            return NotPossible("too few windows match")
        ties = SimpleNamespace(ids=("t",) * 9, sigma_mm=np.full(9, sigma), shift=np.zeros((9, 2)))
        return search.Found(ties, SimpleNamespace(level=level), None, pose, 1.0, whole_found)  # type: ignore[arg-type]

    monkeypatch.setattr(search, "find_whole", lambda _: SimpleNamespace(level=4, pose=None))
    monkeypatch.setattr(search, "_round", matched_at)
    found = search.find_ties(None, lambda _, share: shares.append(share))  # type: ignore[arg-type]
    assert isinstance(found, search.Found)
    assert (found.windows.level, levels) == (kept, tried)
    assert said in found.no_finer
    assert bool(found.no_finer) == bool(said)
    assert shares[2:] == sorted(shares[2:])  # after the whole frame's 0 and 1
    assert shares[-1] == 1.0


def test_ties_that_scatter_beyond_their_sigmas_know_less() -> None:
    """By as much as their sigmas must be widened; where they scatter by less the sigmas stay."""
    ties = SimpleNamespace(sigma_mm=np.full(8, 2e-3))
    know = [search.Found(ties, None, None, None, scatter, None).information for scatter in (0.5, 1.0, 3.0)]  # type: ignore[arg-type]
    assert know == pytest.approx([2e6, 2e6, 2e6 / 9])


def test_it_is_said_where_coarser_pixels_were_matched_than_both_pictures_have() -> None:
    windows = SimpleNamespace(level=2, lattice=SimpleNamespace(pixel_m=lambda level: 1.5 * 2.0**level))
    frame, found = (
        SimpleNamespace(warnings=(), control=None),
        SimpleNamespace(no_finer="too few match", windows=windows),
    )
    (said,) = job._warnings(frame, found, SimpleNamespace(rejected=()))  # type: ignore[arg-type]
    assert "pixels of 6 m, although frame and map both have 1.5 m or finer: there, too few match" in said


@pytest.mark.parametrize(
    ("format_mm", "side"),
    [((27.0, 3.0), 72), ((60.0, 3.0), 84), ((6.0, 6.0), 72), ((20.0, 20.0), 96), ((3.0, 3.0), 36)],
)
def test_windows_of_a_narrow_frame_are_as_large_as_fill_it(
    format_mm: tuple[float, float], side: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A seventh of the shorter side of a frame nine times as long showed too little to be matched: a frame that had
    been found as a whole beyond all doubt was refused. Seven stand across one that is as wide as it is high,
    three at least across any."""
    monkeypatch.setattr(windows, "pixel_mm", lambda *_: 0.0119)
    monkeypatch.setattr(windows, "film_to_ground", lambda _, film: film)
    monkeypatch.setattr(windows, "ground_to_moon", lambda ground: ground.x_mm)
    monkeypatch.setattr(windows, "emission_deg", lambda moon, _: np.zeros_like(moon))
    monkeypatch.setattr(windows, "pixel_of", lambda *of: (of[-1].y_mm / 0.0119, of[-1].x_mm / 0.0119))
    view = SimpleNamespace(camera=SimpleNamespace(format_mm=format_mm), pose=SimpleNamespace(position_km=None))
    found, middles = windows.window_places(view, None, 0)  # type: ignore[arg-type]
    assert found == side
    assert len(middles) >= 25
    assert np.abs(middles).max(axis=0)[0] + side / 2 < format_mm[1] / 2 / 0.0119


@pytest.mark.usefixtures("ready_fits")
def test_a_map_of_other_ground_is_refused_and_nothing_is_written(calibrated, maps: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """The right place, the wrong picture: turned by a right angle it shows no ground of this frame."""
    package = off_package(calibrated.package, tmp_path / "frame")
    with rasterio.open(maps / "fine.tif") as file:
        profile, values = file.profile, np.rot90(file.read(1))
    with rasterio.open(
        tmp_path / "other.tif", "w", **{**profile, "height": values.shape[0], "width": values.shape[1]}
    ) as file:
        file.write(values, 1)
    with pytest.raises(
        CalibError, match=r"no tie points in other\.tif: no place fits clearly better .* nothing was written"
    ):
        tie_frame(package, tmp_path / "other.tif", tmp_path / "tie.csv", search_km=None, overwrite=False)
    assert not list(tmp_path.glob("*tie*"))


@pytest.mark.usefixtures("ready_fits")
def test_a_map_without_texture_is_refused_by_its_name(calibrated, maps: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    package = off_package(calibrated.package, tmp_path / "frame")
    with rasterio.open(maps / "fine.tif") as file:
        profile, shape = file.profile, file.shape
    with rasterio.open(tmp_path / "flat.tif", "w", **profile) as file:
        file.write((0.1 + 0.001 * np.random.default_rng(4).normal(size=shape)).astype(np.float32), 1)
    with pytest.raises(CalibError, match="the map shows no texture beyond its noise"):
        tie_frame(package, tmp_path / "flat.tif", tmp_path / "tie.csv", search_km=None, overwrite=False)


@pytest.mark.usefixtures("ready_fits")
def test_a_frame_without_texture_is_refused_by_its_name(  # type: ignore[no-untyped-def]
    calibrated, maps: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A film that shows nothing but its own grain."""
    package = off_package(calibrated.package, tmp_path / "frame")

    def grain(maker, box, part) -> np.ndarray:  # type: ignore[no-untyped-def]
        return 0.1 + 0.01 * np.random.default_rng(6).normal(size=(part.rows, part.columns))

    monkeypatch.setattr(whole, "frame_picture", grain)
    with pytest.raises(CalibError, match="the frame shows no texture beyond its noise"):
        tie_frame(package, maps / "coarse.tif", tmp_path / "tie.csv", search_km=None, overwrite=False)


def write(path: Path, crs: str | None, transform: Affine, bands: int = 1) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", width=40, height=30, count=bands, dtype="uint8", crs=crs, transform=transform
    ) as file:
        file.write(np.ones((bands, 30, 40), np.uint8))
    return path


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize(
    ("crs", "bands", "said"),
    [
        (None, 1, "--map: found a raster without a reference system"),
        ("EPSG:32633", 1, "--map: found a body of radii 6378137 m"),
        ("IAU_2015:49910", 1, "--map: found a body of radii 3396190 m"),
        ("IAU_2015:30110", 3, "--map: found 3 bands"),
        ("IAU_2015:30110", 1, "--map: found a map with none of the ground within .* km"),
    ],
)
def test_what_is_wrong_with_a_map_is_said_before_anything_is_fitted(  # type: ignore[no-untyped-def]
    calibrated, tmp_path: Path, crs: str | None, bands: int, said: str
) -> None:
    path = write(tmp_path / "map.tif", crs, Affine(100, 0, 5000, 0, -100, 9000), bands)
    with pytest.raises(InputError, match=said):
        tie_frame(calibrated.package, path, tmp_path / "tie.csv", search_km=None, overwrite=False)


def test_a_file_that_is_no_raster_and_a_place_that_cannot_be_written(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "map.tif").write_text("no picture")
    with pytest.raises(InputError, match="cannot be read as a raster"):
        tie_frame(calibrated.package, tmp_path / "map.tif", tmp_path / "tie.csv", search_km=None, overwrite=False)
    good = write(tmp_path / "good.tif", "IAU_2015:30110", Affine(100, 0, 5000, 0, -100, 9000))
    with pytest.raises(InputError, match="--out: found a file in a folder that is not there"):
        tie_frame(calibrated.package, good, tmp_path / "no" / "tie.csv", search_km=None, overwrite=False)
    (tmp_path / "tie.csv").write_text("by hand")
    with pytest.raises(InputError, match="--out: found a file that is there already"):
        tie_frame(calibrated.package, good, tmp_path / "tie.csv", search_km=None, overwrite=False)


@pytest.mark.parametrize("crs", ["IAU_2015:30110", "IAU_2015:30100", "+proj=stere +lat_0=90 +R=1737400 +units=m"])
def test_a_map_is_read_where_its_pixels_lie(tmp_path: Path, crs: str) -> None:
    """Pixel values that tell their own longitude: read back at any places, fine and averaged, in metres and degrees."""
    lon0, lat0 = 137.0, -11.0
    target = rasterio.crs.CRS.from_user_input(crs)
    scale = 1.0 if target.is_projected else 1 / 30323.35
    from_lon_lat = pyproj.Transformer.from_crs(pyproj.CRS(crs).geodetic_crs, crs, always_xy=True)
    x0, y0 = from_lon_lat.transform(lon0, lat0)
    step = 50.0 * scale
    transform = Affine(step, 0, x0 - 100 * step, 0, -step, y0 + 100 * step)
    column, row = np.meshgrid(np.arange(200) + 0.5, np.arange(200) + 0.5)
    lon, _ = from_lon_lat.transform(*(transform @ (column, row)), direction="INVERSE")
    with rasterio.open(
        tmp_path / "map.tif", "w", driver="GTiff", width=200, height=200, count=1, dtype="float64", crs=target,
        transform=transform,
    ) as file:  # fmt: skip
        file.write(np.asarray(lon), 1)
    modern = open_modern(tmp_path / "map.tif")
    asked = GroundPoints(lon0 + np.linspace(-0.03, 0.03, 9), lat0 + np.linspace(0.02, -0.02, 9), np.zeros(9))
    pixel = to_pixel(modern, asked)
    for wide in ((1.0, 1.0), (2.6, 1.3)):
        assert sample(modern, *pixel, wide) == pytest.approx(asked.lon_deg, abs=2e-6)
    assert np.isnan(sample(modern, np.array([-3.0, 205.0]), np.array([5.0, 5.0]), (1.0, 1.0))).all()


def test_overviews_of_a_map_do_not_move_it(tmp_path: Path) -> None:
    """Overviews made by taking every other pixel lie half a pixel aside; they are not looked at."""
    values = np.random.default_rng(2).normal(1.0, 0.1, (120, 160)).astype(np.float32)
    for name in ("plain.tif", "tiled.tif"):
        with rasterio.open(
            tmp_path / name, "w", driver="GTiff", width=160, height=120, count=1, dtype="float32",
            crs="IAU_2015:30110", transform=Affine(100, 0, 5000, 0, -100, 9000),
        ) as file:  # fmt: skip
            file.write(values, 1)
    with rasterio.open(tmp_path / "tiled.tif", "r+") as file:
        file.build_overviews([2, 4], rasterio.enums.Resampling.nearest)
    row, column = np.mgrid[20:100:7, 20:140:7].astype(float)
    plain, tiled = (
        sample(open_modern(tmp_path / name), row, column, (2.0, 4.0)) for name in ("plain.tif", "tiled.tif")
    )
    assert np.array_equal(plain, tiled)
    middle = sample(open_modern(tmp_path / "tiled.tif"), np.array([20.5]), np.array([21.5]), (2.0, 4.0))
    assert middle == pytest.approx(values[20:22, 20:24].mean(), rel=1e-6)
