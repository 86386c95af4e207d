"""Where marks and overlaps put each strip: also that strips are missing, or are not what they are said to be.

A strip that is not what it is said to be is looked at as if the tape had lost it, and the marks are looked for again. A
strip that no file holds is put into the frame, all of it lost, so that those after it get their places: their own marks
must be found there.
"""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.errors import CalibError
from calib.frame.frame import Frame, StripRaster
from calib.frame.remarks import Remark
from calib.frame.strips import parted, with_gap
from calib.run.fitting.damage import damaged
from calib.run.fitting.looks import Look, looks_of
from calib.run.fitting.spoilt_lines import without_spoilt
from calib.run.fitting.strip_gaps import MOST_MISSING, suspected
from calib.sweep.candidates import no_candidates
from calib.sweep.first_look import first_look
from calib.sweep.line_breaks import line_breaks
from calib.sweep.model import StripSweep
from calib.sweep.strip_order import LeftOut, Overlaps, doubtful, overlaps_of, strips_out_of_place
from calib.sweep.tables import EVERY_SAMPLE, FirstLook, ReadWindow
from calib.sweep.wedge_end import refuse_turned
from calib.tone.dropouts import Dropouts, all_lost

MOST_ROUNDS = 4  # of looks for lines that are missing
MOST_TRIED = 4  # places where strips may be missing
FEW, MANY = 0.2, 0.5  # of the marks that should be in strips: chance may find the few, those of their places are many
LEAST_FOUND = 6  # marks: fewer than that chance may find at any place
LESS = 0.8  # as many marks are found as before, or more, but for those of strips that now lie beside the format


