"""A valid package is read as written, in all forms that the contract allows."""

import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import rasterio
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from rasterio import Affine

from calib.frame.description import Exposure, FrameDescription
from calib.frame.pointing import PointingByPosition, PointingBySubPoint, Quaternion, unit
from calib.frame.read import read_frame
from calib.frame.summary import summary

Write = Callable[..., Path]
CAMERA = """\
focal_length_mm = 450.0
principal_point_mm = [0.012, -0.034]
distortion = { k1 = 1.0e-7, k2 = 0.0, k3 = 0.0, p1 = 0.0, p2 = 0.0 }
format_mm = [9.0, 7.0]
f_number = 5.6
transmittance = 0.78
falloff = [-1.2e-4, 0.0]
"""
POSITION = (
    "position_km = [1700.0, 600.0, 120.0]\ncamera_to_moon = { w = 0.5, x = -0.5, y = 0.5, z = -0.5 }\n",
    "sub_point_deg = [19.4, 3.8]\naltitude_km = 70.0\ntilt_deg = 12.0\ntilt_azimuth_deg = 200.0\nswing_deg = 180.0\n",
)


def between(text: str, first: str, after: str) -> str:
    """The part of a description from `first` up to `after`."""
    return text[text.index(first) : text.index(after)]


def test_every_key_of_the_description_is_read(package: Write) -> None:
    path = package()
    frame = read_frame(path)
    assert (frame.path, frame.name) == (path, "tern2-0143")
    assert frame.exposure.mid_time == datetime(1971, 6, 2, 11, 42, 7, 250000, tzinfo=UTC)
    assert frame.exposure.shutter_s == 0.02
    assert frame.camera.focal_length_mm == 450.0
    assert frame.camera.principal_point_mm == (0.012, -0.034)
    assert (frame.camera.distortion.k1, frame.camera.distortion.p2) == (1e-7, 0.0)
    assert frame.camera.format_mm == (9.0, 7.0)
    assert (frame.camera.f_number, frame.camera.transmittance) == (5.6, 0.78)
    assert frame.camera.falloff == (-1.2e-4, 0.0)
    assert frame.film.characteristic.log_exposure == (-1.5, -0.5, 0.5, 1.5)
    assert frame.film.characteristic.density == (0.2, 0.5, 1.4, 2.1)
    assert frame.film.granularity == 11.0
    assert (frame.film.wedge.quantity, frame.film.wedge.sigma) == ("density", 0.005)
    assert [patch.value for patch in frame.film.wedge.patches] == [0.3, 0.9, 1.5]
    assert (frame.film.wedge.patches[1].y_mm, frame.film.wedge.patches[1].across_mm) == ((-4.4, -4.0), (-1.5, 1.5))
    reseau = frame.film.reseau
    assert (reseau.shape, reseau.arm_mm, reseau.width_mm, reseau.density, reseau.sigma_mm) == (
        "cross",
        0.25,
        0.04,
        0.12,
        0.001,
    )
    scan = frame.scan
    assert (scan.pitch_mm, scan.first_center_mm, scan.first_line_mm) == (3.2, -3.2, -5.0)
    assert (scan.line_mm, scan.sample_mm, scan.tolerance_mm, scan.saturation) == (0.05, 0.1, 0.4, (0, 65535))
    assert isinstance(frame.pointing, PointingByPosition)
    assert frame.pointing.position_km == (1700.0, 600.0, 120.0)
    assert tuple(dict(frame.pointing.camera_to_moon).values()) == (0.5, -0.5, 0.5, -0.5)
    assert (frame.pointing.sigma_position_km, frame.pointing.sigma_attitude_deg) == (0.3, 0.05)
    assert frame.sun is not None
    assert (frame.sun.subsolar_deg, frame.sun.distance_au, frame.sun.illuminance_lx_1au) == (
        (12.5, -1.2),
        1.0149,
        133100.0,
    )
    assert (frame.map.crs, frame.map.pixel_m, frame.map.bounds) == ("IAU_2015:30110", 2.0, (0.0, -100.0, 200.0, 100.0))
    assert frame.dem is None
    assert frame.warnings == ()


