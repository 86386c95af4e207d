"""Strips that are not what they are said to be: left out, said and survived; what all strips contradict: refused."""

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile

from calib.errors import InputError
from calib.frame.read import read_frame
from calib.frame.remarks import Remark, worded
from calib.run.fitting import first_places as module
from calib.run.fitting import fit
from calib.run.fitting.first_places import _renumbered, first_places
from calib.run.fitting.looks import looks_of
from calib.sweep.line_breaks import LineBreak
from calib.sweep.strip_edges import edge_profiles
from calib.sweep.strip_order import Overlaps
from calib.sweep.tables import FirstLook

Strips = list[np.ndarray]


@dataclass(frozen=True)
class Mended:
    """A frame of which a test counts how often each strip was mended."""

    strips: tuple[int, ...]


@pytest.fixture
def package(calibrated, tmp_path: Path) -> Path:  # type: ignore[no-untyped-def]
    shutil.copytree(calibrated.package, tmp_path / "frame")
    return tmp_path / "frame"


def changed(package: Path, change: Callable[[Strips], Strips]) -> Path:
    files = sorted((package / "strips").glob("*.tif"))
    for file, strip in zip(files, change([tifffile.imread(file) for file in files]), strict=True):
        tifffile.imwrite(file, strip, photometric="minisblack", metadata=None)
    return package


def said_of(package: Path) -> tuple[str, ...]:
    frame = read_frame(package)
    places = first_places(frame, list(looks_of(frame, 1)), 1)
    return worded((*(strip.why for strip in places.left_out), *places.warnings), places.frame.strips)


def with_strip(number: int, change: Callable[[np.ndarray], np.ndarray]) -> Callable[[Strips], Strips]:
    return lambda strips: [change(strip) if k == number else strip for k, strip in enumerate(strips)]


def test_a_remark_on_a_strip_stays_with_it_when_one_that_is_missing_is_put_in_before_it() -> None:
    """The strip was called by its number without the missing one (a bug)."""
    files = [SimpleNamespace(path=Path(name), index=k) for k, name in enumerate("ab")]
    now = [files[0], SimpleNamespace(path=Path("missing"), index=1), SimpleNamespace(path=Path("b"), index=2)]
    moved = _renumbered([Remark("one", (0, 1)), Remark("all")], *(SimpleNamespace(strips=s) for s in (files, now)))  # type: ignore[arg-type]
    assert list(moved) == [Remark("one", (0, 2)), Remark("all")]


def test_nothing_is_said_of_strips_that_are_in_their_places(package: Path) -> None:
    assert said_of(package) == ()


def test_bits_that_stand_still_cost_their_lines_or_the_strip(calibrated, package: Path) -> None:  # type: ignore[no-untyped-def]
    """Such a strip made all others 88 % too dark; now they are as they were."""
    half = tifffile.imread(package / "strips" / "001.tif")
    half[350:] |= 1 << 13
    changed(package, with_strip(2, lambda strip: strip & np.uint16(0xFFFF ^ 1 << 13)))
    changed(package, with_strip(1, lambda _: half))
    fits = fit.fit_frame(read_frame(package))
    held = "bit 13 of the samples (0 the lowest) stands still at"
    assert f"strip 2 (002.tif): left out: {held} 0" in fits.warnings
    (said,) = (line for line in fits.warnings if line.startswith("strip 1 (001.tif): lines"))
    assert said.endswith(f"to 699 of 700 left out: {held} 1")
    assert not any("twice" in line for line in fits.warnings)
    whole = calibrated.result.fits.tone.strips
    for k in (0, 1, 3):
        dn = np.arange(*fits.tone.strips[k].dn_span, 500)
        error = fits.tone.strips[k].density_of_dn[dn] - whole[k].density_of_dn[dn]
        assert np.median(np.abs(error)) < 0.01


def test_lines_whose_video_is_inverted_are_left_out(package: Path) -> None:
    """They were taken as they are: 9,006 values of a map silently wrong, and said as jumps of the gain."""
    strip = tifffile.imread(package / "strips" / "002.tif")
    strip[500:] = 60_000 - np.minimum(strip[500:], 60_000)
    changed(package, with_strip(2, lambda _: strip))
    said = "strip 2 (002.tif): lines 499 to 699 of 700 left out: their video is inverted against the other lines'"
    assert said_of(package) == (said,)
    frame = read_frame(package)
    lost = first_places(frame, list(looks_of(frame, 1)), 1).dropouts[2].whole_lines()
    assert lost[499:].all()
    assert lost[:499].mean() < 0.02