@dataclass(frozen=True, slots=True, eq=False)
class FirstPlaces:
    """The frame, with strips that are missing put in as lost; what its strips lost, and where they lie; strips that are
    left out, and what else is to be said of single strips."""

    frame: Frame
    dropouts: tuple[Dropouts, ...]
    sweeps: tuple[StripSweep, ...]
    left_out: tuple[LeftOut, ...]
    warnings: tuple[Remark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A frame whose strips were placed by their marks, and what their overlaps say of that."""

    frame: Frame
    looks: list[Look]
    first: FirstLook
    overlaps: Overlaps


def first_places(frame: Frame, looks: Sequence[Look], threads: int) -> FirstPlaces:
    """The strips' first places.

    Raises:
        InputError: no strip can be read, or the description does not fit most of the strips.
    """
    damaged(frame, [look.dropouts for look in looks])
    twice, looks = _twice(frame, looks), list(looks)
    frame, changed, left = without_spoilt(frame, [look.video for look in looks])
    for k in changed:
        looks[k] = next(looks_of(frame, 1, k))
    placed = _with_gaps(_place(*_in_pieces(frame, looks, threads), threads), threads)
    before = _renumbered((*twice, *left), frame, placed.frame)
    frame, looks = placed.frame, placed.looks
    refuse_turned(frame, [look.wedge for look in looks])
    first, left_out = placed.first, strips_out_of_place(frame, placed.overlaps, placed.first.unmarked)
    if left_out:
        looks = looks.copy()
        for strip in left_out:
            raster = frame.strips[strip.strip]
            lost = all_lost(raster.n_lines, raster.n_samples)
            looks[strip.strip] = replace(looks[strip.strip], dropouts=lost, candidates=no_candidates())
        first = _first(frame, looks, threads)
    dropouts = tuple(look.dropouts for look in looks)
    said, unread = damaged(frame, dropouts)
    said += doubtful(placed.overlaps, first.unmarked, (*unread, *left_out))
    return FirstPlaces(frame, dropouts, first.sweeps, (*unread, *left_out), (*before, *said))


def _renumbered(remarks: Iterable[Remark], before: Frame, now: Frame) -> Iterator[Remark]:
    """Remarks on strips as they were numbered before others were put in between them."""
    number = {strip.path: strip.index for strip in now.strips}
    for remark in remarks:
        yield replace(remark, strips=tuple(number[before.strips[k].path] for k in remark.strips))


def _twice(frame: Frame, looks: Sequence[Look]) -> list[Remark]:
    """A remark on each strip that holds the samples of one before it, as a file does that was copied."""
    first: dict[bytes, StripRaster] = {}
    said = []
    for strip, look in zip(frame.strips, looks, strict=True):
        as_scanned = look.edges.value[:, :: -1 if strip.is_reversed else 1]
        same = first.setdefault(as_scanned.tobytes(), strip)
        if same is not strip and np.ptp(as_scanned) > 0:
            said.append(
                Remark(
                    "they hold the same samples: one of the two is the wrong file, or is one too many, and then the "
                    "strips behind it are placed a strip's pitch off",
                    (same.index, strip.index),
                )
            )
    return said


def _in_pieces(frame: Frame, looks: list[Look], threads: int) -> tuple[Frame, list[Look]]:
    """The frame, and what its strips tell, with film that strips lack put in as lost, and without lines that show film
    twice."""
    for _ in range(MOST_ROUNDS):  # a jump may show only once the neighbours' are mended
        edges = [look.edges for look in looks]
        breaks = line_breaks(frame, edges, partial(_samples, frame, looks), threads)
        if not breaks:
            break
        strips = list(frame.strips)
        for each in reversed(breaks):  # of one strip those farther on first: line numbers hold up to there
            strip = strips[each.strip]
            strips[each.strip] = parted(strip, each.stop, each.start, each.missing, _as_overlaps_show(each.beside))
        frame = replace(frame, strips=tuple(strips))
        for k in {each.strip for each in breaks}:
            looks[k] = next(looks_of(frame, 1, k))
    return frame, looks


def _as_overlaps_show(beside: Sequence[int]) -> str:
    """Words for what shows a jump: a strip's overlaps with the strips `beside` it, one or two."""
    strips = " and ".join(map(str, beside))
    return f"its overlaps with strips {strips} show" if len(beside) > 1 else f"its overlap with strip {strips} shows"


def _samples(frame: Frame, looks: Sequence[Look], strip: int) -> tuple[NDArray, NDArray[np.bool_]]:
    """A strip's samples and what is lost of them."""
    stop = frame.strips[strip].n_lines
    return frame.strips[strip].read(0, stop), looks[strip].dropouts.mask(0, stop)


def _place(frame: Frame, looks: list[Look], threads: int) -> _Placed:
    first = _first(frame, looks, threads)
    edges = [look.edges for look in looks]
    return _Placed(
        frame, looks, first, overlaps_of(frame, edges, first.sweeps, partial(_samples, frame, looks), threads)
    )


def _first(frame: Frame, looks: Sequence[Look], threads: int) -> FirstLook:
    raw = [_reader(strip, look.dropouts, look.noise_dn) for strip, look in zip(frame.strips, looks, strict=True)]
    return first_look(frame, raw, threads, [look.candidates for look in looks])


def _with_gaps(placed: _Placed, threads: int) -> _Placed:
    """The strips with those put in that are missing, where strips do not continue the one before: if marks that hardly
    show are found farther on, or if something else tells that strips are missing and the marks allow it."""
    frame, overlaps, first = placed.frame, placed.overlaps, placed.first
    starts = [block.start for block in overlaps.blocks() if not frame.strips[block.start].is_lost]
    few = [start for start in starts if _expected(first, start) * FEW > _found(first, start)][:MOST_TRIED]
    ends = [look.wedge for look in placed.looks]
    better = []
    for start in starts:
        missing, by = suspected(frame, overlaps, ends, start)
        needed = LESS * _found(first, start) if missing else max(MANY * _expected(first, start), LEAST_FOUND)
        for count in [missing] if missing else range(1, MOST_MISSING + 1) if start in few else ():
            with suppress(CalibError):  # marks on no continuous sweep: strips cannot be missing there
                tried = _place(*_gapped(placed, start, count, by or "its marks", threads), threads)
                there = MANY * _expected(tried.first, start + count)
                if _found(tried.first, start + count) > max(needed, there):
                    better.append(tried)
    if not better:
        return placed
    return _with_gaps(max(better, key=lambda tried: _found(tried.first, 0)), threads)


def _found(first: FirstLook, start: int) -> float:
    """How many marks speak for the places of the strips from `start` on."""
    return float(first.strength[start:].sum())


def _expected(first: FirstLook, start: int) -> int:
    """How many marks should be in the strips from `start` on."""
    return int(first.expected[start:].sum())


def _gapped(placed: _Placed, start: int, count: int, by: str, threads: int) -> tuple[Frame, list[Look]]:
    """The frame with `count` strips put in as missing before strip `start`, as something tells, and what its strips
    tell by themselves."""
    frame = placed.frame
    name = frame.strips[start].path.name
    order = f"is not the next strip after {frame.strips[start - 1].path.name}" if start else "is not the first strip"
    why = f"no file holds it: judging by {by}, {name} {order}"
    gapped = with_gap(frame, start, count, why)
    return gapped, [*placed.looks[:start], *looks_of(gapped, threads, start)]


def _reader(strip: StripRaster, dropouts: Dropouts, noise_dn: float) -> ReadWindow:
    """Lines of DN with an infinite sigma where the tape dropped out, and the strip's typical one elsewhere."""

    def read(first: int, stop: int, samples: slice = EVERY_SAMPLE) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        sigma = np.where(dropouts.mask(first, stop)[:, samples], np.float32(np.inf), np.float32(noise_dn))
        return strip.read(first, stop)[:, samples].astype(np.float32), sigma

    return read