def test_points_strips_and_inputs_are_read(package: Write) -> None:
    path = package()
    frame = read_frame(path)
    assert frame.marks.ids == ("A1", "A2", "A3", "B1")
    np.testing.assert_array_equal(frame.marks.x_mm, [-3, 0, 3, -3])
    assert frame.control is not None
    assert frame.control.ids == ("c1", "c2")
    np.testing.assert_array_equal(frame.control.height_m, [-120, 0])
    np.testing.assert_array_equal(frame.control.sigma_mm, [0.004, 0.004])
    assert not frame.marks.x_mm.flags.writeable
    assert [strip.index for strip in frame.strips] == [0, 1, 2]
    assert [strip.is_reversed for strip in frame.strips] == [False, True, False]
    assert [strip.n_lines for strip in frame.strips] == [200, 201, 202]
    assert {strip.n_samples for strip in frame.strips} == {36}
    names = ["frame.toml", "reseau.csv", "control.csv", "strips/000.tif", "strips/001.tif", "strips/002.tif"]
    assert frame.inputs == tuple(path.parent / name for name in names)


def test_a_folder_stands_for_its_frame_toml(package: Write) -> None:
    path = package()
    assert read_frame(str(path.parent)).path == path


def test_what_is_optional_may_be_left_out(package: Write) -> None:
    path = package()
    text = path.read_text()
    optional = (
        "distortion",
        "falloff",
        "granularity",
        "sigma",
        "density = 0.12",
        "saturation",
        "crs",
        "pixel_m",
        "bounds",
    )
    lines = [line for line in text.splitlines() if not line.startswith(optional)]
    path.write_text(between("\n".join(lines), "layout", "[sun]"))
    frame = read_frame(path)
    assert (frame.sun, frame.control, frame.dem, frame.scan.saturation) == (None, None, None, None)
    assert (frame.camera.falloff, frame.film.granularity, frame.film.wedge.sigma) == (None, None, None)
    assert (frame.camera.distortion.k1, frame.map.crs, frame.map.pixel_m, frame.map.bounds) == (0.0, None, None, None)
    assert (frame.film.reseau.density, frame.film.reseau.sigma_mm, frame.pointing.sigma_position_km) == (
        None,
        None,
        None,
    )


SLIT = ("[film]\ncharacteristic", '[camera.shutter_slit]\ntravel = "-y"\nspeed_mm_s = 600\n[film]\ncharacteristic')
MOTION = ("[sun]", "[pointing.motion]\nvelocity_km_s = [0, 1.6, 0]\n[sun]")


def test_a_shutter_slit_over_a_moving_camera(package: Write) -> None:
    frame = read_frame(package(SLIT, MOTION))
    assert frame.camera.shutter_slit is not None
    assert (frame.camera.shutter_slit.travel, frame.camera.shutter_slit.speed_mm_s) == ("-y", 600.0)
    assert frame.pointing.motion is not None
    assert (frame.pointing.motion.velocity_km_s, frame.pointing.motion.turn_deg_s) == ((0.0, 1.6, 0.0), (0.0, 0.0, 0.0))
    assert frame.warnings == ()
    facts = dict(summary(frame))
    assert facts["camera"].endswith("slit running -y at 600 mm/s")
    assert facts["pointing"].endswith("moving at 1.6 km/s")


def test_the_second_form_of_pointing_has_a_motion_too(package: Write) -> None:
    motion = read_frame(package(POSITION, SLIT, MOTION)).pointing.motion
    assert motion is not None
    assert motion.velocity_km_s == (0.0, 1.6, 0.0)


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (SLIT, "camera.shutter_slit is given without pointing.motion: "),
        (MOTION, "pointing.motion is given without camera.shutter_slit: "),
    ],
)
def test_a_slit_without_motion_or_motion_without_slit_is_warned_of(
    package: Write, edit: tuple[str, str], said: str
) -> None:
    assert read_frame(package(edit)).warnings == (said + "the whole frame is taken to be seen at the mid time",)


def test_the_second_form_of_pointing(package: Write) -> None:
    pointing = read_frame(package(POSITION)).pointing
    assert isinstance(pointing, PointingBySubPoint)
    assert (pointing.sub_point_deg, pointing.altitude_km, pointing.tilt_deg) == ((19.4, 3.8), 70.0, 12.0)
    assert (pointing.tilt_azimuth_deg, pointing.swing_deg, pointing.sigma_position_km) == (200.0, 180.0, 0.3)