def test_bits_that_stand_still_in_most_strips_are_refused(package: Path) -> None:
    changed(package, lambda strips: [strip | np.uint16(1 << 13) for strip in strips])
    with pytest.raises(InputError, match=r"scan\.strips: found .*bits of the samples stand still, expected strips"):
        said_of(package)


def test_exchanged_strips_are_left_out_and_the_others_stay_where_they_are(calibrated, package: Path) -> None:  # type: ignore[no-untyped-def]
    """Each is told by the film on both its sides; what is left of the frame is placed as if they had been lost."""
    fits = fit.fit_frame(read_frame(changed(package, lambda s: [s[0], s[2], s[1], s[3]])))
    told = "strip 1 (001.tif) and strip 2 (002.tif): they are exchanged, as their overlaps show: both are left out"
    assert told in fits.warnings
    lost = [strip.n_lost == strip.n_lines * strip.n_samples for strip in fits.dropouts]
    assert lost == [False, True, True, False]
    for k in (0, 3):
        y_mm = fits.sweep.sweeps[k].y_line_mm
        assert np.abs(y_mm - calibrated.result.fits.sweep.sweeps[k].y_line_mm)[100:-100].max() < 0.0075
    assert not any("strip 1" in said or "strip 2" in said for said in fits.warnings if said != told)


def test_a_strip_that_is_turned_or_mirrored_is_left_out(package: Path) -> None:
    (said,) = said_of(changed(package, with_strip(0, lambda strip: strip[::-1])))
    assert "strip 0 (000.tif): left out: its overlaps show that its lines run the other way than stated" in said
    changed(package, with_strip(0, lambda strip: strip[::-1]))
    (said,) = said_of(changed(package, with_strip(2, lambda strip: strip[:, ::-1])))
    assert (
        "strip 2 (002.tif): left out: its overlaps show that it is mirrored (put right, it continues strips 1 and 3)"
        in said
    )


def test_a_file_that_is_there_twice_is_said(package: Path) -> None:
    """A copy in the folder put all strips behind it a pitch off, with much said of them, but nothing of why."""
    said = said_of(changed(package, lambda strips: [strips[0], strips[1], strips[1], strips[3]]))
    assert any(
        line.startswith("strip 1 (001.tif) and strip 2 (002.tif): they hold the same samples: ") for line in said
    )
    changed(package, lambda strips: [strips[0], *(np.full_like(strip, 9) for strip in strips[1:3]), strips[3]])
    assert not any("same samples" in line for line in said_of(package))


@pytest.mark.parametrize("is_reversed", [(False, True), (True, False), (True, True)])
def test_a_copy_is_one_in_whichever_direction_a_strip_is_read(is_reversed: tuple[bool, bool]) -> None:
    """Where every second strip was scanned backwards a copy's neighbours are read the other way than it: its edges,
    which lie in the order of the film, are then those of the other upside down, and no copy would be told."""
    dn = np.random.default_rng(4).integers(0, 255, (60, 30)).astype(np.uint8)
    strips = [SimpleNamespace(index=k, is_reversed=back) for k, back in enumerate(is_reversed)]
    whole = np.zeros(dn.shape, bool)
    looks = [SimpleNamespace(edges=edge_profiles(dn, whole, 10, 1.0, is_reversed=back)) for back in is_reversed]
    (said,) = module._copies(SimpleNamespace(strips=strips), looks)  # type: ignore[arg-type]
    assert said.strips == (0, 1)
    other = SimpleNamespace(edges=edge_profiles(dn[::-1], whole, 10, 1.0, is_reversed=is_reversed[1]))
    assert not module._copies(SimpleNamespace(strips=strips), [looks[0], other])  # type: ignore[arg-type, list-item]


