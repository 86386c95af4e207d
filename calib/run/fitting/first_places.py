"""First places of the strips, by their marks and overlaps; also finds strips that are missing or not as described.

A strip that is not what the description says is treated as lost, and the marks are searched again without it. A missing
strip is inserted into the frame as a lost one, so that the strips after it get their true places; it counts as missing
only if their own marks are found there.
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
from calib.frame.strips import split_at_jump, with_gap
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

MOST_ROUNDS = 4  # searches for missing or repeated lines
MOST_TRIED = 4  # places where marks alone may show a gap
FEW, MANY = 0.2, 0.5  # of the expected marks: chance finds fewer than FEW at a wrong place, the right one shows MANY
LEAST_FOUND = 6  # marks: chance may find fewer at any place
LESS = 0.8  # of the marks found before must be found again: strips that a gap moves off the format lose theirs


@dataclass(frozen=True, slots=True, eq=False)
class FirstPlaces:
    """The frame with missing strips inserted as lost; each strip's lost samples and sweep; the strips that are left out
    as a whole; and further remarks on single strips."""

    frame: Frame
    dropouts: tuple[Dropouts, ...]
    sweeps: tuple[StripSweep, ...]
    left_out: tuple[LeftOut, ...]
    warnings: tuple[Remark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A frame whose strips were placed by their marks, with the comparison of neighbours' overlaps."""

    frame: Frame
    looks: list[Look]
    first: FirstLook
    overlaps: Overlaps


def first_places(frame: Frame, looks: Sequence[Look], threads: int) -> FirstPlaces:
    """Place the strips for the first time; `looks` holds what each tells by itself.

    Raises:
        InputError: no strip can be read, or the description does not fit most of the strips.
    """
    damaged(frame, [look.dropouts for look in looks])  # refuses a frame of which nothing can be read
    copied, looks = _copies(frame, looks), list(looks)
    frame, changed, spoilt = without_spoilt(frame, [look.video for look in looks])
    for k in changed:
        looks[k] = next(looks_of(frame, 1, k))
    placed = _with_missing_strips(_place(*_without_jumps(frame, looks, threads), threads), threads)
    before = _renumbered((*copied, *spoilt), frame, placed.frame)
    frame, looks = placed.frame, placed.looks
    refuse_turned(frame, [look.wedge for look in looks])
    first, left_out = placed.first, strips_out_of_place(frame, placed.overlaps, placed.first.unmarked)
    if left_out:
        looks = looks.copy()
        for strip in left_out:
            raster = frame.strips[strip.strip]
            lost = all_lost(raster.n_lines, raster.n_samples)
            looks[strip.strip] = replace(looks[strip.strip], dropouts=lost, candidates=no_candidates())
        first = _look_for_marks(frame, looks, threads)
    dropouts = tuple(look.dropouts for look in looks)
    said, unread = damaged(frame, dropouts)
    said += doubtful(placed.overlaps, first.unmarked, (*unread, *left_out))
    return FirstPlaces(frame, dropouts, first.sweeps, (*unread, *left_out), (*before, *said))


def _renumbered(remarks: Iterable[Remark], before: Frame, now: Frame) -> Iterator[Remark]:
    """Remarks made `before` missing strips were inserted, with the strip numbers that hold `now`."""
    number = {strip.path: strip.index for strip in now.strips}
    for remark in remarks:
        yield replace(remark, strips=tuple(number[before.strips[k].path] for k in remark.strips))


def _copies(frame: Frame, looks: Sequence[Look]) -> list[Remark]:
    """A remark on each strip that holds the same samples as an earlier one: a file that was copied by mistake."""
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


def _without_jumps(frame: Frame, looks: list[Look], threads: int) -> tuple[Frame, list[Look]]:
    """The frame and its looks, with missing lines of film inserted as lost and repeated lines removed."""
    for _ in range(MOST_ROUNDS):  # a jump may show only after the neighbours' jumps are mended
        edges = [look.edges for look in looks]
        breaks = line_breaks(frame, edges, partial(_samples, frame, looks), threads)
        if not breaks:
            break
        strips = list(frame.strips)
        for each in reversed(breaks):  # the last of a strip first: it leaves the line numbers before it as they are
            strip = strips[each.strip]
            shown_by = _overlaps_show([frame.strips[k] for k in each.beside])
            strips[each.strip] = split_at_jump(strip, each.stop, each.start, each.missing, shown_by)
        frame = replace(frame, strips=tuple(strips))
        for k in {each.strip for each in breaks}:
            looks[k] = next(looks_of(frame, 1, k))
    return frame, looks


