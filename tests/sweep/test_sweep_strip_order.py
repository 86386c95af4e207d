"""Edges of strips compared, chains made of them, the wedge's end: what is held against a wrong description."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.stats import rankdata

from calib.errors import InputError
from calib.frame.frame import StripRaster
from calib.frame.remarks import Remark
from calib.sweep import strip_facing, strip_order
from calib.sweep.first_look import _lacking_marks
from calib.sweep.marks import Sought
from calib.sweep.model import StripSweep
from calib.sweep.strip_chains import chains_of
from calib.sweep.strip_edges import (
    Cut,
    EdgeProfiles,
    agreement,
    course_by_chance,
    cut_film,
    edge_profiles,
    edge_texture,
    lines_of_marks_and_wedge,
    texture,
)
from calib.sweep.strip_order import doubtful, overlaps_of, strips_out_of_place
from calib.sweep.wedge_end import centred_ranks, refuse_turned, wedge_shown

CUT = Cut(tuple(range(60, 1500, 60)), 60, 50)


def film(seed: int, n: int = 1700) -> np.ndarray:
    return np.cumsum(np.random.default_rng(seed).normal(0, 20, n)).astype(np.float32) + 5000


def as_texture(value: np.ndarray, missing: np.ndarray | None = None):
    return texture(value.astype(np.float32), np.zeros(value.size, bool) if missing is None else missing, 1.0, CUT)


def test_edges_that_show_the_same_film_are_told_from_others_whatever_gain_noise_and_wander() -> None:
    noise = np.random.default_rng(0).normal(0, 20, (2, 1700))
    line = np.arange(1700.0)
    wandering = np.interp(line + 9 * np.sin(line / 300), line, film(1))
    same = agreement(as_texture(film(1) + noise[0]), as_texture(0.3 * wandering + 0.3 * noise[1] + line), CUT)
    assert same.windows == 23
    assert same.chance < 1e-8
    assert agreement(as_texture(film(1)), as_texture(film(2)), CUT).chance > 1e-3


def test_the_chance_of_an_agreement_is_no_smaller_than_it_is() -> None:
    """Of 600 pairs of edges that show different film, as many as may be agree as well as chance lets one in ten, or
    one in a hundred."""
    edges = [as_texture(film(seed)) for seed in range(35)]
    chance = np.array([agreement(a, b, CUT).chance for i, a in enumerate(edges) for b in edges[:i]])
    assert np.mean(chance < 0.1) < 0.12
    assert np.mean(chance < 0.01) < 0.02


def test_that_few_windows_follow_is_no_evidence_of_other_film_where_they_are_alike_along_one_course() -> None:
    """Of the ten samples that edges' means are made of, six are the same film, for the strips lie off sideways: where
    few windows follow, neighbours were told to show other film, the chance of as many being 0.3 (a bug)."""
    few = 0
    for seed in range(0, 260, 20):
        column = [film(seed + x) for x in range(14)]
        left, right = (as_texture(np.mean(column[x : x + 10], axis=0)) for x in (0, 4))
        few += agreement(left, right, CUT).chance > strip_order.DIFFERENT
        assert not strip_order._show_other_film(left, right, CUT)
    assert few > 0
    edges = [as_texture(film(seed)) for seed in range(16)]
    chance = np.array([course_by_chance(a, b, CUT) for i, a in enumerate(edges) for b in edges[:i]])
    assert chance.min() > strip_order.SAME
    assert np.mean(chance) == pytest.approx(0.5, abs=0.08)
    assert np.mean(chance < 0.1) < 0.2
    short = Cut(CUT.first[:4], 60, 50)
    few_windows = [texture(film(seed), np.zeros(1700, bool), 1.0, short) for seed in range(2)]
    assert course_by_chance(*few_windows, short) is None


def test_film_that_carries_nothing_agrees_with_nothing() -> None:
    flat, lost = as_texture(np.full(1700, 7.0)), as_texture(film(1), np.ones(1700, bool))
    assert agreement(flat, flat, CUT) == agreement(lost, lost, CUT)
    assert agreement(flat, as_texture(film(1)), CUT).windows == 0
    assert agreement(as_texture(film(1)), as_texture(film(1)), Cut((), 60, 50)).chance == 1.0


def test_noise_that_whole_lines_share_is_no_texture() -> None:
    """It hardly averages out over an edge, so the noise of single samples foretold too little of it, and strips of even
    film were told to show other film."""
    shared = np.random.default_rng(3).normal(0, 30, 1700)  # of which samples foretell 1 DN
    assert as_texture(5000 + shared).over_noise < 1.3
    assert as_texture(film(1)).over_noise > 2.5  # a random walk: film could not be rougher
    assert as_texture(film(1), np.arange(1700) % 2 == 0).over_noise > 2.5  # no line has a neighbour to tell noise by


def test_what_is_known_of_the_film_is_left_out_of_its_texture() -> None:
    """Marks at the same lines of both edges would else make one film of two."""
    marked = np.zeros(1700, bool)
    for line in range(100, 1700, 60):
        marked[line : line + 12] = True
    one, other = (np.where(marked, 9000, film(seed) + 0) for seed in (1, 2))
    assert agreement(as_texture(one), as_texture(other), CUT).chance < 1e-6
    assert agreement(as_texture(one, marked), as_texture(other, marked), CUT).chance > 1e-2


@pytest.mark.parametrize("is_reversed", [False, True])
def test_marks_that_reach_an_edge_and_the_wedge_are_known_film(is_reversed) -> None:
    """A mark on the left edge hides its whole arm, one that only an arm of reaches the right edge no more than that."""
    y_mm, x_mm = -3.0 + 0.01 * np.arange(600), -0.5 + 0.01 * np.arange(100)
    sweep = StripSweep(
        x_mm, np.zeros(600), y_mm[:: -1 if is_reversed else 1], np.zeros(100), np.full(600, 0.01), np.full(600, 0.01)
    )
    frame = SimpleNamespace(
        scan=SimpleNamespace(first_line_mm=-3.0, line_mm=0.01, sample_mm=0.01, tolerance_mm=0.1),
        strips=[SimpleNamespace(n_lines=600, n_samples=100, is_reversed=is_reversed)],
        marks=SimpleNamespace(x_mm=np.array([-0.45, 0.2, 0.0]), y_mm=np.array([1.0, -1.0, 2.0])),
        film=SimpleNamespace(
            wedge=SimpleNamespace(patches=[SimpleNamespace(y_mm=(-2.9, -2.5))]),
            reseau=SimpleNamespace(arm_mm=0.2, width_mm=0.04),
        ),
    )
    shown = lines_of_marks_and_wedge(frame, sweep, 0, 10)
    wedge = np.arange(1, 60)
    lines = [np.flatnonzero(side[61:]) + 61 for side in shown]
    assert all(side[wedge].all() for side in shown)
    np.testing.assert_array_equal(lines[0], np.arange(374, 427))
    np.testing.assert_array_equal(lines[1], np.arange(192, 209))


def test_of_a_long_film_runs_of_windows_all_along_it_are_looked_at() -> None:
    scan = SimpleNamespace(first_line_mm=-4.0, line_mm=0.0004, tolerance_mm=0.01)
    strips, camera = [SimpleNamespace(n_lines=20000)] * 2, SimpleNamespace(format_mm=(8.0, 8.0))
    cut = cut_film(SimpleNamespace(scan=scan, strips=strips, camera=camera), 2.0)
    assert cut.lines == 256
    assert cut.lag == 52
    assert np.count_nonzero(np.diff(cut.first) == 256) == 20
    assert len(cut.first) == 24
    assert cut.first[-1] > 15000


def test_a_window_follows_none_that_is_far_away() -> None:
    line = np.arange(1700)
    some = as_texture(film(1), (line // 60) % 5 > 0)
    assert agreement(some, some, CUT).windows == 0


def test_an_edge_that_two_others_agree_with_has_no_link() -> None:
    whole = np.zeros((2, 1700), bool)
    shown = [EdgeProfiles(np.stack([film(a), film(b)]), whole, 1.0) for a, b in ((10, 1), (1, 11), (12, 13))]
    textures = {(k, side): edge_texture(shown[k], side, CUT) for k in range(3) for side in range(2)}
    assert strip_order._links(shown, textures, [False, False], CUT) == both_ways(((0, 1), (1, 0), False))
    shown[2] = EdgeProfiles(np.stack([film(1), film(13)]), whole, 1.0)
    textures |= {(2, side): edge_texture(shown[2], side, CUT) for side in range(2)}
    assert strip_order._links(shown, textures, [False, False], CUT) == {}


def test_a_profile_runs_as_the_film_does() -> None:
    dn = np.arange(40, dtype=np.uint16).reshape(10, 4)
    lost = np.zeros((10, 4), bool)
    lost[2, 3] = True
    profile = edge_profiles(dn, lost, 2, 4.0, is_reversed=True)
    np.testing.assert_allclose(profile.value[:, 0], [36.5, 38.5])
    assert np.argwhere(profile.missing).tolist() == [[1, 7]]
    assert profile.noise_dn == pytest.approx(4 / np.sqrt(2))


def both_ways(*links):
    made = {}
    for one, other, turned in links:
        made[one], made[other] = (other, turned), (one, turned)
    return made


def test_chains_say_where_strips_stand_that_were_exchanged() -> None:
    """Strips 1 and 4 of six."""
    links = both_ways(
        ((0, 1), (4, 0), False), ((4, 1), (2, 0), False), ((3, 1), (1, 0), False), ((1, 1), (5, 0), False)
    )
    (chain,) = chains_of(6, [False, False, True, False, False], links)
    assert [place.strip for place in chain.places] == [0, 4, 2, 3, 1, 5]
    assert {place.strip: place.position for place in chain.out_of_place()} == {1: 4, 4: 1}
    assert chain.is_settled


def test_chains_say_which_strips_are_turned_or_mirrored() -> None:
    turned = both_ways(((1, 1), (2, 0), True), ((2, 1), (3, 0), True))
    (chain,) = chains_of(5, [True, False, False, True], turned)
    assert [(p.strip, p.is_turned, p.is_mirrored) for p in chain.out_of_place()] == [(2, True, False)]
    mirrored = both_ways(((1, 1), (2, 1), False), ((2, 0), (3, 0), False))
    (chain,) = chains_of(5, [True, False, False, True], mirrored)
    assert [(p.strip, p.position, p.is_mirrored) for p in chain.out_of_place()] == [(2, 2, True)]


def test_a_chain_that_leaves_open_who_is_wrong_says_so() -> None:
    """Two of eight that follow each other and stand apart: either may be the one in its place."""
    chain = next(
        c
        for c in chains_of(8, [True] * 2 + [False] * 3 + [True] * 2, both_ways(((5, 1), (3, 0), False)))
        if c.places[0].strip in (3, 5) or c.places[-1].strip == 3
    )
    assert not chain.is_settled
    assert all(c.is_settled for c in chains_of(3, [True, False], {}))


def looked_at(offsets, seams, noise_dn=1.0, turned=(), aside=None):  # type: ignore[no-untyped-def]
    """A frame of strips of 1600 lines that lie off by so many lines, of 20 that the tolerance is, along seams of that
    film on their left and right, some of them turned end to end, or by their marks so many samples `aside` of where
    they are said to lie; and their overlaps, of ten samples."""
    n, zero = 1600, np.zeros((2, 1600), bool)
    each = zip(offsets, seams, strict=True)
    values = [np.stack([film(seed)[50 + off : 50 + off + n] for seed in sides]) for off, sides in each]
    shown = [EdgeProfiles(v[:, :: -1 if k in turned else 1], zero, noise_dn) for k, v in enumerate(values)]
    strips = [
        StripRaster(k, Path(f"{k}.tif"), n, 50, np.dtype(np.uint16), is_reversed=False) for k in range(len(shown))
    ]
    scan = SimpleNamespace(
        first_line_mm=-4.0, line_mm=0.005, sample_mm=0.005, pitch_mm=0.2, tolerance_mm=0.1, strips="*.tif",
        reversed="none",
    )  # fmt: skip
    sweeps = [sweep_at(0.2 * k + 0.005 * off, n) for k, off in enumerate(aside or [0] * len(shown))]
    frame = SimpleNamespace(strips=strips, scan=scan, camera=SimpleNamespace(format_mm=(8.0, 8.0)), path=Path("f"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(strip_order, "of_scene", lambda frame, profiles, sweeps: profiles)
        patch.setattr(strip_facing, "lines_of_marks_and_wedge", lambda frame, sweep, strip, width: zero)
        whole = [np.repeat(profile.value.T, 25, axis=1) for profile in shown]
        return frame, overlaps_of(frame, shown, sweeps, lambda k: (whole[k], np.zeros(whole[k].shape, bool)))


def sweep_at(x_mm, n_lines):  # type: ignore[no-untyped-def]
    """The sweep of 50 samples from a film x on."""
    sample, line = np.arange(50.0), np.arange(float(n_lines))
    sigma = np.full(n_lines, 0.1)
    return StripSweep(x_mm + 0.005 * sample, 0 * line, -4.0 + 0.005 * line, 0 * sample, sigma, sigma)


def said_of(offsets, seams, noise_dn=1.0, unmarked=(), turned=(), aside=None):  # type: ignore[no-untyped-def]
    """What is said of strips that are left out, by strip."""
    found = strips_out_of_place(*looked_at(offsets, seams, noise_dn, turned, aside), unmarked)
    return {out.strip: out.why.text for out in found}


SEAMS = [(k, k + 1) for k in range(7)]
GAP = [*SEAMS[:4], *[(k + 1, k + 2) for k in range(4, 7)]]  # a strip lacks between the fourth and the fifth
FOREIGN = [(13, 14) if k == 3 else sides for k, sides in enumerate(SEAMS)]


@pytest.mark.parametrize("off", [0, 14, 19])
def test_nothing_is_said_of_strips_off_either_way_however_far_the_tolerance_allows(off) -> None:
    assert said_of([0, 0, -off, off, -off, 0, 0], SEAMS) == {}


def test_a_strip_of_other_film_is_told_by_texture_that_stands_out_of_the_noise() -> None:
    said = said_of([0] * 7, FOREIGN)
    assert list(said) == [3]
    assert said[3].endswith("its overlaps do not fit its place: it shows different film from strips 2 and 4")
    said = said_of([0] * 7, FOREIGN, unmarked=(3,))
    assert said[3].endswith(
        "neither its reseau marks nor its overlaps fit its place: it shows different film from strips 2 and 4"
    )
    assert said_of([0] * 7, FOREIGN, noise_dn=1000.0) == {}


@pytest.mark.parametrize("way", [-1, 1])
def test_a_strip_that_its_marks_place_sideways_shows_other_film_at_its_edges_without_being_another_strip(way) -> None:
    """Eight samples aside, two are left of the ten that its edges have in common with the neighbours' by the scan."""
    assert list(said_of([0] * 7, FOREIGN, aside=(0, 0, 0, 2 * way, 0, 0, 0))) == [3]
    assert said_of([0] * 7, FOREIGN, aside=(0, 0, 0, 8 * way, 0, 0, 0)) == {}