@pytest.mark.parametrize(("some", "rounds"), [(0, 1), (2, 3), (99, module.MOST_ROUNDS)])
def test_jumps_are_looked_for_again_in_mended_strips_but_not_for_ever(
    monkeypatch: pytest.MonkeyPatch, some: int, rounds: int
) -> None:
    """One may show only once a neighbour's is mended; two strips that each seem to jump once the other is mended would
    be mended by turns without end."""
    asked: list[int] = []

    def breaks(frame, *_):  # type: ignore[no-untyped-def]
        asked.append(frame.strips[0])
        return (LineBreak(0, 10, 12, 20, (1,)),) if len(asked) <= some else ()

    monkeypatch.setattr(module, "line_breaks", breaks)
    monkeypatch.setattr(module, "split_at_jump", lambda strip, *_: strip + 1)
    monkeypatch.setattr(module, "_overlaps_show", str)
    monkeypatch.setattr(module, "looks_of", lambda frame, _, k: iter([SimpleNamespace(edges=frame.strips[k])]))
    frame, _ = module._without_jumps(Mended((0, 0)), [SimpleNamespace(edges=0)] * 2, 1)  # type: ignore[arg-type, list-item]
    assert asked == list(range(rounds))  # each time the frame as it then was
    assert frame.strips == (min(some, rounds), 0)


def test_a_strip_of_another_film_is_left_out(package: Path) -> None:
    """Its marks are where they should be: only the scene tells."""
    (said,) = said_of(changed(package, with_strip(2, lambda strip: np.roll(strip, 233, axis=0))))
    assert "strip 2 (002.tif): left out:" in said
    assert "its place: it shows different film from strips 1 and 3" in said


def test_film_that_a_strip_lacks_is_put_in_as_lost(calibrated, package: Path) -> None:  # type: ignore[no-untyped-def]
    """The replay was stopped, and the strip's other lines came too early: no sweep can follow that, and the whole strip
    lay off by up to as many lines (a bug)."""
    changed(package, with_strip(1, lambda strip: np.delete(strip, np.s_[400:440], axis=0)))
    fits = fit.fit_frame(read_frame(package))
    said = next(said for said in fits.warnings if said.startswith("strip 1"))
    assert said.startswith("strip 1 (001.tif): its picture jumps between lines 39")
    assert re.search(r", as its overlap with 002\.tif shows: (39|40|41) lines of film are missing$", said)
    there = calibrated.result.fits.sweep.sweeps[1].y_line_mm
    off = fits.sweep.sweeps[1].y_line_mm[20:-20] - there[20 : len(fits.sweep.sweeps[1].y_line_mm) - 20]
    assert np.abs(off).max() < 1.5 * 0.0075
    assert len(fits.dropouts[1].unread()) >= 40


def test_a_strip_whose_number_lacks_keeps_its_place(calibrated, package: Path) -> None:  # type: ignore[no-untyped-def]
    """Its marks lie a pitch apart, so that they fit the next place as well: the overlap and the number tell."""
    (package / "strips" / "001.tif").unlink()
    frame = read_frame(package)
    places = first_places(frame, list(looks_of(frame, 1)), 1)
    (left_out,) = places.left_out
    told = "no file holds it: judging by number and overlap, 002.tif is not the next strip after 000.tif"
    assert left_out.why == Remark(f"left out: {told}", (1,))
    assert places.warnings == ()
    assert not any("numbered" in said for said in places.frame.warnings)
    assert [strip.is_lost for strip in places.frame.strips] == [False, True, False, False]
    known = calibrated.result.fits.sweep.sweeps
    for k in (0, 2, 3):
        assert abs(np.median(places.sweeps[k].x_line_mm - known[k].x_line_mm)) < 0.02
    for number in (2, 3):
        (package / "strips" / f"{number:03d}.tif").rename(package / "strips" / f"{number - 1:03d}.tif")
    (said,) = said_of(package)  # nothing more is known than that
    assert said.startswith("strip 0 (000.tif) and strip 1 (001.tif): they show different film where they should")


TRUE_PLACES = {
    "one lacks": [0, 1, 3, 4, 5],
    "two lack": [0, 1, 4, 5, 6],
    "the first lacks": [1, 2, 3, 4, 5],
    "exchanged": [0, 1, 2, 4, 3],
    "as stated": [0, 1, 2, 3, 4],
}


