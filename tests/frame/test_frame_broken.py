"""Every mistake in a package gives one line with file, key, found and expected; all are reported at once."""

import os
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio import Affine

from calib.errors import CalibError, InputError
from calib.frame.read import read_frame

Write = Callable[..., Path]
A_LINE = r"[^\n]+: found [^\n]+, expected [^\n]+"
A_FILE = "or the relative path of a TOML file that holds its keys"


def wrong_keys() -> list[tuple[str, ...]]:
    """The rows of the table beside this file."""
    lines = (Path(__file__).parent / "wrong_keys.txt").read_text(encoding="utf-8").splitlines()
    rows = [line.replace("<nl>", "\n").split(" | ") for line in lines if not line.startswith("#")]
    return [tuple(row) for row in rows]


WRONG = wrong_keys()


def ids(cases: list[tuple[str, ...]]) -> list[str]:
    return [f"{n}-{re.sub(r'[^a-z0-9_.]+', '-', case[-3])}" for n, case in enumerate(cases)]


def refused(path: Path) -> InputError:
    """The error of reading the package, nothing of the libraries' own words in it, nothing written.

    Whatever is said, each line names file, key, what was found and what was expected.
    """
    before = sorted(path.parent.rglob("*")) if path.parent.exists() else []
    with pytest.raises(InputError, match=rf"\A{A_LINE}(\n{A_LINE})*\Z") as caught:
        read_frame(path)
    assert not re.search(r"Input should|pydantic|validat|Errno|Traceback", str(caught.value))
    assert before == (sorted(path.parent.rglob("*")) if path.parent.exists() else [])
    return caught.value


def assert_says(error: InputError, file: Path, key: str, found: str, expected: str) -> None:
    assert (error.file, error.key) == (str(file), key), str(error)
    assert str(error).startswith(f"{file}: {key}: found {found}" if key else f"{file}: found {found}"), str(error)
    assert expected in str(error).split(", expected ", 1)[1], str(error)


@pytest.mark.parametrize(("old", "new", "key", "found", "expected"), WRONG, ids=ids(WRONG))
def test_a_wrong_key(package: Write, old: str, new: str, key: str, found: str, expected: str) -> None:
    path = package((old, new))
    error = refused(path)
    assert_says(error, path, key, found, expected)
    assert "\n" not in str(error) or found == "an unknown key"  # a misspelt key is missing too


TABLES_BY_PATH = [
    ("", "f_number", "camera.focal_length_mm", "nothing", "a number above 0"),
    ("f_number = 5.6", "f_number = 'f/5.6'", "camera.f_number", '"f/5.6"', "a number above 0"),
    ("f_number = 5.6", "f_number = 5.6\niso = 3", "camera.iso", "an unknown key", "one of focal_length_mm"),
    ("f_number = 5.6", "f_number = 5.6\n[camera]", "camera.camera", "an unknown key", "one of focal_length_mm"),
    ("distortion = {}", "distortion = { k1 = [] }", "camera.distortion.k1", "[]", "a number (mm^-2)"),
    ("distortion = {}", "distortion = 'k.toml'", "camera.distortion", '"k.toml", which is not there', "a table, or"),
    ("distortion = {}", "distortion = '../../x'", "camera.distortion", '"../../x", which leads out of', "the parent"),
]  # fmt: skip
LENS = """\
focal_length_mm = 450.0
principal_point_mm = [0, 0]
distortion = {}
format_mm = [9, 7]
f_number = 5.6
transmittance = 1
"""


@pytest.mark.parametrize(("old", "new", "key", "found", "expected"), TABLES_BY_PATH, ids=ids(TABLES_BY_PATH))
def test_a_wrong_key_in_a_table_by_path_names_that_file(
    package: Write, old: str, new: str, key: str, found: str, expected: str
) -> None:
    path = package_with_lens(package, LENS.replace(old, new, 1) if old else "f_number = 5.6\n")
    assert_says(refused(path), path.parent / "../lens.toml", key, found, expected)


