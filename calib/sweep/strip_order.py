"""Strips that are not what they are said to be: exchanged, listed out of order, turned end to end, mirrored, foreign.

Neighbouring strips show the same film where they overlap. Where they do not, the edges that are left over are compared
with each other, both ways round. Edges that show the same film are links, and links make chains. What a chain's other
strips say of a strip's place and direction is held against what the description says of it. Nothing is claimed of a
strip only because its overlaps are empty: a claim needs a link, or texture that differs where it should be the same.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.frame.frame import Frame
from calib.frame.remarks import Remark
from calib.ordered import shared_out
from calib.sweep.model import StripSweep
from calib.sweep.strip_chains import Chain, Edge, Place, chains_of
from calib.sweep.strip_edges import (
    Bools,
    Cut,
    EdgeProfiles,
    EdgeTexture,
    agreement,
    course_by_chance,
    cut_film,
    edge_texture,
    of_scene,
    overlap_width,
)
from calib.sweep.strip_facing import facing_textures

SOUND = 1e-3  # neighbours whose agreement is less likely by chance show the same film
BY_CHANCE = 1e-3  # of any link in a frame
DIFFERENT = 0.01  # neighbours whose agreement is more likely by chance than this may show different film, with
TEXTURED = 2.0  # times noise's own texture in both edges,
LEAST_WINDOWS = 8  # windows enough that film in common would have followed in many,
SAME = 0.001  # and no course of lags along which they are more alike than this by chance
NEAR = 8  # strips away, edges are compared at most where more than
MANY = 64  # edges are left over
APART, FARTHEST = 1.5, 2.0  # tolerances that edges of the same film hardly ever lie apart, and never do
MOST_NAMED = 12  # files in one sentence

Textures = dict[Edge, EdgeTexture]
Read = Callable[[int], tuple[NDArray, Bools]]
Links = dict[Edge, tuple[Edge, bool]]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A strip that is not what it is said to be, and what speaks for it."""

    strip: int
    why: Remark


@dataclass(frozen=True, slots=True, eq=False)
class Overlaps:
    """What the strips' edges show of the scene, and of neighbours (K-1,) whether it is the same film, and whether it is
    told to be other film: where they should overlap by the scan's description, and where they do by their marks too."""

    shown: Sequence[EdgeProfiles]
    textures: Textures
    cut: Cut
    sound: tuple[bool, ...]
    other: tuple[bool, ...]
    other_by_marks: tuple[bool, ...]

    def blocks(self) -> list[range]:
        """Strips that continue each other, from left to right; or one alone."""
        ends = [0, *(k + 1 for k, is_sound in enumerate(self.sound) if not is_sound), len(self.sound) + 1]
        return [range(first, stop) for first, stop in pairwise(ends)]


def overlaps_of(
    frame: Frame, profiles: Sequence[EdgeProfiles], sweeps: Sequence[StripSweep], read: Read, threads: int = 1
) -> Overlaps:
    """Compare neighbours where they overlap; `sweeps` by the marks say where marks lie in the strips, and where the
    strips overlap if it is not where they should. Only then is a strip read: its samples and what is lost of them."""
    cut, far = cut_film(frame, APART), cut_film(frame, FARTHEST)
    shown = of_scene(frame, profiles, sweeps)
    count = len(frame.strips)
    edges_of = [(k, side) for k in range(count) for side in range(2)]
    seen = shared_out(lambda edge: edge_texture(shown[edge[0]], edge[1], cut), edges_of, threads)
    textures = dict(zip(edges_of, seen, strict=True))
    agreed = shared_out(lambda k: agreement(textures[k, 1], textures[k + 1, 0], cut), range(count - 1), threads)
    sound = [each.chance < SOUND for each in agreed]
    other, by_marks = [False] * (count - 1), [False] * (count - 1)
    for k in (k for k, is_sound in enumerate(sound) if not is_sound):
        edges = edge_texture(shown[k], 1, far), edge_texture(shown[k + 1], 0, far)
        if _hardly_agree(*edges, far):
            other[k] = _show_other_film(*edges, far)
            pair = slice(k, k + 2)
            noise_dn = [profile.noise_dn * float(np.sqrt(overlap_width(frame))) for profile in profiles[pair]]
            facing = facing_textures(frame, k, [read(k), read(k + 1)], noise_dn, sweeps[pair], far)
            sound[k] = agreement(*facing, far).chance < SOUND
            by_marks[k] = _show_other_film(*facing, far)
    return Overlaps(shown, textures, cut, tuple(sound), tuple(other), tuple(by_marks))


def _hardly_agree(left: EdgeTexture, right: EdgeTexture, cut: Cut) -> bool:
    """Whether two edges have texture enough to be told apart, and few windows follow each other."""
    found = agreement(left, right, cut)
    is_told = found.windows >= LEAST_WINDOWS and min(left.over_noise, right.over_noise) > TEXTURED
    return is_told and found.chance > DIFFERENT