def test_a_falling_curve_and_a_wedge_in_log_exposure(package: Write) -> None:
    frame = read_frame(
        package(
            ("density = [0.2, 0.5, 1.4, 2.1]", "density = [2.1, 1.4, 0.5, 0.2]"),
            ('quantity = "density"', 'quantity = "log_exposure"'),
            ("value = 0.30", "value = -1.1"),
        )
    )
    assert frame.film.characteristic.density == (2.1, 1.4, 0.5, 0.2)
    assert [patch.value for patch in frame.film.wedge.patches] == [-1.1, 0.9, 1.5]


def test_whole_numbers_may_stand_for_real_ones(package: Write) -> None:
    camera = read_frame(package(("focal_length_mm = 450.0", "focal_length_mm = 450"))).camera
    assert camera.focal_length_mm == 450.0
    assert isinstance(camera.focal_length_mm, float)


@pytest.mark.parametrize(
    "written", ["1971-06-02T13:42:07.250+02:00", "1971-06-02T06:12:07.25-05:30", "1971-06-02 11:42:07.250Z"]
)
def test_a_time_with_an_offset_is_converted_to_utc(package: Write, written: str) -> None:
    exposure = read_frame(package(("1971-06-02T11:42:07.250Z", written))).exposure
    assert exposure.mid_time == datetime(1971, 6, 2, 11, 42, 7, 250000, tzinfo=UTC)
    assert exposure.mid_time.utcoffset() == datetime.now(UTC).utcoffset()


def test_tables_by_path_equal_tables_in_place(package: Write) -> None:
    """Paths in such a file are relative to it; tables nested in it may be by path too."""
    path = package()
    inline = read_frame(path)
    text = path.read_text()
    shared = path.parents[1] / "shared"
    (shared / "wedges").mkdir(parents=True)
    (path.parent / "reseau.csv").rename(shared / "reseau.csv")
    (shared / "lens.toml").write_text(
        CAMERA.replace("{ k1 = 1.0e-7, k2 = 0.0, k3 = 0.0, p1 = 0.0, p2 = 0.0 }", '"k.toml"')
    )
    (shared / "k.toml").write_text("k1 = 1.0e-7\n")
    wedge = between(text, "[film.wedge]\n", "[film.reseau]").removeprefix("[film.wedge]\n")
    (shared / "wedges" / "steps.toml").write_text(
        wedge.replace("{ value = 0.90, y_mm = [-4.4, -4.0], across_mm = [-1.5, 1.5] }", '"second.toml"')
    )
    (shared / "wedges" / "second.toml").write_text("value = 0.90\ny_mm = [-4.4, -4.0]\nacross_mm = [-1.5, 1.5]\n")
    film = between(text, "[film]\n", "[film.wedge]").removeprefix("[film]\n") + 'wedge = "wedges/steps.toml"\n\n'
    reseau = between(text, "[film.reseau]", "[scan]").replace("[film.reseau]", "[reseau]")
    (shared / "film.toml").write_text(film + reseau)
    scan = between(text, "[scan]\n", "[pointing]").removeprefix("[scan]\n")
    (path.parent / "strips" / "scan.toml").write_text(scan.replace("strips/*.tif", "*.tif"))
    (path.parent / "pointing.toml").write_text(between(text, "[pointing]\n", "[sun]").removeprefix("[pointing]\n"))
    head = 'camera = "../shared/lens.toml"\nfilm = "../shared/film.toml"\n'
    head += 'scan = "strips/scan.toml"\npointing = "pointing.toml"\n\n'
    path.write_text(
        between(text, "layout", "[exposure]")
        + head
        + between(text, "[exposure]", "[camera]")
        + text[text.index("[sun]") :]
    )
    split = read_frame(path)
    for name in ("name", "exposure", "camera", "film", "pointing", "sun", "map", "warnings"):
        assert getattr(split, name) == getattr(inline, name), name
    assert split.scan.model_copy(update={"strips": inline.scan.strips}) == inline.scan
    assert split.strips == inline.strips
    np.testing.assert_array_equal(split.marks.y_mm, inline.marks.y_mm)
    used = {file.resolve().relative_to(path.parents[1]).as_posix() for file in split.inputs}
    assert {
        "shared/lens.toml",
        "shared/k.toml",
        "shared/film.toml",
        "shared/reseau.csv",
        "shared/wedges/steps.toml",
    } < used
    assert {"shared/wedges/second.toml", "0143/strips/scan.toml", "0143/pointing.toml", "0143/frame.toml"} < used