@pytest.mark.parametrize("off", [-7, 7])
def test_strips_that_lie_off_sideways_show_the_same_film_where_they_overlap_by_their_marks(off) -> None:
    """Film that changes from sample to sample: of the ten that edges should have in common, three are."""
    n, frame = 1600, looked_at([0] * 7, SEAMS)[0]
    shows = np.stack([film(100 + x, n) for x in range(320)], axis=1)
    first = [10 + 40 * k + (off if k == 3 else 0) for k in range(7)]
    noise = np.random.default_rng(5).normal(0, 12, (7, n, 50))
    whole, lost = [shows[:, x : x + 50] + each for x, each in zip(first, noise, strict=True)], np.zeros((n, 50), bool)
    shown = [edge_profiles(dn, lost, 10, 12.0, is_reversed=False) for dn in whole]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(strip_order, "of_scene", lambda frame, profiles, sweeps: profiles)
        patch.setattr(
            strip_facing, "lines_of_marks_and_wedge", lambda frame, sweep, strip, width: np.zeros((2, n), bool)
        )
        overlaps = [
            overlaps_of(frame, shown, [sweep_at(0.005 * x, n) for x in places], lambda k: (whole[k], lost))
            for places in ([10 + 40 * k for k in range(7)], first)
        ]
    assert list(overlaps[0].sound) == [True, True, False, False, True, True]
    assert len(doubtful(overlaps[0], {}, ())) == sum(overlaps[0].other) > 0
    assert overlaps[1].other == overlaps[0].other
    assert all(sound or not other for sound, other in zip(overlaps[1].sound, overlaps[1].other, strict=True))
    assert strips_out_of_place(frame, overlaps[1], ()) == doubtful(overlaps[1], {}, ()) == ()