def package_with_lens(package: Write, lens: str) -> Path:
    """The package with its camera in a file beside its folder."""
    path = package()
    text = path.read_text()
    camera = text[text.index("[camera]") : text.index("[film]")]
    path.write_text(text.replace(camera, "").replace("layout = 1", 'layout = 1\ncamera = "../lens.toml"'))
    (path.parents[1] / "lens.toml").write_text(lens)
    return path


def test_the_valid_lens_by_path_is_read(package: Write) -> None:
    """So the broken ones above fail for the intended reason."""
    assert read_frame(package_with_lens(package, LENS)).camera.transmittance == 1.0


NOT_TABLES = [
    ("3", "3", "a table with the keys of the camera"),
    ("[1, 2, 3, 4, 5, 6]", "[1, 2, 3, 4, ... 6 in all]", "a table with the keys of the camera"),
    ("'lens.toml'", '"lens.toml", which is not there', "a table"),
    ("'strips'", '"strips", which is a folder', "a table"),
    ("''", '""', "a table"),
    ("'/etc/hostname'", 'the absolute path "/etc/hostname"', "a table"),
    (r"'C:\lens.toml'", r'the absolute path "C:\lens.toml"', "a table"),
    (r'"a\u0000b"', r'"a\x00b"', "a table"),
]


@pytest.mark.parametrize(("value", "found", "expected"), NOT_TABLES, ids=[value for value, _, _ in NOT_TABLES])
def test_a_table_that_is_neither_given_nor_named(package: Write, value: str, found: str, expected: str) -> None:
    path = package()
    text = path.read_text()
    camera = text[text.index("[camera]") : text.index("[film]")]
    path.write_text(text.replace(camera, "").replace("layout = 1", f"layout = 1\ncamera = {value}"))
    error = refused(path)
    assert_says(error, path, "camera", found, expected)
    assert A_FILE in str(error)


UNREADABLE = [
    (b"layout = 1\nname = \n", "line 2", '"name ="', "TOML (Invalid value)"),
    (b"layout = 1\nlayout = 2\n", "line 2", '"layout = 2"', "TOML (Cannot overwrite a value)"),
    (b"name = 'a\x1b[31m", "line 1", r"\"name = 'a\x1b[31m\"".replace('\\"', '"'), "TOML"),
    (b"t = 1971-06-02T25:00:00Z", "line 1", '"t = 1971-06-02T25:00:00Z"', "TOML"),
    (b"name = '\xff'", "", "a byte that is not UTF-8 at offset 8", "TOML in UTF-8"),
    (b"\x00\x01\x02", "line 1", r'"\x00\x01\x02"', "TOML"),
    (b"a = " + b"[" * 5000, "", "arrays or tables nested too deep to read", "TOML"),
    (b"a = " + b"9" * 5000, "", "a value that cannot be read", "TOML"),
    (b"a = 0x" + b"f" * 5000, "a", "an unknown key", "one of layout"),
    (b"layout = 0x" + b"f" * 5000, "layout", "a whole number of more than 20 digits", "1"),
    (b"#" * (16 * 2**20 + 1), "", "more than 16 MiB", "TOML in UTF-8"),
    (b"", "layout", "nothing", "1"),
]


@pytest.mark.parametrize(("content", "key", "found", "expected"), UNREADABLE, ids=range(len(UNREADABLE)))
def test_a_description_that_is_not_toml(package: Write, content: bytes, key: str, found: str, expected: str) -> None:
    path = package()
    path.write_bytes(content)
    assert_says(refused(path), path, key, found, expected)


def test_a_description_that_is_not_there(tmp_path: Path) -> None:
    assert_says(
        refused(tmp_path / "none.toml"), tmp_path / "none.toml", "", "nothing", "a frame description, frame.toml"
    )
    assert_says(refused(tmp_path), tmp_path / "frame.toml", "", "nothing", "or the folder that holds it")