def test_a_byte_order_mark_and_windows_line_ends_are_no_mistake(package: Write) -> None:
    path = package()
    for name in ("frame.toml", "reseau.csv", "control.csv"):
        file = path.parent / name
        file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n"))
    assert read_frame(path).marks.ids == ("A1", "A2", "A3", "B1")


def test_columns_in_another_order_blanks_and_empty_lines_are_no_mistake(package: Write) -> None:
    table = ' y_mm , id, x_mm\n\n -2.0, A1, +3e-1 \n2., "B 1", .5\n\n'
    marks = read_frame(package(files={"reseau.csv": table})).marks
    assert marks.ids == ("A1", "B 1")
    np.testing.assert_array_equal(marks.x_mm, [0.3, 0.5])
    np.testing.assert_array_equal(marks.y_mm, [-2.0, 2.0])


def test_a_terrain_model_is_found_and_listed(package: Write) -> None:
    path = package(("[control]", '[terrain]\ndem = "dem.tif"\n\n[control]'))
    write_dem(path.parent / "dem.tif", "IAU_2015:30100")
    frame = read_frame(path)
    assert frame.dem == path.parent / "dem.tif"
    assert frame.dem in frame.inputs
    assert frame.warnings == ()


def test_a_terrain_model_with_more_bands_is_odd(package: Write) -> None:
    path = package(("[control]", '[terrain]\ndem = "dem.tif"\n\n[control]'))
    write_dem(path.parent / "dem.tif", "IAU_2015:30100", bands=2)
    assert read_frame(path).warnings == ("dem.tif has 2 bands; the first is taken for the heights",)


def write_dem(path: Path, crs: str, bands: int = 1) -> None:
    profile = {"driver": "GTiff", "width": 4, "height": 3, "count": bands, "dtype": "float32", "crs": crs}
    with rasterio.open(path, "w", transform=Affine(0.1, 0, 20, 0, -0.1, 4), **profile) as dataset:
        dataset.write(np.zeros((bands, 3, 4), np.float32))


ODD = [
    (("sample_mm = 0.1", "sample_mm = 0.08"), "strips do not overlap"),
    (
        ("first_line_mm = -5.0", "first_line_mm = -7.5"),
        "the scan covers y -7.525 to 2.575 mm, the format -3.5 to 3.5 mm",
    ),
    (("principal_point_mm = [0.012", "principal_point_mm = [5.1"), "principal point is outside the format"),
    (("y_mm = [-4.0, -3.6]", "y_mm = [14.0, 14.4]"), "1 of 3 wedge patches are outside the film scanned"),
]


@pytest.mark.parametrize(("edit", "said"), ODD, ids=[said[:24] for _, said in ODD])
def test_what_is_odd_but_no_mistake_is_said(package: Write, edit: tuple[str, str], said: str) -> None:
    warned = read_frame(package(edit)).warnings
    assert len(warned) == 1
    assert said in warned[0]


def test_points_off_the_film_and_patches_beyond_the_curve_are_said(package: Write) -> None:
    edits = [('quantity = "density"', 'quantity = "log_exposure"'), ("value = 1.50", "value = 1.60")]
    path = package(*edits, files={"reseau.csv": "id,x_mm,y_mm\nA1,0,0\nZ9,90,0\n"})
    warned = read_frame(path).warnings
    assert warned == (
        "1 of 3 wedge patches are beyond the characteristic curve",
        "1 of 2 reseau marks are outside the film scanned",
    )


def test_names_that_sort_otherwise_as_numbers_are_said(package: Write) -> None:
    path = package()
    for old, new in (("000", "8"), ("001", "9"), ("002", "10")):
        (path.parent / "strips" / f"{old}.tif").rename(path.parent / "strips" / f"{new}.tif")
    frame = read_frame(path)
    assert [strip.path.name for strip in frame.strips] == ["10.tif", "8.tif", "9.tif"]
    assert "sort differently" in frame.warnings[0]