def _show_other_film(left: EdgeTexture, right: EdgeTexture, cut: Cut) -> bool:
    """Whether two edges show different film: windows hardly follow, nor are they alike along any course of lags."""
    if not _hardly_agree(left, right, cut):
        return False
    course = course_by_chance(left, right, cut)
    return course is not None and course > SAME


def strips_out_of_place(frame: Frame, overlaps: Overlaps, unmarked: Collection[int]) -> tuple[LeftOut, ...]:
    """The strips to be left out, as their overlaps tell; `unmarked` are strips whose marks were not found although
    those of others were.

    Raises:
        InputError: most of the strips are out of order, or turned as `scan.reversed` does not say.
    """
    shown, textures, sound = overlaps.shown, overlaps.textures, overlaps.sound
    if all(sound):
        return ()
    count = len(frame.strips)
    links = _links(shown, textures, sound, overlaps.cut)
    if links and not any(sound):
        _refuse_turned(frame, links)
    out: dict[int, Remark] = {}
    for chain in chains_of(count, sound, links):
        if chain.is_settled:
            _refuse_order(frame, chain)
            out |= {place.strip: _moved(frame, place, chain) for place in chain.out_of_place()}
            continue
        loose = [p.strip for p in chain.places if not any(_is_taken(p.strip, side, sound) for side in range(2))]
        if not loose or not any(sound):
            raise _wrong_order(frame, chain)
        out |= {k: _unsettled(k, chain) for k in loose}
    for block in _foreign_blocks(overlaps, unmarked):
        out |= {k: _foreign(frame, k, block, k in unmarked) for k in block if k not in out}
    return tuple(LeftOut(k, out[k]) for k in sorted(out))


def _links(shown: Sequence[EdgeProfiles], textures: Textures, sound: Sequence[bool], cut: Cut) -> Links:
    """Edges that show the same film, each to its one partner and whether that is turned end to end against it."""
    free = [(k, side) for k, side in textures if not _is_taken(k, side, sound)]
    turned = {(k, side): edge_texture(shown[k], side, cut, is_turned=True) for k, side in free}
    reach = NEAR if len(free) > MANY else len(shown)
    tried: list[tuple[float, Edge, Edge, bool]] = [
        (agreement(textures[one], ways[other], cut).chance, one, other, is_turned)
        for i, one in enumerate(free)
        for other in free[i + 1 :]
        if 0 < other[0] - one[0] <= reach
        for is_turned, ways in ((False, textures), (True, turned))
    ]
    tried.sort()
    of_edge: dict[Edge, list[int]] = {edge: [] for edge in free}  # what was tried, likeliest first
    for i, (_, one, other, _) in enumerate(tried):
        of_edge[one].append(i)
        of_edge[other].append(i)
    links: Links = {}
    for i, (chance, one, other, is_turned) in enumerate(tried):
        if chance * len(tried) >= BY_CHANCE:
            break
        rivals = [tried[j][0] for edge in (one, other) for j in of_edge[edge][:2] if j != i]
        if min(rivals, default=1.0) > np.sqrt(chance):
            links[one], links[other] = (other, is_turned), (one, is_turned)
    return links


def _is_taken(strip: int, side: int, sound: Sequence[bool]) -> bool:
    """Whether an edge shows the same film as its neighbour's."""
    seam = strip - 1 + side
    return 0 <= seam < len(sound) and sound[seam]


def _refuse_turned(frame: Frame, links: Links) -> None:
    """InputError where all links are between neighbours that are turned against each other."""
    pairs = sorted((one, other) for one, (other, is_turned) in links.items() if one < other and is_turned)
    if 2 * len(pairs) == len(links) and all(other == (strip + 1, 0) for (strip, side), other in pairs if side == 1):
        stated = frame.scan.reversed
        strips = pairs[0][0][0], pairs[0][1][0]
        expected = "odd or even" if stated == "none" else "none"
        found = f'"{stated}", with which no strip continues its neighbours'
        expected = (
            f"the direction of each strip ({expected}): {strips[0]} and {strips[1]} are turned against each other"
        )
        raise InputError(frame.path, "scan.reversed", found, expected)


def _refuse_order(frame: Frame, chain: Chain) -> None:
    """InputError where less than half of all strips are as stated."""
    if 2 * len(chain.out_of_place()) > len(chain.places):
        raise _wrong_order(frame, chain)


def _wrong_order(frame: Frame, chain: Chain) -> InputError:
    names = [frame.strips[place.strip].path.name for place in chain.places]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    found = f'"{frame.scan.strips}", whose strips do not follow each other on the film'
    expected = f"strips in film order; their overlaps give {', '.join(names[:MOST_NAMED])}{more}"
    return InputError(frame.path, "scan.strips", found, expected)