def _overlaps_show(beside: Sequence[StripRaster]) -> str:
    """Words for the evidence of a jump: the overlaps with the one or two strips `beside` it.

    They are named by their files: their numbers may change when missing strips are inserted.
    """
    names = " and ".join(strip.path.name for strip in beside)
    return f"its overlaps with {names} show" if len(beside) > 1 else f"its overlap with {names} shows"


def _samples(frame: Frame, looks: Sequence[Look], strip: int) -> tuple[NDArray, NDArray[np.bool_]]:
    """A strip's samples and the mask of those that are lost."""
    stop = frame.strips[strip].n_lines
    return frame.strips[strip].read(0, stop), looks[strip].dropouts.mask(0, stop)


def _place(frame: Frame, looks: list[Look], threads: int) -> _Placed:
    first = _look_for_marks(frame, looks, threads)
    edges = [look.edges for look in looks]
    return _Placed(
        frame, looks, first, overlaps_of(frame, edges, first.sweeps, partial(_samples, frame, looks), threads)
    )


def _look_for_marks(frame: Frame, looks: Sequence[Look], threads: int) -> FirstLook:
    raw = [_reader(strip, look.dropouts, look.noise_dn) for strip, look in zip(frame.strips, looks, strict=True)]
    return first_look(frame, raw, threads, [look.candidates for look in looks])


def _with_missing_strips(placed: _Placed, threads: int) -> _Placed:
    """The frame with missing strips inserted wherever a strip does not continue the one before it and a gap is proven.

    A gap is proven if hardly any of the marks were found without it and many are with it, or if other evidence shows it
    (`strip_gaps.suspected`) and about as many marks are found as without it.
    """
    frame, overlaps, first = placed.frame, placed.overlaps, placed.first
    starts = [block.start for block in overlaps.blocks() if not frame.strips[block.start].is_lost]
    few = [start for start in starts if _expected(first, start) * FEW > _found(first, start)][:MOST_TRIED]
    ends = [look.wedge for look in placed.looks]
    better = []
    for start in starts:
        missing, by = suspected(frame, overlaps, ends, start)
        needed = LESS * _found(first, start) if missing else max(MANY * _expected(first, start), LEAST_FOUND)
        for count in [missing] if missing else range(1, MOST_MISSING + 1) if start in few else ():
            with suppress(CalibError):  # no continuous sweep fits the marks then: no strip is missing there
                tried = _place(*_with_gap_before(placed, start, count, by or "its marks", threads), threads)
                there = MANY * _expected(tried.first, start + count)
                if _found(tried.first, start + count) > max(needed, there):
                    better.append(tried)
    if not better:
        return placed
    return _with_missing_strips(max(better, key=lambda tried: _found(tried.first, 0)), threads)


def _found(first: FirstLook, start: int) -> float:
    """Strength of all marks found in the strips from `start` on, in marks."""
    return float(first.strength[start:].sum())


def _expected(first: FirstLook, start: int) -> int:
    """How many marks the strips from `start` on should show."""
    return int(first.expected[start:].sum())


def _with_gap_before(placed: _Placed, start: int, count: int, by: str, threads: int) -> tuple[Frame, list[Look]]:
    """The frame with `count` missing strips inserted before strip `start`, and its looks; `by` names the evidence."""
    frame = placed.frame
    name = frame.strips[start].path.name
    order = f"is not the next strip after {frame.strips[start - 1].path.name}" if start else "is not the first strip"
    why = f"no file holds it: judging by {by}, {name} {order}"
    gapped = with_gap(frame, start, count, why)
    return gapped, [*placed.looks[:start], *looks_of(gapped, threads, start)]


def _reader(strip: StripRaster, dropouts: Dropouts, noise_dn: float) -> ReadWindow:
    """A reader of a strip's DN and their sigma: infinite for lost samples, elsewhere the strip's noise."""

    def read(first: int, stop: int, samples: slice = EVERY_SAMPLE) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        sigma = np.where(dropouts.mask(first, stop)[:, samples], np.float32(np.inf), np.float32(noise_dn))
        return strip.read(first, stop)[:, samples].astype(np.float32), sigma

    return read
