"""Leaves out lines or whole strips whose video is wrong although it looks like a picture, before anything is fitted."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.errors import InputError
from calib.frame.frame import Frame, StripRaster
from calib.frame.raster import KEY
from calib.frame.remarks import Remark
from calib.frame.strips import without_lines
from calib.frame.words import listed, quoted
from calib.tone.held_bits import BitTable, Held, bit_table, held_bits
from calib.tone.inverted import inverted_lines
from calib.tone.jumping import sharp_steps, strips_that_jump

MOST_SPOILT = 0.9  # of a strip's lines: with fewer left, nothing can be measured, and the strip counts as lost


@dataclass(frozen=True, slots=True, eq=False)
class VideoSigns:
    """Signs in a strip's samples that its video is wrong.

    `bits`: statistics of its bits. `inverted`: runs of inverted lines as (first, stop). `sharp`: share of the steps
    along its lines that are large and sharp.
    """

    bits: BitTable
    inverted: tuple[tuple[int, int], ...]
    sharp: float


@dataclass(frozen=True, slots=True)
class _Spoilt:
    """Unusable `lines` of a strip, in rising order, and `why` they are unusable."""

    lines: Sequence[int]
    why: str


def video_signs(dn: NDArray, lost: NDArray[np.bool_], noise_dn: float) -> VideoSigns:
    """Signs in a strip's samples `dn`, of which some are `lost`, both (n_lines, n_samples); `noise_dn`: 1-sigma."""
    lost_lines = np.asarray(lost.all(axis=1))
    return VideoSigns(bit_table(dn, lost), inverted_lines(dn), sharp_steps(dn, lost_lines, noise_dn))


def without_spoilt(frame: Frame, signs: Sequence[VideoSigns]) -> tuple[Frame, list[int], list[Remark]]:
    """The frame without lines or whole strips whose `signs` show that their video is wrong.

    Returns the frame, the indices of the changed strips, and a remark for each reason. Strips that are lost whole are
    reported by `damage.damaged` instead.

    Raises:
        InputError: bits stand still in most of the strips, so none can serve as the reference.
    """
    held = held_bits([each.bits for each in signs])
    if 2 * sum(map(bool, held)) > len(held):
        found = f"{quoted(frame.scan.strips)}, in most of which bits of the samples stand still"
        raise InputError(frame.path, KEY, found, "strips whose bits all follow the picture")
    sharp = [each.sharp for each in signs]
    jumping = strips_that_jump(sharp)
    strips, changed, said = list(frame.strips), list[int](), list[Remark]()
    for k, raster in enumerate(frame.strips):
        jumps = [_Spoilt(range(raster.n_lines), _jumps(sharp, k))] if k in jumping else []
        spoilt = [*jumps, *_held(held[k]), *_inverted(signs[k].inverted)]
        if spoilt:
            changed.append(k)
            strips[k], remarks = _without(raster, spoilt)
            said += remarks
    return replace(frame, strips=tuple(strips)), changed, said


def _without(raster: StripRaster, spoilt: Sequence[_Spoilt]) -> tuple[StripRaster, list[Remark]]:
    """A strip without its spoilt lines, and remarks on them; marked as lost where more than `MOST_SPOILT` are."""
    lines = {line for some in spoilt for line in some.lines}
    if len(lines) > MOST_SPOILT * raster.n_lines:
        return replace(raster, is_lost=True, damage=" and ".join(some.why for some in spoilt)), []
    remarks = [
        Remark(f"lines {listed(some.lines)} of {raster.n_lines} left out: {some.why}", (raster.index,))
        for some in spoilt
    ]
    return without_lines(raster, lines), remarks


def _jumps(sharp: Sequence[float], strip: int) -> str:
    here, most = (f"{100 * part:.2g} %" for part in (sharp[strip], max([*sharp[:strip], *sharp[strip + 1 :]])))
    return (
        f"its samples jump as no film does: {here} of all steps along its lines are large and sharp, of other strips' "
        f"at most {most}"
    )


def _held(runs: Sequence[Held]) -> list[_Spoilt]:
    if not runs:
        return []
    lines = sorted({line for run in runs for line in range(run.first, run.stop)})
    which = sorted({(run.bit, run.value) for run in runs})
    why = " and ".join(f"bit {bit} of the samples (0 the lowest) stands still at {value}" for bit, value in which)
    return [_Spoilt(lines, why)]


def _inverted(runs: Sequence[tuple[int, int]]) -> list[_Spoilt]:
    if not runs:
        return []
    lines = [line for first, stop in runs for line in range(first, stop)]
    return [_Spoilt(lines, "their video is inverted against the other lines'")]