def _moved(frame: Frame, place: Place, chain: Chain) -> Remark:
    """What a chain says of a strip that is not as it is said to be."""
    exchanged = _exchanged(frame, place, chain)
    if exchanged:
        return Remark("they are exchanged, as their overlaps show: both are left out", exchanged)
    by = _beside(place, chain)
    is_turned = not _is_upright(frame, replace(place, is_mirrored=False))
    if place.is_mirrored:
        how = f"it is {'turned by 180 degrees' if is_turned else 'mirrored'} (put right, it continues {by})"
    elif is_turned:
        how = f"its lines run the other way than stated (put right, it continues {by})"
    else:
        how = f"it lies beside {by}"
    where = f", in the place of strip {place.position}" if place.position != place.strip else ""
    return Remark(f"left out: its overlaps show that {how}{where}", (place.strip,))


def _exchanged(frame: Frame, place: Place, chain: Chain) -> tuple[int, ...]:
    """Two strips of which each stands in the other's place, and as strips of that place are scanned; else none."""
    pair = [p for p in chain.places if {p.strip, p.position} == {place.strip, place.position}]
    if len(pair) != 2 or not all(_is_upright(frame, p) for p in pair):
        return ()
    return tuple(sorted(p.strip for p in pair))


def _is_upright(frame: Frame, place: Place) -> bool:
    """Whether a strip lies as strips of its place are scanned."""
    there = frame.strips[place.position].is_reversed != frame.strips[place.strip].is_reversed
    return place.is_turned == there and not place.is_mirrored


def _beside(place: Place, chain: Chain) -> str:
    """The strips beside one in a chain."""
    return _numbered([p.strip for p in chain.places if abs(p.position - place.position) == 1])


def _numbered(strips: Sequence[int]) -> str:
    """One strip, or two, by number."""
    return f"{'strip' if len(strips) == 1 else 'strips'} {' and '.join(map(str, strips))}"


def _unsettled(strip: int, chain: Chain) -> Remark:
    """What a chain that leaves places open says of a strip in it."""
    by = next(_beside(place, chain) for place in chain.places if place.strip == strip)
    said = f"its overlaps with {by} contradict the stated order; which of these strips is wrong is unknown"
    return Remark(f"left out: {said}", (strip,))


def _foreign_blocks(overlaps: Overlaps, unmarked: Collection[int]) -> list[range]:
    """Strips that continue each other, or one alone, and show other film than the strips beside them, while most others
    agree: their marks are not found either, or it is one strip between two."""
    sound, found = overlaps.sound, []
    for block in overlaps.blocks():
        borders = [k for k in (block.start - 1, block.stop - 1) if 0 <= k < len(sound)]
        others = [is_sound for k, is_sound in enumerate(sound) if k not in borders]
        if not borders or 2 * sum(others) <= len(others) or not all(overlaps.other_by_marks[k] for k in borders):
            continue
        if set(block) <= set(unmarked) or len(block) < len(borders):
            found.append(block)
    return found


def _foreign(frame: Frame, strip: int, block: range, is_unmarked: bool) -> Remark:
    marks = "neither its reseau marks nor its overlaps fit" if is_unmarked else "its overlaps do not fit"
    strips = _numbered([k for k in (block[0] - 1, block[-1] + 1) if 0 <= k < len(frame.strips)])
    with_it = f" (strips {block[0]} to {block[-1]} continue each other)" if len(block) > 1 else ""
    return Remark(f"left out: {marks} its place: it shows different film from {strips}{with_it}", (strip,))


def doubtful(overlaps: Overlaps, unmarked: Mapping[int, int], left_out: Sequence[LeftOut]) -> tuple[Remark, ...]:
    """A remark on each strip without its marks, of which so many should be there, unless it continues others that
    mostly show theirs; and for neighbours that show other film, where both are used."""
    out = {strip.strip for strip in left_out}
    strange = [k for block in overlaps.blocks() for k in block if 2 * len(set(block) & set(unmarked)) > len(block)]
    apart = [k for k in range(len(overlaps.sound)) if not overlaps.sound[k] and not {k, k + 1} & {*out, *strange}]
    return (
        *(
            Remark(
                f"its {unmarked[k]} reseau marks were not found within the tolerance, although those of other strips "
                "were; it may be a strip of another place, and then its own is wrong",
                (k,),
            )
            for k in strange
            if k in unmarked
        ),
        *(
            Remark(
                "they show different film where they should overlap: strips may be missing between them, or one of "
                "them belongs to another frame",
                (k, k + 1),
            )
            for k in apart
            if overlaps.other_by_marks[k]
        ),
    )
