"""Strips whose files are damaged: lines that cannot be read are left out as if the tape had lost them, and said."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.frame.frame import Frame, StripRaster
from calib.frame.raster import KEY
from calib.frame.words import listed
from calib.sweep.strip_order import LeftOut
from calib.tone.dropout_search import find_dropouts
from calib.tone.dropouts import Dropouts, with_blocks, with_unread
from calib.tone.raw_noise import raw_noise_dn
from calib.tone.still_columns import still_samples


def look_for_lost(held: StripRaster, saturation: tuple[int, int] | None) -> tuple[Dropouts, float]:
    """What a strip `held` has lost, and the noise of its DN; lines that could not be read tell nothing of either."""
    unread = held.unread()
    there = _without(held, unread) if unread.any() else held
    found = find_dropouts(there, saturation)
    noise_dn = raw_noise_dn(there, found.whole_lines())
    if unread.any():
        found = with_unread(found, unread)
    return with_blocks(found, still_samples(held.read(0, held.n_lines), found, noise_dn)), noise_dn


def _without(held: StripRaster, gone: NDArray[np.bool_]) -> StripRaster:
    """A strip `held` without the lines that are `gone`."""
    if held.lines is None:
        return held
    left = held.lines[0][~gone]
    return replace(held, n_lines=len(left), lines=(left, np.zeros(len(left), np.bool_)))


def damaged(frame: Frame, dropouts: Sequence[Dropouts]) -> tuple[tuple[str, ...], tuple[LeftOut, ...]]:
    """A sentence for each strip of whose lines some could not be read, or are missing, or come twice, and the strips
    that could not be read at all.

    Raises:
        InputError: no strip could be read.
    """
    said, out = [], []
    for strip, lost in zip(frame.strips, dropouts, strict=True):
        unread = lost.unread()
        if len(unread) == lost.n_lines:
            why = strip.damage or "its data cannot be decoded"
            out.append(LeftOut(strip.index, f"{strip.called}: left out: {why}"))
            continue
        said += [f"{strip.called}: {jump}" for jump in _jumps(strip)]
        of_file = sorted({*unread} - {*np.flatnonzero(strip.between_pieces()).tolist()})
        if of_file:
            why = strip.damage or "their data cannot be decoded"
            said.append(f"{strip.called}: lines {listed(of_file)} of {lost.n_lines} left out: {why}")
    if len(out) == len(frame.strips):
        raise InputError(frame.strips[0].path, KEY, "data of which nothing can be decoded", "strips that can be read")
    return tuple(said), tuple(out)


def _jumps(strip: StripRaster) -> Iterator[str]:
    """What is to be said where the pieces of a strip leave lines of film out, or lines of its file."""
    for before, behind in pairwise(strip.pieces):
        missing = behind.line - behind.first - before.line + before.first
        if not missing:  # its lines were left out for another reason, which is said where it was found
            continue
        what = f"{missing} lines of film are missing" if missing > 0 else f"{-missing} lines show film twice"
        lines = f"lines {before.first + before.count - 1} and {behind.first}"
        yield f"its picture jumps between {lines}, as {behind.why}: {what}"
