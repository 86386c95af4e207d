"""Frames that are damaged and yet no mistake: what can be done is done, what cannot is said, and what is left is right.

Every test spoils a copy of one small frame in one way and fits it. The truth of the frame says whether the strips that
were not touched are still good. Runs under `-W error`: a numerical warning that reaches a user fails too.
"""

import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import tifffile
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.camera.adjustment import Control
from calib.camera.exterior import pose_of
from calib.camera.resection import resect
from calib.cli.main import main
from calib.coordinates import FilmPoints, GroundPoints, ScanPoints
from calib.errors import InputError, NotPossible
from calib.frame.read import read_frame
from calib.ground.sphere import ground_to_moon
from calib.run.fitting.fit import FrameFits, fit_frame
from calib.sweep.model import to_film
from calib.tone.apply import density_window

GREY = 30_000
PICTURE = slice(220, 600)  # lines well below the wedge
Dn = NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Package:
    """The undamaged frame, and what only its maker knows."""

    folder: Path
    truth: Truth


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Package:
    folder = tmp_path_factory.mktemp("damaged") / "frame"
    return Package(folder, make_frame(scenario("small"), folder))


def copy_of(whole: Package, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole.folder, tmp_path / "frame"))


def spoil(folder: Path, strip: int, how: Callable[[Dn], Dn]) -> None:
    path = folder / "strips" / f"{strip:03d}.tif"
    tifffile.imwrite(path, how(tifffile.imread(path)), metadata=None, photometric="minisblack")


def grey(dn: Dn) -> Dn:
    return np.full_like(dn, GREY)


def garbage(dn: Dn) -> Dn:
    return np.random.default_rng(1).integers(0, 65535, dn.shape).astype(np.uint16)


def without_lines(stop: int) -> Callable[[Dn], Dn]:
    def paint(dn: Dn) -> Dn:
        dn[:stop] = GREY
        return dn

    return paint


def every_other_line(dn: Dn) -> Dn:
    dn[::2] = 0
    return dn


def wedge_end(whole: Package) -> int:
    """A line between the wedge and the picture."""
    scan = whole.truth.scenario.scan
    last_mm = max(patch.y_mm[1] for patch in read_frame(whole.folder).film.wedge.patches)
    return round((last_mm - read_frame(whole.folder).scan.first_line_mm) / scan.line_mm) + 5


def density_error(fits: FrameFits, whole: Package, strip: int, lines: slice = PICTURE) -> float:
    """Median of the absolute error of density over lines of a strip: noise, and what was not taken out."""
    raster, lost = fits.frame.strips[strip], fits.dropouts[strip]
    window = density_window(raster, fits.tone.strips[strip], lost, lines.start, lines.stop)
    error = np.abs(window.density - whole.truth.clean_density(strip)[lines])
    return float(np.median(error[window.quality == 0]))


def noise_of(whole: Package, strip: int) -> float:
    """What `density_error` would be if nothing but the noise of the samples were left."""
    return 0.6745 * float(np.median(whole.truth.noise_sigma(strip)[PICTURE]))


def place_error_px(fits: FrameFits, whole: Package, strip: int) -> float:
    """Worst error of film place over the picture in a strip."""
    line, sample = np.meshgrid(np.arange(220.0, 600.0, 20), np.arange(0.0, 160.0, 10), indexing="ij")
    x, y = whole.truth.film_of(strip, line, sample)
    film = to_film(fits.sweep.sweeps[strip], ScanPoints(line, sample))
    scan = fits.frame.scan
    return float(np.hypot((film.x_mm - x) / scan.sample_mm, (film.y_mm - y) / scan.line_mm).max())


def said(fits: FrameFits, *words: str) -> bool:
    return any(all(word in warning for word in words) for warning in fits.warnings)


@pytest.mark.parametrize("kind", ["constant", "noise"])
def test_a_strip_without_a_picture_leaves_the_others_alone(whole: Package, tmp_path: Path, kind: str) -> None:
    folder = copy_of(whole, tmp_path)
    spoil(folder, 1, grey if kind == "constant" else garbage)
    fits = fit_frame(read_frame(folder))
    assert said(fits, "strip 1", "001.tif", "dropped out")
    assert fits.dropouts[1].n_lost > 0.99 * 700 * 160
    for strip in (0, 2, 3):
        assert density_error(fits, whole, strip) < 1.5 * noise_of(whole, strip)
        assert place_error_px(fits, whole, strip) < 2.0


