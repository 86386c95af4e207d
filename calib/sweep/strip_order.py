"""Finds strips that are not as described: swapped, out of order, turned end to end, mirrored, or of another film.

Neighbouring strips show the same film where they overlap. Where they do not, the unmatched edges are compared with each
other in both directions. Edges that show the same film are links, and links make chains. The place and direction of a
strip in its chain are compared with those in the description. An overlap without texture proves nothing: a strip is
rejected only by a link, or by texture that differs where it should be the same.
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

SOUND = 1e-3  # chance probability below which the agreement of neighbours proves that they show the same film
BY_CHANCE = 1e-3  # probability of any false link in a frame
# Neighbours may show different film if the chance probability of their agreement is above DIFFERENT, the texture of
# both edges exceeds that of noise by the factor TEXTURED, there are LEAST_WINDOWS windows, so that common film would
# have matched in many, and no course of lags has a chance probability below SAME.
DIFFERENT = 0.01
TEXTURED = 2.0
LEAST_WINDOWS = 8
SAME = 0.001
NEAR, MANY = 8, 64  # with more than MANY unmatched edges, only edges up to NEAR strips apart are compared
APART, FARTHEST = 1.5, 2.0  # tolerances by which edges of the same film are displaced hardly ever, and never
MOST_NAMED = 12  # files in one sentence

Textures = dict[Edge, EdgeTexture]
Read = Callable[[int], tuple[NDArray, Bools]]
Links = dict[Edge, tuple[Edge, bool]]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A strip that is left out because it is not as described, and the evidence, `why`."""

    strip: int
    why: Remark


@dataclass(frozen=True, slots=True, eq=False)
class Overlaps:
    """Edge profiles of the scene, and for each pair of neighbours (K-1,) whether they are proven to show the same film,
    and whether they are proven to show different film, `other`.

    Different film must be found both where they should overlap by the description and where they do by their marks.
    """

    shown: Sequence[EdgeProfiles]
    textures: Textures
    cut: Cut
    sound: tuple[bool, ...]
    other: tuple[bool, ...]
    other_by_marks: tuple[bool, ...]

    def blocks(self) -> list[range]:
        """Runs of strips that continue each other, from left to right; single strips are runs of one."""
        ends = [0, *(k + 1 for k, is_sound in enumerate(self.sound) if not is_sound), len(self.sound) + 1]
        return [range(first, stop) for first, stop in pairwise(ends)]


def overlaps_of(
    frame: Frame, profiles: Sequence[EdgeProfiles], sweeps: Sequence[StripSweep], read: Read, threads: int = 1
) -> Overlaps:
    """Compare neighbours where they overlap. `sweeps` are those by the marks.

    They tell which lines show marks, and where the strips overlap if not at the described samples. Only in that case is
    a strip read, by `read`: its samples and the mask of the lost ones.
    """
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
    """Whether two edges have enough texture to be compared, yet few windows match consistently."""
    found = agreement(left, right, cut)
    is_told = found.windows >= LEAST_WINDOWS and min(left.over_noise, right.over_noise) > TEXTURED
    return is_told and found.chance > DIFFERENT


def _show_other_film(left: EdgeTexture, right: EdgeTexture, cut: Cut) -> bool:
    """Whether two edges show different film: few windows match consistently, and no course of lags makes them alike."""
    if not _hardly_agree(left, right, cut):
        return False
    course = course_by_chance(left, right, cut)
    return course is not None and course > SAME


def strips_out_of_place(frame: Frame, overlaps: Overlaps, unmarked: Collection[int]) -> tuple[LeftOut, ...]:
    """The strips to be left out, judged by their overlaps.

    `unmarked` are strips whose marks were not found although those of other strips were.

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
    """Links between unmatched edges: for each edge its partner, and whether the two strips are turned end to end."""
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
    of_edge: dict[Edge, list[int]] = {edge: [] for edge in free}  # indices of its comparisons, the best first
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
    """A remark on a strip whose place or direction in its chain is not as described."""
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
    """The two strips if a strip and another lie in each other's places, scanned as strips of these are; else none."""
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
    """A remark on a strip in a chain whose place on the film is ambiguous."""
    by = next(_beside(place, chain) for place in chain.places if place.strip == strip)
    said = f"its overlaps with {by} contradict the stated order; which of these strips is wrong is unknown"
    return Remark(f"left out: {said}", (strip,))


def _foreign_blocks(overlaps: Overlaps, unmarked: Collection[int]) -> list[range]:
    """Runs of strips that show different film from the strips beside them, while most other strips agree.

    Their marks must be missing too, unless it is a single strip between two neighbours.
    """
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
    """Remarks on strips whose marks were not found, and on neighbours that show different film though both are used.

    `unmarked` maps a strip to the number of marks it should show. Strips that continue a run in which most strips show
    their marks are not mentioned.
    """
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
