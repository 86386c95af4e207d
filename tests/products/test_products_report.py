"""report.html: complete HTML that loads nothing, escapes all texts, states what is missing, and places things right."""

import base64
import re
from dataclasses import replace
from io import BytesIO

import numpy as np
import pyproj
import pytest
from page_judge import judged
from PIL import Image
from report_scene import scene

from calib import quality
from calib.products.readable import LONGEST_PX, number
from calib.products.report import figure_row, page, write_report
from calib.products.report_data import MapLayer, MapPicture, ReportData, ReportFigure, SeamJumps
from calib.products.report_geometry import seam_jumps
from calib.products.report_map import map_lines, scale_bar
from calib.products.report_pictures import COLORS, bit_png, grey_jpeg
from calib.products.report_plot import _ROLES, style
from calib.sweep.tables import OUTSIDE


@pytest.fixture(scope="module")
def data() -> ReportData:
    return scene()


@pytest.fixture(scope="module")
def text(data) -> str:
    return page(data)


def decoded(address: str) -> Image.Image:
    return Image.open(BytesIO(base64.b64decode(address.split(",", 1)[1])))


def test_every_element_is_closed_and_ids_are_unique(text):
    judge = judged(text)
    assert judge.faults == []
    assert judge.open == []
    assert len(judge.ids) == len(set(judge.ids))
    assert {load[1:] for load in judge.loads if load.startswith("#")} <= set(judge.ids)


def test_nothing_is_fetched(text):
    assert [load for load in judged(text).loads if not load.startswith(("data:image/", "#"))] == []
    css, script = (re.search(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)[1] for tag in ("style", "script"))
    assert "url(" not in css
    assert "@import" not in css
    assert re.search(r"fetch|XMLHttpRequest|WebSocket|import|\.src\b", script) is None
    assert "default-src 'none'" in text


def test_the_bytes_are_reproducible(tmp_path, data, text):
    write_report(tmp_path / "report.html", data)
    assert (tmp_path / "report.html").read_bytes() == text.encode()


def test_warnings_stand_first_and_every_section_is_there(text):
    order = [
        text.index(f'<section id="{name}"') for name in ("warnings", "figures", "frame", "tone", "map", "cautions")
    ]
    assert order == sorted(order)
    drawings = (
        "Transfer curve of each", "Transfer curves of some", "Tone residuals", "Noise of a sample", "Banding prof",
        "Gain drift", "Residuals of the reseau", "Sweep curves", "Jump", "Power", "control", "footprint",
    )  # fmt: skip
    assert all(re.search(f'aria-label="[^"]*{name}', text) for name in drawings)
    assert "Not for landing" in text
    for bit in quality.BITS:
        assert f"<b>{bit.value} {bit.name.replace('_', ' ')}</b>" in text


def test_plots_take_the_colours_of_the_page(text):
    assert "var(--accent)" in text.split("</style>", 1)[1]
    assert [color for color in _ROLES if color in text] == []


def test_texts_from_the_frame_are_escaped(data):
    evil = '<script>alert("x")</script>&'
    run = replace(
        data.provenance, frame=evil, warnings=(evil,), inputs={evil: "00"}, settings={evil: evil}, rejected=(evil,),
        products={evil: "11"}, photometric_model={"name": evil},
    )  # fmt: skip
    figure = ReportFigure(evil, evil, 1.0, evil, 2.0, evil)
    pairs = [replace(data.pairs[1], title=evil, before_caption=evil, after_caption=evil)]
    marks = replace(
        data.fits.marks, mark=[evil] * len(data.fits.marks.mark), reason=[evil] * len(data.fits.marks.reason)
    )
    layer = replace(data.map.layers[0], title=evil, unit=evil)
    text = page(
        replace(
            data, provenance=run, facts=[(evil, evil)], figures=[figure], pairs=pairs,
            fits=replace(data.fits, marks=marks), map=replace(data.map, layers=[layer], crs_name=evil),
            quality=[replace(data.quality[0], title=evil)],
        )
    )  # fmt: skip
    assert "alert(" in text
    assert "<script>alert" not in text
    judge = judged(text)
    assert (judge.faults, judge.open) == ([], [])


def test_absent_sections_state_their_reason(data):
    bare = ReportData(
        facts=(),
        figures=(),
        provenance=replace(data.provenance, warnings=()),
        absent={"map": "The camera looked past the Moon."},
    )
    text = page(bare)
    assert text.count('<p class="missing">') == 12
    assert "The camera looked past the Moon." in text
    assert "None was raised." in text
    assert judged(text).faults == []