def test_one_strip_is_a_frame(package: Write) -> None:
    path = package(("strips/*.tif", "strips/001.tif"), ('reversed = "odd"', 'reversed = "even"'))
    frame = read_frame(path)
    assert len(frame.strips) == 1
    assert frame.strips[0].is_reversed


def test_constant_and_dark_strips_are_no_mistake(package: Write) -> None:
    path = package()
    tifffile.imwrite(path.parent / "strips" / "001.tif", np.zeros((200, 36), np.uint16))
    assert read_frame(path).warnings == ()


def test_a_link_inside_the_parent_is_followed(package: Write) -> None:
    path = package()
    (path.parent / "strips" / "001.tif").rename(path.parents[1] / "elsewhere.tif")
    (path.parent / "strips" / "001.tif").symlink_to("../../elsewhere.tif")
    assert read_frame(path).strips[1].n_lines == 201


def test_a_file_of_the_folder_is_found_from_any_place(package: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    path = package()
    monkeypatch.chdir(path.parent)
    assert read_frame("frame.toml").inputs[1] == Path("reseau.csv")


def test_the_summary_tells_the_facts(package: Write) -> None:
    said = dict(summary(read_frame(package())))
    assert said["strips"] == "3 of 200 to 202 lines by 36 samples, uint16, 0.0 MB, 1 reversed"
    assert said["step wedge"] == "3 patches, density 0.3 to 1.5, 1-sigma 0.005"
    assert said["reseau"].startswith("4 crosses, 0.5 mm")
    assert said["exposure"] == "1971-06-02 11:42:07.250 UTC, 0.02 s"
    assert said["control"] == "2 points"
    assert "overlap 0.400 mm" in said["scan"]
    assert "lon 19.440, lat 3.808 deg at 69.4 km" in said["pointing"]


def test_the_summary_of_the_other_forms(package: Write) -> None:
    said = dict(
        summary(read_frame(package(POSITION, ("[sun]\nsubsolar_deg = [12.5, -1.2]\ndistance_au = 1.0149\n", ""))))
    )
    assert said["Sun"] == "from the time of the exposure"
    assert said["pointing"].startswith("above lon 19.4, lat 3.8 deg at 70 km; tilt 12, azimuth 200")


@given(st.floats(1e-6, 86400), st.sampled_from(["{!r}", "{:.17e}", "+{!r}", "{:.20f}"]))
def test_any_way_to_write_a_number_gives_that_number(value: float, form: str) -> None:
    """Seventeen digits of a significand, or twenty decimals from a millionth on, hold a double to its last bits."""
    written = form.format(value)
    read = Exposure.model_validate({"mid_time": datetime(1971, 6, 2, tzinfo=UTC), "shutter_s": float(written)})
    assert math.isclose(read.shutter_s, value, rel_tol=1e-14)


@given(st.lists(st.floats(-1, 1), min_size=4, max_size=4), st.integers(4, 15))
def test_a_printed_unit_quaternion_is_accepted_and_made_exact(parts: list[float], decimals: int) -> None:
    norm = math.hypot(*parts)
    if norm < 0.1:
        parts, norm = [1.0, 0.0, 0.0, 0.0], 1.0
    printed = [round(part / norm, decimals) for part in parts]
    exact = unit(Quaternion(**dict(zip("wxyz", printed, strict=True))))
    assert math.isclose(math.hypot(exact.w, exact.x, exact.y, exact.z), 1.0, rel_tol=1e-15)


def test_a_description_cannot_be_changed(package: Write) -> None:
    frame = read_frame(package())
    with pytest.raises(ValueError, match="frozen"):
        frame.camera.f_number = 2.8  # type: ignore[misc]
    with pytest.raises(AttributeError, match="name"):
        frame.name = "other"  # type: ignore[misc]


def test_the_description_has_the_tables_of_the_contract() -> None:
    tables = "layout name exposure camera film scan pointing sun terrain control map"
    assert list(FrameDescription.model_fields) == tables.split()