def test_a_strip_of_which_every_other_line_is_lost_is_used(whole: Package, tmp_path: Path) -> None:
    """What is left of it is calibrated as well as if nothing were lost."""
    folder = copy_of(whole, tmp_path)
    spoil(folder, 1, every_other_line)
    fits = fit_frame(read_frame(folder))
    assert fits.dropouts[1].n_lost < 0.52 * 700 * 160
    assert not said(fits, "left out", "strip 1")
    for strip in range(4):
        assert density_error(fits, whole, strip) < 1.5 * noise_of(whole, strip)
        assert place_error_px(fits, whole, strip) < 2.0


def cut_off(path: Path) -> None:
    os.truncate(path, path.stat().st_size * 6 // 10)


def undecodable(path: Path, n_lines: int = 100, segment: int = 4) -> None:
    """Compress a strip in segments of lines, and overwrite the beginning of one."""
    tifffile.imwrite(path, tifffile.imread(path), compression="zlib", rowsperstrip=n_lines, metadata=None)
    with tifffile.TiffFile(path) as tiff:
        at = tiff.pages[0].dataoffsets[segment]
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"\xff" * 40)


@pytest.mark.parametrize(
    ("how", "says", "good"),
    [
        (cut_off, "strip 1 (001.tif): lines 419 to 699 of 700 left out: its file is cut off after ", slice(220, 400)),
        (undecodable, "strip 1 (001.tif): lines 400 to 499 of 700 left out: their data cannot be decoded", PICTURE),
        (lambda path: path.write_bytes(b""), "strip 1 (001.tif): left out: it is an empty file", None),
        (
            lambda path: tifffile.imwrite(path, tifffile.imread(path)[:, :150]),
            "strip 1 (001.tif): left out: its header is not that of the others: found 150 samples in a line, expected ",
            None,
        ),
    ],
    ids=["cut off", "undecodable", "empty", "of another width"],
)
def test_a_damaged_file_is_used_as_far_as_it_can_be_read(
    whole: Package, tmp_path: Path, how: Callable[[Path], None], says: str, good: slice | None
) -> None:
    """One line says so, and nothing else is said of what cannot be read."""
    folder = copy_of(whole, tmp_path)
    how(folder / "strips" / "001.tif")
    fits = fit_frame(read_frame(folder))
    told = [line for line in fits.warnings if "strip 1" in line]
    assert len(told) == 1 + ("in strip 1" in told[-1])  # marks among lines that are lost were not seen
    assert told[0].startswith(says)
    assert not said(fits, "dropped out", "strip 1")
    for strip in (0, 2, 3):
        assert density_error(fits, whole, strip) < 1.5 * noise_of(whole, strip)
        assert place_error_px(fits, whole, strip) < 2.0
    assert good is None or density_error(fits, whole, 1, good) < 1.5 * noise_of(whole, 1)


def test_a_frame_of_which_nothing_can_be_decoded_is_refused(whole: Package, tmp_path: Path) -> None:
    folder = copy_of(whole, tmp_path)
    for path in (folder / "strips").iterdir():
        undecodable(path, n_lines=1000, segment=0)
    with pytest.raises(InputError, match=r"000\.tif: scan\.strips: found data of which nothing can be decoded"):
        fit_frame(read_frame(folder))


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_painted_wedge_is_replaced_by_what_the_neighbours_know(whole: Package, tmp_path: Path, share: float) -> None:
    folder = copy_of(whole, tmp_path)
    stop = wedge_end(whole) if share == 1.0 else wedge_end(whole) - 5 - 4 * 16
    spoil(folder, 1, without_lines(stop))
    fits = fit_frame(read_frame(folder))
    assert said(fits, "strip 1 (001.tif)", "wedge", "borrowed")
    assert density_error(fits, whole, 1) < 3 * noise_of(whole, 1)
    for strip in (0, 2, 3):
        assert density_error(fits, whole, strip) < 1.5 * noise_of(whole, strip)


def test_a_strip_without_marks_is_placed_by_its_neighbours(whole: Package, tmp_path: Path) -> None:
    folder = copy_of(whole, tmp_path)
    marks = read_frame(folder).marks
    truth = whole.truth.strips[1]

    def paint(dn: Dn) -> Dn:
        for x, y in zip(marks.x_mm, marks.y_mm, strict=True):
            line = int(np.abs(truth.y_line_mm - y).argmin())
            sample = round((x - whole.truth.center_x_mm()[1]) / 0.0075 + 79.5)
            dn[max(line - 25, 0) : line + 26, max(sample - 25, 0) : max(sample + 26, 0)] = GREY
        return dn

    spoil(folder, 1, paint)
    fits = fit_frame(read_frame(folder))
    assert said(fits, "strip 1", "mark", "neighbours")
    assert density_error(fits, whole, 1) < 2 * noise_of(whole, 1)
    for strip in (0, 2, 3):
        assert place_error_px(fits, whole, strip) < 2.0


