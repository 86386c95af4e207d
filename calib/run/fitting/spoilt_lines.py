"""Strips, or lines of them, whose video is wrong though it looks like a picture: left out before anything is fitted."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from numpy.typing import NDArray

from calib.errors import InputError
from calib.frame.frame import Frame, StripRaster
from calib.frame.raster import KEY
from calib.frame.remarks import Remark
from calib.frame.strips import without_lines
from calib.frame.words import listed, quoted
from calib.tone.dropouts import Dropouts
from calib.tone.held_bits import BitTable, Held, bit_table, held_bits
from calib.tone.inverted import inverted_lines
from calib.tone.jumping import sharp_steps, strips_that_jump

WHOLE = 0.9  # of a strip's lines: what is left of it is of no use


@dataclass(frozen=True, slots=True, eq=False)
class VideoSigns:
    """Signs in a strip's samples that its video is wrong: what its bits do, runs of lines, first and stop, that are
    `inverted`, and the part of the steps along its lines that are `sharp`."""

    bits: BitTable
    inverted: tuple[tuple[int, int], ...]
    sharp: float


@dataclass(frozen=True, slots=True)
class _Spoilt:
    """Some `lines` of a strip, rising, and `why` they are of no use."""

    lines: Sequence[int]
    why: str


def video_signs(dn: NDArray, dropouts: Dropouts, noise_dn: float) -> VideoSigns:
    """The signs in a strip's samples `dn` (n_lines, n_samples), of which some are lost; `noise_dn` is their noise."""
    bits = bit_table(dn, dropouts.mask(0, len(dn)))
    return VideoSigns(bits, inverted_lines(dn), sharp_steps(dn, dropouts, noise_dn))


def without_spoilt(frame: Frame, signs: Sequence[VideoSigns]) -> tuple[Frame, list[int], list[Remark]]:
    """The frame without lines, or whole strips, whose video is wrong as the strips' `signs` tell.

    Also which strips have changed, and a remark for each reason; of strips that are lost whole `damaged` says it.

    Raises:
        InputError: bits stand still in most of the strips, so that none tells what is right.
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
    """A strip without its spoilt lines, and what is to be said of them; lost whole where hardly any are left."""
    lines = {line for some in spoilt for line in some.lines}
    if len(lines) > WHOLE * raster.n_lines:
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