def test_a_pipe_is_no_description(tmp_path: Path) -> None:
    """Opening it would wait for ever."""
    os.mkfifo(tmp_path / "frame.toml")
    assert_says(refused(tmp_path / "frame.toml"), tmp_path / "frame.toml", "", "nothing", "a frame description")


MARKS = [
    ("", "line 1", "nothing", "the columns id, x_mm, y_mm"),
    ("\n\n", "line 1", "nothing", "the columns id, x_mm, y_mm"),
    ("id,x_mm,y_mm\n", "line 2", "nothing", "one point or more"),
    ("id,x_mm\nA,1\n", "line 1", "no column y_mm", "the columns id, x_mm, y_mm"),
    ("id,x_mm,y_mm,z\nA,1,2,3\n", "line 1", 'the unknown column "z"', "the columns id, x_mm, y_mm"),
    ("id,x_mm,x_mm,y_mm\nA,1,1,2\n", "line 1", "the column x_mm twice", "the columns id, x_mm, y_mm"),
    ("id;x_mm;y_mm\nA;1;2\n", "line 1", 'the unknown column "id;x_mm;y_mm"', "y_mm, with commas between them"),
    ("A,1,2\n", "line 1", 'the unknown column "A"', "the columns id, x_mm, y_mm"),
    ("id,x_mm,y_mm\nA,1,2\nB,1\n", "line 3", "2 cells", "3, the columns id, x_mm, y_mm"),
    ("id,x_mm,y_mm\nA,1,2\n\nB,1,2,3\n", "line 4", "4 cells", "3, the columns id, x_mm, y_mm"),
    ("id,x_mm,y_mm\nA,1,2\nB,one,2\n", "line 3, x_mm", '"one"', "a number from -10000 to 10000"),
    ("id,x_mm,y_mm\nA,1,\n", "line 2, y_mm", '""', "a number"),
    ("id,x_mm,y_mm\nA,1,nan\n", "line 2, y_mm", '"nan"', "a number"),
    ("id,x_mm,y_mm\nA,1e999,2\n", "line 2, x_mm", '"1e999"', "a number"),
    ("id,x_mm,y_mm\nA,1_0,2\n", "line 2, x_mm", '"1_0"', "a number"),
    ("id,x_mm,y_mm\nA,\u0661,2\n", "line 2, x_mm", '"\u0661"', "a number"),
    ("id,x_mm,y_mm\n,1,2\n", "line 2, id", '""', "a printable name"),
    ("id,x_mm,y_mm\nA,1,2\nB,1,2\nA,3,4\n", "line 4, id", '"A", as in line 2', "a name of its own"),
    ('id,x_mm,y_mm\nA,1,"2\n', "line 2", "quotes or a cell that cannot be read", "CSV"),
]


@pytest.mark.parametrize(("table", "key", "found", "expected"), MARKS, ids=range(len(MARKS)))
def test_a_broken_table_of_marks(package: Write, table: str, key: str, found: str, expected: str) -> None:
    path = package(files={"reseau.csv": table})
    assert_says(refused(path), path.parent / "reseau.csv", key, found, expected)


CONTROL = [
    ("c1,20,3,0,1,2,0\n", "line 2, sigma_mm", '"0"', "a number above 0 to 100"),
    ("c1,20,93,0,1,2,0.1\n", "line 2, lat_deg", '"93"', "a number from -90 to 90"),
    ("c1,E20,3,0,1,2,0.1\n", "line 2, lon_deg", '"E20"', "a number from -360 to 360"),
]


@pytest.mark.parametrize(("row", "key", "found", "expected"), CONTROL, ids=range(len(CONTROL)))
def test_a_broken_table_of_control_points(package: Write, row: str, key: str, found: str, expected: str) -> None:
    path = package(files={"control.csv": "id,lon_deg,lat_deg,height_m,x_mm,y_mm,sigma_mm\n" + row})
    assert_says(refused(path), path.parent / "control.csv", key, found, expected)