def test_a_frame_of_one_strip_and_no_usable_mark_has_a_page(data):
    marks = replace(data.fits.marks, used=np.zeros_like(data.fits.marks.used))
    one = scene(strips=1, rows=310, cols=410)
    text = page(replace(one, fits=replace(one.fits, marks=marks)))
    assert judged(text).faults == []
    assert '<section id="seams">' in text
    assert "This run has nothing to show here." in text


def test_marks_beyond_their_strips_edge_are_not_counted_as_left_out(data):
    """A mark that was not visible is no fault. The warnings do not count it, so the page counts it separately."""
    marks = data.fits.marks
    out = np.flatnonzero(~marks.used)
    assert out.size > 1
    reasons = [OUTSIDE if i == out[0] else reason for i, reason in enumerate(marks.reason)]
    text = page(replace(data, fits=replace(data.fits, marks=replace(marks, reason=reasons))))
    left = f"{out.size - 1} mark{'s' if out.size > 2 else ''} left out"
    assert f"<summary>{left}, 1 mark beyond the edge of the strip, or lost with it</summary>" in text


def test_the_note_of_a_map_is_shown_with_its_scale(data):
    layer = MapLayer("1-sigma", data.map.layers[0].values, "radiance factor", "median 5.0% of the reflectance")
    text = page(replace(data, map=replace(data.map, layers=[layer])))
    assert "radiance factor; median 5.0% of the reflectance</span>" in text


def test_a_figure_is_shown_with_its_limit_and_their_ratio():
    row = figure_row(ReportFigure("Seams", "rms", 0.0015, "D", 0.001, "noise"))
    assert (row.value, row.limit, row.ratio, row.bar_percent) == ("0.0015", "0.001", "1.50", 30.0)
    assert figure_row(ReportFigure("a", "b", 9.0, "", 1.0)).bar_percent == 100.0
    unlimited = figure_row(ReportFigure("a", "b", float("nan")))
    assert (unlimited.value, unlimited.limit, unlimited.ratio) == ("not determined", "", "")


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "0"), (12.0, "12"), (98.74, "98.7"), (-0.00123456, "−0.00123"), (4.2e-7, "4.20 × 10⁻⁷"), (1234.5, "1,234"),
     (9e-4, "0.0009"), (3.5e7, "3.50 × 10⁷"), (0.0999999, "0.1"), (100.4, "100"),
     (float("inf"), "not determined")],
)  # fmt: skip
def test_numbers_are_formatted_for_people(value, said):
    assert number(value) == said


def test_a_number_has_the_requested_digits():
    assert (number(99.9876, 4), number(0.00046, 2), number(0.0026, 2)) == ("99.99", "0.00046", "0.0026")
    assert (number(28190.0), number(12345.6), number(-1234.0)) == ("28,190", "12,346", "−1,234")


def test_pictures_are_limited_in_size_and_keep_light_and_dark():
    ramp = np.linspace(0, 1, 5000, dtype=np.float32)[None, :].repeat(40, axis=0)
    ramp[:, :400] = np.nan
    picture = decoded(grey_jpeg(ramp))
    assert picture.width <= LONGEST_PX
    grey = np.asarray(picture)[3]
    assert abs(int(grey[50]) - 128) < 8  # no data
    assert grey[150] < 12
    assert grey[-3] > 243
    flat = np.asarray(decoded(grey_jpeg(np.full((8, 8), 0.3))))
    assert np.ptp(flat.astype(int)) < 3


def test_a_mask_bit_is_drawn_in_its_own_colour():
    mask = np.zeros((5, 7), bool)
    mask[2, 3] = True
    pixels = np.asarray(decoded(bit_png(mask, COLORS[quality.DROPOUT])).convert("RGBA"))
    assert "#" + bytes(pixels[2, 3, :3]).hex() == COLORS[quality.DROPOUT]
    assert np.array_equal(pixels[:, :, 3] > 0, mask)
    assert set(COLORS) == {bit.value for bit in quality.BITS}
    assert len(set(COLORS.values())) == len(COLORS)


def numbers(points: str) -> np.ndarray:
    return np.array([[float(part) for part in point.split(",")] for point in points.split()])


def map_of(code: str, edges, lon, lat) -> MapPicture:
    return MapPicture((), edges, pyproj.CRS(code).to_wkt(), code, np.array(lon), np.array(lat))


def test_the_graticule_lies_where_the_formula_of_the_projection_puts_it():
    """Equidistant cylindrical, Snyder (1987) eq. 12-1 and 12-2 with R = 1737400 m: x = R lon, y = R lat."""
    degree = 1737400 * np.pi / 180
    picture = map_of(
        "IAU_2015:30110", (10 * degree, 2 * degree, 18 * degree, 8 * degree), [11, 17, 17, 11], [3, 3, 7, 7]
    )
    graticule, footprint = map_lines(picture, (600, 800))
    found = {line.label: numbers(line.points) for line in graticule if line.label}
    assert np.abs(found["14° E"][:, 0] - 400).max() < 0.06
    assert np.abs(found["6° N"][:, 1] - 200).max() < 0.06
    (ring,) = (numbers(line.points) for line in footprint)
    assert ring.min(axis=0) == pytest.approx([100, 100], abs=0.06)
    assert ring.max(axis=0) == pytest.approx([700, 500], abs=0.06)