def test_an_end_strip_or_two_that_show_other_film_are_told_only_if_their_marks_are_missing_too() -> None:
    end = [(20, 21), *SEAMS[1:]]
    assert said_of([0] * 7, end) == {}
    assert list(said_of([0] * 7, end, unmarked=(0,))) == [0]
    two = [*SEAMS[:2], (22, 23), (23, 24), *SEAMS[4:]]
    assert said_of([0] * 7, two, unmarked=(2,)) == {}
    said = said_of([0] * 7, two, unmarked=(2, 3))
    assert list(said) == [2, 3]
    assert said[3].endswith("different film from strips 1 and 4 (strips 2 to 3 continue each other)")


def test_a_strip_that_is_exchanged_mirrored_or_turned_is_told_by_those_that_it_continues() -> None:
    said = said_of([0] * 7, [SEAMS[k] for k in (0, 1, 4, 3, 2, 5, 6)])
    assert set(said) == {2, 4}
    assert set(said.values()) == {"they are exchanged, as their overlaps show: both are left out"}
    said = said_of([0] * 7, [SEAMS[k] for k in (0, 1, 4, 3, 2, 5, 6)], turned=(2,))
    assert "(put right, it continues strips 3 and 5), in the place of strip 4" in said[2]
    assert said[4].endswith("it lies beside strips 1 and 3, in the place of strip 2")
    said = said_of([0] * 7, [SEAMS[k] for k in (0, 2, 3, 1, 4, 5, 6)])
    assert list(said) == [1, 2, 3]
    assert said[3].endswith("it lies beside strips 0 and 1, in the place of strip 1")
    said = said_of([0] * 7, [sides[:: -1 if k == 3 else 1] for k, sides in enumerate(SEAMS)])
    assert list(said) == [3]
    assert said[3].endswith("it is mirrored (put right, it continues strips 2 and 4)")
    said = said_of([0] * 7, SEAMS, turned=(3,))
    assert list(said) == [3]
    assert said[3].endswith("its lines run the other way than stated (put right, it continues strips 2 and 4)")
    mirrored = [sides[:: -1 if k == 3 else 1] for k, sides in enumerate(SEAMS)]
    assert said_of([0] * 7, mirrored, turned=(3,))[3].endswith(
        "it is turned by 180 degrees (put right, it continues strips 2 and 4)"
    )
    with pytest.raises(InputError, match=r'scan.reversed: found "none", with which no strip continues its neighbours'):
        said_of([0] * 7, SEAMS, turned=(1, 3, 5))
    with pytest.raises(InputError, match=r"scan.strips: .* their overlaps give"):
        said_of([0] * 7, [SEAMS[k] for k in (5, 0, 4, 2, 6, 1, 3)])