def test_control_points_in_pixels(package: Write) -> None:
    table = "id,lon_deg,lat_deg,height_m,x_mm,y_mm,sigma_mm\nc1,20,3,0,120,1400,0.5\n"
    path = package(files={"control.csv": table})
    assert_says(
        refused(path), path, "control.points", "points at x 120 to 120 mm, y 1400 to 1400", "one or more on the film"
    )


def test_bytes_that_are_no_table_of_marks(package: Write) -> None:
    path = package()
    (path.parent / "reseau.csv").write_bytes(b"id,x_mm,y_mm\nA\xe9,1,2\n")
    assert_says(refused(path), path.parent / "reseau.csv", "", "a byte that is not UTF-8 at offset 14", "CSV in UTF-8")


OUTSIDE = [
    ('"reseau.csv"', '"../../out/{}"', "film.reseau.marks"),
    ('"reseau.csv"', '"{absolute}"', "film.reseau.marks"),
    ('"reseau.csv"', '"link/{}"', "film.reseau.marks"),
    ('"control.csv"', '"../../out/{}"', "control.points"),
    ('"strips/*.tif"', '"../../out/*.tif"', "scan.strips"),
    ('"strips/*.tif"', '"{absolute}"', "scan.strips"),
    ('"strips/*.tif"', '"link/*.tif"', "scan.strips"),
    ('"strips/*.tif"', '"*/*.tif"', "scan.strips"),
    ('"strips/*.tif"', '"strips/../l*/*.tif"', "scan.strips"),
    ('points = "control.csv"', 'points = "control.csv"\n[terrain]\ndem = "../../out/{}"', "terrain.dem"),
    ('points = "control.csv"', 'points = "control.csv"\n[terrain]\ndem = "link/{}"', "terrain.dem"),
]