def test_the_scale_bar_has_the_ground_length_at_the_centre_of_the_map():
    """On an equidistant cylindrical map a degree of longitude is equally wide everywhere, its ground cos(lat) times."""
    degree = 1737400 * np.pi / 180
    text, share = scale_bar(map_of("IAU_2015:30110", (0, 59 * degree, 2 * degree, 61 * degree), [0], [0]))
    assert text == "5 km"
    assert share * 2 * degree * np.cos(np.radians(60)) == pytest.approx(5000, rel=1e-3)
    text, share = scale_bar(map_of("IAU_2015:30110", (0, -degree / 100, degree / 50, degree / 100), [0], [0]))
    assert text == "100 m"
    assert share * degree / 50 == pytest.approx(100, rel=1e-3)
    assert scale_bar(map_of("IAU_2015:30170", (-4e6, -1e5, 3e5, 1e5), [0], [0])) is None  # beyond the Moon
    for width in 40_000 - np.arange(4) * np.spacing(20_000.0):  # a quarter of it is 10 km except for rounding
        assert scale_bar(map_of("IAU_2015:30110", (-width / 2, -1e3, width / 2, 1e3), [0], [0]))[0] in ("5 km", "10 km")


def test_a_map_over_the_pole_has_meridians_all_round_and_closed_parallels():
    size = 300_000.0
    lon = np.arange(0, 360, 30.0)
    graticule, footprint = map_lines(
        map_of("IAU_2015:30130", (-size, -size, size, size), lon, np.full(12, 83.0)), (400, 400)
    )
    labels = {line.label for line in graticule}
    assert {"0°", "30° E", "90° W", "180°"} & labels
    rings = [
        numbers(line.points) - 200
        for line in graticule
        if numbers(line.points)[0] == pytest.approx(numbers(line.points)[-1], abs=0.2)
    ]
    assert any(np.ptp(np.hypot(*ring.T)) < 0.3 and np.hypot(*ring[0]) > 50 for ring in rings)
    ring = np.vstack([numbers(line.points) for line in footprint]) - 200
    assert np.hypot(*ring.T).max() == pytest.approx(np.hypot(*ring[0]), abs=0.3)


def test_a_footprint_across_the_antimeridian_is_one_ring_on_its_map():
    """Orthographic, centred on 180 degrees: the short way from 179 E to 179 W runs through the middle."""
    picture = map_of("IAU_2015:30170", (-1e5, -1e5, 1e5, 1e5), [179.0, -179.0, -179.0, 179.0], [-1.0, -1.0, 1.0, 1.0])
    _, footprint = map_lines(picture, (200, 200))
    (ring,) = (numbers(line.points) for line in footprint)
    assert np.abs(ring - 100).max() == pytest.approx(1737.4 * np.sin(np.radians(1)), abs=0.1)


@pytest.mark.parametrize("strips", [2, 9, 61])
def test_seams_are_numbered_and_jumps_are_round_numbers(strips: int) -> None:
    """No exponents, no fractional seam numbers, all seams and jumps inside the plot, and labels that do not overlap."""
    count = strips - 1
    jump = np.linspace(0.0011, 0.0033, count)
    with style():
        figure = seam_jumps(SeamJumps(jump, np.full(count, 0.00163), jump > 0.003))
        (ax,) = figure.axes
        figure.draw_without_rendering()
        low, high = ax.get_xlim()
        seams = [tick for tick in ax.get_xticks() if low <= tick <= high]
        labels = [float(label.get_text().replace("\N{MINUS SIGN}", "-")) for label in ax.get_yticklabels()]
        at = ax.transData.transform(np.column_stack([np.zeros(len(labels)), labels]))[:, 1]
    assert seams
    assert all(tick == round(tick) for tick in seams)
    assert low < 0 < count - 1 < high or count == 1
    assert all(float(f"{label:.1e}") == label for label in labels)
    assert ax.get_ylim()[1] > jump.max()
    assert {(bar.get_y(), bar.get_height()) for bar in ax.patches} == {(0.0, 0.00163)}
    shown = {line.get_label(): line.get_ydata() for line in ax.lines}
    assert set(shown.get("found, and warned of", [])) == set(jump[jump > 0.003])
    assert np.diff(at).min() > 8.5 * 0.9 * figure.dpi / 72
