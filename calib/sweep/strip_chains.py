"""Chains of strips whose edges show the same film, and the place of each strip in its chain."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

Edge = tuple[int, int]  # strip, side: 0 of the first samples, 1 of the last


@dataclass(frozen=True, slots=True)
class Place:
    """A strip in its chain: its place on the film, and whether it is turned end to end or mirrored side to side,
    compared with its description."""

    strip: int
    position: int
    is_turned: bool
    is_mirrored: bool

    @property
    def is_as_stated(self) -> bool:
        """Whether place and direction are as described."""
        return self.strip == self.position and not self.is_turned and not self.is_mirrored


@dataclass(frozen=True, slots=True)
class Chain:
    """Strips that follow each other on the film, from left to right.

    `is_settled`: the chain's place is unambiguous. Only one place makes more than half of its strips as described, or
    the chain holds all strips of the frame.
    """

    places: tuple[Place, ...]
    is_settled: bool

    def out_of_place(self) -> tuple[Place, ...]:
        """The strips that are not as stated."""
        return tuple(place for place in self.places if not place.is_as_stated)


def chains_of(count: int, sound: Sequence[bool], links: Mapping[Edge, tuple[Edge, bool]]) -> tuple[Chain, ...]:
    """The chains of `count` strips, made by `sound` pairs of neighbours (count - 1) and by `links` between other edges.

    A chain gets the place and direction in which most of its strips are as described.
    """
    partner = dict(links)
    for k, is_sound in enumerate(sound):
        if is_sound:
            partner[k, 1], partner[k + 1, 0] = ((k + 1, 0), False), ((k, 1), False)
    left, found = set(range(count)), []
    while left:
        places = _followed(min(left), partner)
        left -= {place.strip for place in places}
        found.append(_settled(places, count))
    return tuple(found)


def _followed(strip: int, partner: Mapping[Edge, tuple[Edge, bool]]) -> list[Place]:
    """All strips linked to a strip, directly or not, placed relative to it; a closed chain is cut at that strip."""
    start = Place(strip, 0, False, False)
    places, seen = [start], {strip}
    for step in (1, -1):
        place = start
        while True:
            leaving = (1 if step > 0 else 0) ^ int(place.is_mirrored)
            if (place.strip, leaving) not in partner:
                break
            (other, side), is_turned = partner[place.strip, leaving]
            if other in seen:
                break
            mirrored = side == (1 if step > 0 else 0)
            place = Place(other, place.position + step, place.is_turned ^ is_turned, mirrored)
            seen.add(other)
            places.append(place)
    return sorted(places, key=lambda place: place.position)


def _settled(places: Sequence[Place], count: int) -> Chain:
    """The chain at the place and in the direction in which most of its strips are as described."""
    ways: list[tuple[Place, ...]] = []
    for turned in (False, True):
        for mirrored in (False, True):
            here = [_other_way(place, turned, mirrored) for place in places]
            first, last = (edge(place.position for place in here) for edge in (min, max))
            for shift in range(-first, count - last):
                moved = [replace(place, position=place.position + shift) for place in here]
                ways.append(tuple(sorted(moved, key=lambda place: place.position)))
    stated = [sum(place.is_as_stated for place in way) for way in ways]
    most = max(stated)
    is_clear = 2 * most > len(places) and stated.count(most) == 1
    return Chain(ways[stated.index(most)], is_clear or len(places) == count)


def _other_way(place: Place, turned: bool, mirrored: bool) -> Place:
    position = -place.position if mirrored else place.position
    return replace(
        place, position=position, is_turned=place.is_turned ^ turned, is_mirrored=place.is_mirrored ^ mirrored
    )