@pytest.mark.parametrize(("case", "without"), [*zip(TRUE_PLACES, ([2], [2, 3], [0], [], []), strict=True)])
def test_missing_strips_are_told_by_marks_found_farther_on(
    monkeypatch, calibrated, case: str, without: list[int]
) -> None:  # type: ignore[no-untyped-def]
    """Twelve marks are found in a strip where it lies, one elsewhere by chance; none should be beside the format."""
    places, strip = TRUE_PLACES[case], calibrated.result.fits.frame.strips[0]
    strips = tuple(replace(strip, index=k, path=Path(f"{'abcde'[k]}.tif")) for k in range(5))
    true = {each.path.name: place for each, place in zip(strips, places, strict=True)}
    frame = replace(calibrated.result.fits.frame, strips=strips)

    def place(frame, looks, threads):  # type: ignore[no-untyped-def]
        at = [true.get(each.path.name, -9) for each in frame.strips]
        strength = np.array([0.0 if where < 0 else 11.0 if where == k else 1.5 for k, where in enumerate(at)])
        expected = np.array([12 if k <= max(places) else 0 for k in range(len(at))])
        sound = tuple(after == before + 1 for before, after in pairwise(at))
        first = FirstLook((), expected, np.where(expected > 0, strength, 0), {})
        return module._Placed(frame, looks, first, Overlaps((), {}, None, sound, (True,) * len(sound), ()))  # type: ignore[arg-type]

    monkeypatch.setattr(module, "_place", place)
    look = SimpleNamespace(wedge=(1.0, 1.0))
    monkeypatch.setattr(module, "looks_of", lambda frame, threads, first: [look] * (len(frame.strips) - first))
    found = module._with_missing_strips(place(frame, [look] * 5, 1), 1).frame.strips
    assert [each.index for each in found if each.is_lost] == without
    assert [each.index for each in found] == list(range(5 + len(without)))


def test_few_marks_are_enough_where_something_else_tells_of_a_gap(monkeypatch, calibrated) -> None:  # type: ignore[no-untyped-def]
    """One strip lies behind it, of which three marks are found in either place: chance might find those, but the number
    lacks and the overlap shows other film."""
    strip = calibrated.result.fits.frame.strips[0]
    strips = tuple(replace(strip, index=k, path=Path(f"00{number}.tif")) for k, number in enumerate((0, 1, 3)))
    frame, look = replace(calibrated.result.fits.frame, strips=strips), SimpleNamespace(wedge=(1.0, 1.0))

    def place(frame, looks, threads):  # type: ignore[no-untyped-def]
        strength = np.array([0.0 if each.is_lost else 3.5 for each in frame.strips])
        gap = tuple(k == 1 for k in range(len(frame.strips) - 1))
        first = FirstLook((), np.full(len(frame.strips), 5), strength, {})
        overlaps = Overlaps((), {}, None, tuple(not other for other in gap), gap, gap)  # type: ignore[arg-type]
        return module._Placed(frame, looks, first, overlaps)

    monkeypatch.setattr(module, "_place", place)
    monkeypatch.setattr(module, "looks_of", lambda frame, threads, first: [look] * (len(frame.strips) - first))
    found = module._with_missing_strips(place(frame, [look] * 3, 1), 1).frame.strips
    assert [each.index for each in found if each.is_lost] == [2]


@pytest.mark.parametrize("order", [(1, 2, 3, 0), (2, 1, 0, 3), (3, 2, 1, 0)])
def test_an_order_that_most_strips_contradict_is_refused(package: Path, order: tuple[int, ...]) -> None:
    changed(package, lambda strips: [strips[k] for k in order])
    with pytest.raises(InputError, match=r"scan.strips: found .* expected strips in film order; their overlaps give"):
        said_of(package)


def test_a_direction_that_all_strips_contradict_is_refused(package: Path) -> None:
    """Every second one: their overlaps tell. All: only the wedge does."""
    text = (package / "frame.toml").read_text()
    (package / "frame.toml").write_text(text.replace('reversed = "none"', 'reversed = "odd"'))
    with pytest.raises(InputError, match=r'scan.reversed: found "odd", with which no strip continues its neighbours'):
        said_of(package)
    (package / "frame.toml").write_text(text)
    changed(package, lambda strips: [strip[::-1] for strip in strips])
    with pytest.raises(InputError, match=r'scan.reversed: found "none", with which no strip shows the step wedge'):
        said_of(package)