@pytest.mark.parametrize(("old", "new", "key"), OUTSIDE, ids=range(len(OUTSIDE)))
def test_no_path_leaves_the_parent_of_the_folder(package: Write, tmp_path: Path, old: str, new: str, key: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    name = {"film.reseau.marks": "reseau.csv", "control.points": "control.csv"}.get(key, "x.tif")
    path = package((old, new.format(name, absolute=out / name)))
    (path.parent / "link").symlink_to(out)
    for copied in ("reseau.csv", "control.csv"):
        (out / copied).write_bytes((path.parent / copied).read_bytes())
    tifffile.imwrite(out / "x.tif", np.zeros((200, 36), np.uint16))
    error = refused(path)
    assert (error.file, error.key) == (str(path), key)
    assert "inside the parent of the frame's folder" in error.expected


def raster(path: Path, *, crs: str | None, transform: Affine | None) -> None:
    profile = {"driver": "GTiff", "width": 4, "height": 3, "count": 1, "dtype": "float32", "crs": crs}
    if transform is not None:
        profile["transform"] = transform
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.write(np.zeros((1, 3, 4), np.float32))


PLACED = Affine(0.1, 0, 20, 0, -0.1, 4)
DEMS = [
    ("IAU_2015:30100", Affine(1, 0, 0, 0, 1, 0), "a raster without georeference", "a georeferenced raster"),
    (None, PLACED, "a raster without georeference", "a georeferenced raster"),
    ("+proj=longlat +R=1738000 +no_defs", PLACED, "an ellipsoid of 1738000 m by 1738000 m", "of 1737400 m"),
    ("EPSG:4326", PLACED, "an ellipsoid of 6378137 m by 6356752 m", "a raster on the Moon's sphere of 1737400 m"),
]


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize(("crs", "transform", "found", "expected"), DEMS, ids=range(len(DEMS)))
def test_a_terrain_model_without_a_place_on_the_moon(
    package: Write, crs: str | None, transform: Affine, found: str, expected: str
) -> None:
    path = package(("[control]", '[terrain]\ndem = "dem.tif"\n\n[control]'))
    raster(path.parent / "dem.tif", crs=crs, transform=transform)
    assert_says(refused(path), path.parent / "dem.tif", "terrain.dem", found, expected)


def test_a_terrain_model_that_is_no_raster(package: Write) -> None:
    path = package(("[control]", '[terrain]\ndem = "reseau.csv"\n\n[control]'))
    found = "a file that cannot be read as a raster"
    assert_says(refused(path), path.parent / "reseau.csv", "terrain.dem", found, "a georeferenced raster")


def test_a_terrain_model_made_of_files_elsewhere(package: Write, tmp_path: Path) -> None:
    path = package(("[control]", '[terrain]\ndem = "dem.vrt"\n\n[control]'))
    raster(tmp_path / "dem.tif", crs="IAU_2015:30100", transform=PLACED)
    (path.parent / "dem.vrt").write_text(
        '<VRTDataset rasterXSize="4" rasterYSize="3"><SRS>IAU_2015:30100</SRS>'
        "<GeoTransform>20, 0.1, 0, 4, 0, -0.1</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        f'<SourceFilename relativeToVRT="0">{tmp_path / "dem.tif"}</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    error = refused(path)
    assert_says(error, path.parent / "dem.vrt", "terrain.dem", "a raster that takes its data from", "inside the parent")


def test_the_unknown_key_is_named_before_the_missing_one(package: Write) -> None:
    """A misspelt key is both; the line must show the misspelling."""
    path = package(("focal_length_mm", "focal_lenght_mm"))
    assert_says(
        refused(path), path, "camera.focal_lenght_mm", "an unknown key", "one of focal_length_mm, principal_point_mm"
    )


def test_all_mistakes_of_a_description_are_reported_at_once_with_their_files(package: Write) -> None:
    path = package_with_lens(package, LENS.replace("f_number = 5.6", "f_number = 0\niso = 3"))
    text = path.read_text().replace("shutter_s = 0.02\n", "").replace('quantity = "density"', 'quantity = "dn"')
    path.write_text(text + "\n[terrain]\ndem = 4\n")
    with pytest.raises(InputError) as caught:
        read_frame(path)
    said = [line.split(", expected ")[0] for line in str(caught.value).splitlines()]
    assert said == [
        f"{path.parent}/../lens.toml: camera.iso: found an unknown key",
        f"{path}: exposure.shutter_s: found nothing",
        f"{path.parent}/../lens.toml: camera.f_number: found 0",
        f'{path}: film.wedge.quantity: found "dn"',
        f"{path}: terrain.dem: found 4",
    ]
    assert (caught.value.file, caught.value.key) == (f"{path.parent}/../lens.toml", "camera.iso")


def test_a_table_with_a_missing_file_hides_no_other_mistake(package: Write) -> None:
    path = package_with_lens(package, LENS)
    path.write_text(path.read_text().replace("lens.toml", "lost.toml").replace("shutter_s = 0.02", "shutter_s = -1"))
    with pytest.raises(InputError) as caught:
        read_frame(path)
    lost, shutter = sorted(str(caught.value).splitlines())
    assert 'camera: found "../lost.toml", which is not there' in lost
    assert "exposure.shutter_s: found -1" in shutter


def test_all_mistakes_in_referenced_files_are_reported_at_once(package: Write) -> None:
    path = package(("reseau.csv", "lost.csv"), ("strips/*.tif", "lost/*.tif"), ("IAU_2015:30110", "nowhere"))
    path.write_text(path.read_text() + '\n[terrain]\ndem = "lost.tif"\n')
    with pytest.raises(InputError) as caught:
        read_frame(path)
    keys = [line.removeprefix(f"{path}: ").split(":")[0] for line in str(caught.value).splitlines()]
    assert keys == ["map.crs", "film.reseau.marks", "terrain.dem", "scan.strips"]


def test_each_unreadable_strip_is_reported(package: Write) -> None:
    path = package()
    broken = sorted((path.parent / "strips").iterdir())[:2]
    for strip in broken:
        strip.write_bytes(b"no picture")
    said = str(refused(path)).splitlines()
    assert [line.split(": ")[:2] for line in said] == [[str(strip), "scan.strips"] for strip in broken]


def test_marks_and_patches_off_the_film_are_both_reported_if_the_scan_is_on_the_format(package: Write) -> None:
    path = package()
    table = path.parent / "reseau.csv"
    head, *rows = table.read_text().splitlines()
    far = [",".join([name, str(float(x) + 500.0), y]) for name, x, y in (row.split(",") for row in rows)]
    table.write_text("\n".join([head, *far]) + "\n")
    text = path.read_text()
    path.write_text(re.sub(r"y_mm = \[(-?[0-9.]+), (-?[0-9.]+)\]", r"y_mm = [\g<1>e2, \g<2>e2]", text))
    keys = [line.removeprefix(f"{path}: ").split(":")[0] for line in str(refused(path)).splitlines()]
    assert keys == ["film.wedge.patches", "film.reseau.marks"]


def test_mistakes_beyond_twenty_are_counted(package: Write) -> None:
    path = package()
    text = path.read_text()
    path.write_text(text.replace("log_exposure = [-1.5", f"log_exposure = [{', '.join(['true'] * 33)}, -1.5"))
    with pytest.raises(InputError) as caught:
        read_frame(path)
    lines = str(caught.value).splitlines()
    assert len(lines) == 21
    assert lines[-1] == f"{path}: and 13 more mistakes"


def test_a_key_that_must_be_quoted_stays_in_one_line(package: Write) -> None:
    path = package(("layout = 1", 'layout = 1\n"a\\nb\\u001b" = 1'))
    assert_says(refused(path), path, r'"a\nb\x1b"', "an unknown key", "one of layout")


GIVE_OR_REFUSE = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


@GIVE_OR_REFUSE
@given(
    garbage=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace")))
)
def test_garbage_is_never_more_than_a_mistake(tmp_path: Path, garbage: bytes) -> None:
    (tmp_path / "frame.toml").write_bytes(garbage)
    with pytest.raises(CalibError, match=rf"\A{A_LINE}(\n{A_LINE})*\Z"):
        read_frame(tmp_path / "frame.toml")


ANY_VALUE = st.sampled_from(
    [
        '""',
        '"x"',
        "0",
        "-1",
        "1e308",
        "-1e-308",
        "nan",
        "true",
        "[]",
        "[[]]",
        "{}",
        "{ a = 1 }",
        "1971-06-02",
        "12:00:00",
    ]
)


@GIVE_OR_REFUSE
@given(data=st.data())
def test_any_value_at_any_key_is_read_or_refused(package: Write, tmp_path: Path, data: st.DataObject) -> None:
    """No value of a type or size that TOML can write makes the reader fail in another way."""
    path = tmp_path / "night" / "0143" / "frame.toml"
    if not path.exists():
        package()
        path.with_name("valid.toml").write_text(path.read_text())
    lines = path.with_name("valid.toml").read_text().splitlines()
    keyed = [number for number, line in enumerate(lines) if " = " in line and not line.startswith(("patches", "  "))]
    number = data.draw(st.sampled_from(keyed))
    lines[number] = f"{lines[number].split(' = ')[0]} = {data.draw(ANY_VALUE)}"
    path.write_text("\n".join(lines))
    assert all(re.fullmatch(A_LINE, line) for line in said_of(path).splitlines())


def said_of(path: Path) -> str:
    """The report of the package's mistakes; empty if there are none."""
    try:
        read_frame(path)
    except CalibError as error:
        return str(error)
    return ""