def test_a_single_strip_is_a_frame(whole: Package, tmp_path: Path) -> None:
    """Its right edge sees the wedge of a neighbour that is not in the package: that is no unexposed film."""
    folder = copy_of(whole, tmp_path)
    for strip in (1, 2, 3):
        (folder / "strips" / f"{strip:03d}.tif").unlink()
    fits = fit_frame(read_frame(folder))
    assert place_error_px(fits, whole, 0) < 2.0
    assert density_error(fits, whole, 0) < 1.5 * noise_of(whole, 0)


def test_strips_that_do_not_meet_are_placed_by_their_marks(whole: Package, tmp_path: Path) -> None:
    folder = copy_of(whole, tmp_path)
    for strip in range(4):
        spoil(folder, strip, lambda dn: np.ascontiguousarray(dn[:, 14:146]))
    fits = fit_frame(read_frame(folder))
    assert said(fits, "do not overlap")
    assert fits.sweep.figures["ties"] == 0
    assert np.isfinite(fits.tone.strips[1].column_density).all()


@pytest.mark.parametrize("damage", ["every wedge painted", "all saturated"])
def test_a_frame_that_lacks_one_kind_of_evidence_entirely_is_survived(
    whole: Package, tmp_path: Path, damage: str
) -> None:
    """Without a tone the overlaps are flat: they tie nothing, and that is no reason to stop."""
    folder = copy_of(whole, tmp_path)
    if damage == "every wedge painted":
        for strip in range(4):
            spoil(folder, strip, without_lines(wedge_end(whole)))
    else:
        description = folder / "frame.toml"
        text = description.read_text()
        assert "saturation = [0, 65535]" in text
        description.write_text(text.replace("saturation = [0, 65535]", "saturation = [0, 1]"))
    fits = fit_frame(read_frame(folder))
    assert said(fits, "wedge")


def test_one_known_mark_leaves_the_tone_as_good_as_many(whole: Package, tmp_path: Path) -> None:
    """Wedges are found within the scan's tolerance, and overlaps hold the strips together."""
    folder = copy_of(whole, tmp_path)
    marks = folder / "reseau.csv"
    marks.write_text("\n".join(marks.read_text().splitlines()[:2]) + "\n")
    fits = fit_frame(read_frame(folder))
    assert said(fits, "strip 0", "only 1 usable reseau mark")
    for strip in range(4):
        assert density_error(fits, whole, strip) < 1.5 * noise_of(whole, strip)


def test_strips_said_to_be_reversed_that_are_not_are_refused(whole: Package, tmp_path: Path) -> None:
    folder = copy_of(whole, tmp_path)
    description = folder / "frame.toml"
    description.write_text(description.read_text().replace('reversed = "none"', 'reversed = "odd"'))
    with pytest.raises(InputError, match=r'scan\.reversed: found "odd".*expected'):
        fit_frame(read_frame(folder))


def test_control_points_far_from_the_frame_do_not_move_the_camera(whole: Package, tmp_path: Path) -> None:
    """Six points, thousands of kilometres away, in no order: no pose is better than one that they make up."""
    folder = copy_of(whole, tmp_path)
    with (folder / "frame.toml").open("a") as file:
        file.write('\n[control]\npoints = "control.csv"\n')
    rows = [f"P{i},{10 + i},{40 + i * i},0,{0.3 * i - 1:.1f},{i * i % 3 * 0.4 - 0.6:.1f},0.01" for i in range(6)]
    header = "id,lon_deg,lat_deg,height_m,x_mm,y_mm,sigma_mm"
    (folder / "control.csv").write_text("\n".join([header, *rows]) + "\n")
    frame = read_frame(folder)
    assert frame.control is not None
    points = frame.control
    ground = ground_to_moon(GroundPoints(points.lon_deg, points.lat_deg, points.height_m / 1000))
    control = Control(points.ids, ground, FilmPoints(points.x_mm, points.y_mm), points.sigma_mm)
    found = resect(frame.camera, control, pose_of(frame.pointing))
    assert isinstance(found, NotPossible)


def test_an_output_folder_that_cannot_be_made_is_a_mistake(whole: Package, tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(sys, "argv", ["calib", "run", str(whole.folder), "--out", str(tmp_path / "file" / "products")])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2
    assert capsys.readouterr().err.strip().splitlines()[-1].startswith("calib: ")