def test_where_no_neighbours_show_the_same_film_nothing_is_said_of_any() -> None:
    assert said_of([0] * 7, [(2 * k, 2 * k + 1) for k in range(7)]) == {}


def test_marks_that_the_tape_lost_are_not_missed() -> None:
    """A strip without marks among others that show theirs may be another strip; one that was lost is not. A mark may
    be expected just behind the end of a strip: nothing is there."""
    strip = np.repeat(np.arange(4), 12)
    sought = Sought(strip, np.tile(np.arange(12), 4), np.tile(np.arange(12.0) * 10, 4), np.full(48, 5.0))
    found = SimpleNamespace(strength=np.array([0.2, 11.0, 11.0, 11.0]))

    def reader(sigma):
        def read(first, stop, samples=slice(None)):
            if not 0 <= first < stop <= 111:
                raise ValueError("no such line")
            return np.zeros((stop - first, 9)), np.full((stop - first, 9), sigma)

        return read

    count, sweeps = np.full(4, 12), [SimpleNamespace(n_lines=111, n_samples=9)] * 4
    assert _lacking_marks(sought, count, found, [reader(1.0)] * 4, sweeps) == {0: 12}
    assert _lacking_marks(sought, count, found, [reader(np.inf)] * 4, sweeps) == {}
    beyond = Sought(sought.strip, sought.mark, sought.line + 1, sought.sample)  # the last of each strip on line 111
    assert _lacking_marks(beyond, count, found, [reader(1.0)] * 4, sweeps) == {0: 11}


