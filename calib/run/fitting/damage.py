"""Remarks on strips whose files are damaged, lack lines of film, or hold some lines twice."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from calib.errors import InputError
from calib.frame.frame import Frame, StripRaster
from calib.frame.raster import KEY
from calib.frame.remarks import Remark
from calib.frame.words import listed
from calib.sweep.strip_order import LeftOut
from calib.tone.dropouts import Dropouts


def damaged(frame: Frame, dropouts: Sequence[Dropouts]) -> tuple[tuple[Remark, ...], tuple[LeftOut, ...]]:
    """Remarks on strips with unreadable, missing or repeated lines, and the strips that could not be read at all.

    Raises:
        InputError: no strip could be read.
    """
    said, out = list[Remark](), list[LeftOut]()
    for strip, lost in zip(frame.strips, dropouts, strict=True):
        own, unread = (strip.index,), lost.unread()
        if len(unread) == lost.n_lines:
            why = strip.damage or "its data cannot be decoded"
            out.append(LeftOut(strip.index, Remark(f"left out: {why}", own)))
            continue
        said += [Remark(jump, own) for jump in _jumps(strip)]
        of_file = sorted({*unread} - {*np.flatnonzero(strip.between_pieces()).tolist()})
        if of_file:
            why = strip.damage or "their data cannot be decoded"
            said.append(Remark(f"lines {listed(of_file)} of {lost.n_lines} left out: {why}", own))
    if len(out) == len(frame.strips):
        raise InputError(frame.strips[0].path, KEY, "data of which nothing can be decoded", "strips that can be read")
    return tuple(said), tuple(out)


def _jumps(strip: StripRaster) -> Iterator[str]:
    """A sentence for each place where the pieces of a strip skip lines of the film or lines of its file."""
    for before, behind in pairwise(strip.pieces):
        missing = behind.line - behind.first - before.line + before.first
        if not missing:  # lines left out for another reason, which `spoilt_lines` reports
            continue
        what = f"{missing} lines of film are missing" if missing > 0 else f"{-missing} lines show film twice"
        lines = f"lines {before.first + before.count - 1} and {behind.first}"
        yield f"its picture jumps between {lines}, as {behind.why}: {what}"