def test_a_strip_without_its_marks_is_doubted_unless_it_continues_others_that_show_theirs() -> None:
    overlaps = looked_at([0] * 7, SEAMS)[1]
    assert doubtful(overlaps, {3: 12}, ()) == ()
    overlaps = looked_at([0] * 7, FOREIGN, noise_dn=1000.0)[1]
    (said,) = doubtful(overlaps, {3: 12}, ())
    assert said.strips == (3,)
    assert said.text.startswith("its 12 reseau marks were not found within the tolerance")
    overlaps = looked_at([0] * 7, GAP)[1]  # the last three continue each other, all a pitch off
    assert [said.strips for said in doubtful(overlaps, {5: 12, 6: 12}, ())] == [(5,), (6,)]


def test_neighbours_that_show_other_film_are_doubted_where_both_are_used() -> None:
    overlaps = looked_at([0] * 7, GAP)[1]
    (said,) = doubtful(overlaps, {}, ())
    assert said.strips == (3, 4)
    assert said.text.startswith("they show different film where they should overlap: strips may be missing between")
    assert doubtful(overlaps, {}, [strip_order.LeftOut(4, Remark(""))]) == ()
    assert doubtful(looked_at([0] * 7, GAP, noise_dn=1000.0)[1], {}, ()) == ()


def wedge_frame(stated: str = "odd"):
    patches = [SimpleNamespace(value=0.2 * k, y_mm=(k, k + 1.0), across_mm=(-1.0, 1.0)) for k in range(5)]
    scan = SimpleNamespace(sample_mm=0.1, line_mm=0.05, first_line_mm=-2.0, tolerance_mm=0.4, reversed=stated)
    return SimpleNamespace(scan=scan, film=SimpleNamespace(wedge=SimpleNamespace(patches=patches)), path="f/frame.toml")


def wedge_strip(offset: int, order=range(5)) -> np.ndarray:
    dn = np.random.default_rng(3).integers(0, 9000, (600, 60))
    for k, step in enumerate(order):
        first = round((k + 2) / 0.05) + offset
        dn[first : first + 20] = 9000 - 1500 * step + np.random.default_rng(k).integers(0, 99, (20, 60))
    return dn.astype(np.uint16)


def test_a_wedge_shows_at_the_end_where_it_is() -> None:
    frame, dn, whole = wedge_frame(), wedge_strip(5), np.zeros((600, 60), bool)
    stated, turned = wedge_shown(dn, whole, frame, is_reversed=False)
    assert stated > 0.95
    assert turned < 0.8
    assert wedge_shown(dn[::-1], whole, frame, is_reversed=True) == (stated, turned)
    assert wedge_shown(dn[::-1], whole, frame, is_reversed=False) == (turned, stated)
    assert wedge_shown(dn, ~whole, frame, is_reversed=False) == (0.0, 0.0)
    assert wedge_shown(wedge_strip(5, (4, 3, 2, 1, 0)), whole, frame, is_reversed=False)[0] > 0.95
    assert wedge_shown(wedge_strip(5, (0, 3, 1, 4, 2)), whole, frame, is_reversed=False)[0] < 0.9


def test_a_wedge_in_two_columns_shows_by_those_of_one() -> None:
    """The same film described as patches side by side: no column of samples is under all of them."""
    frame, whole = wedge_frame(), np.zeros((600, 60), bool)
    sides = [
        SimpleNamespace(**vars(patch) | {"across_mm": across})
        for patch in frame.film.wedge.patches
        for across in ((patch.across_mm[0], -0.1), (0.1, patch.across_mm[1]))
    ]
    frame.film.wedge.patches = sides
    stated, turned = wedge_shown(wedge_strip(5), whole, frame, is_reversed=False)
    assert stated > 0.95
    assert turned < 0.8


def test_strips_that_show_the_wedge_at_their_other_ends_are_refused() -> None:
    """Turned all together they continue each other; one that is, or a wedge at both ends, is no proof."""
    with pytest.raises(InputError, match=r'scan.reversed: found "odd", .* expected "even": 3 of 4 strips show it at'):
        refuse_turned(wedge_frame(), [(0.1, 0.99), (0.0, 0.99), (0.5, 0.98), (0.0, 0.2)])
    with pytest.raises(InputError, match="expected strips that begin at first_line_mm"):
        refuse_turned(wedge_frame("none"), [(0.1, 0.99)])
    refuse_turned(wedge_frame(), [(0.1, 0.99), (0.0, 0.99), (0.5, 0.2), (0.0, 0.2)])
    refuse_turned(wedge_frame(), [(0.1, 0.99), (0.0, 0.99), (0.95, 0.99), (0.0, 0.2)])


@given(hnp.arrays(float, hnp.array_shapes(min_dims=1, max_dims=2, min_side=1, max_side=9), elements=st.integers(0, 5)))
def test_centred_ranks_are_scipys(values: np.ndarray) -> None:
    """scipy.stats.rankdata, equal ones at their mean rank; the statistics package itself takes a fifth of start-up."""
    expected = rankdata(values, axis=0)
    assert np.array_equal(centred_ranks(values), expected - expected.mean(axis=0))
