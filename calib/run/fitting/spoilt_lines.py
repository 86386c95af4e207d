"""Strips, or lines of them, whose video is wrong though it looks like a picture: left out before anything is fitted."""

from collections.abc import Sequence
from dataclasses import replace

from calib.errors import InputError
from calib.frame.frame import Frame, StripRaster
from calib.frame.raster import KEY
from calib.frame.strips import without_lines
from calib.frame.words import listed, quoted
from calib.tone.held_bits import BitTable, Held, held_bits
from calib.tone.jumping import strips_that_jump

WHOLE = 0.9  # of a strip's lines: what is left of it is of no use


def without_spoilt(
    frame: Frame,
    tables: Sequence[BitTable],
    inverted: Sequence[Sequence[tuple[int, int]]],
    sharp: Sequence[float],
) -> tuple[Frame, list[int], list[str]]:
    """The frame without lines whose bits stand still, as the strips' `tables` tell, or that are `inverted`: first and
    stop of runs of lines, by strip; and without a strip of whose steps far more are `sharp` than of others'. Also which
    strips have changed, and a sentence for each reason, but for strips that are lost whole: `damaged` says those.

    Raises:
        InputError: bits stand still in most of the strips, so that none tells what is right.
    """
    held = held_bits(tables)
    if 2 * sum(map(bool, held)) > len(held):
        found = f"{quoted(frame.scan.strips)}, in most of which bits of the samples stand still"
        raise InputError(frame.path, KEY, found, "strips whose bits all follow the picture")
    strips, changed, said, jumping = list(frame.strips), list[int](), list[str](), strips_that_jump(sharp)
    for strip, (bits, turned) in enumerate(zip(held, inverted, strict=True)):
        reasons = _reasons(bits, turned)
        if strip in jumping:
            reasons = [(range(strips[strip].n_lines), _jumps(sharp, strip))]
        if not reasons:
            continue
        changed.append(strip)
        raster, lines = strips[strip], {line for some, _ in reasons for line in some}
        if len(lines) > WHOLE * raster.n_lines:
            why = " and ".join(why for _, why in reasons)
            strips[strip] = replace(raster, is_lost=True, damage=why)
        else:
            strips[strip] = without_lines(raster, lines)
            said += [_left_out(raster, *reason) for reason in reasons]
    return replace(frame, strips=tuple(strips)), changed, said


def _reasons(bits: Sequence[Held], turned: Sequence[tuple[int, int]]) -> list[tuple[Sequence[int], str]]:
    """Lines of a strip, and what is wrong with them."""
    of_bits = sorted({line for run in bits for line in range(run.first, run.stop)})
    of_turned = [line for first, stop in turned for line in range(first, stop)]
    which = sorted({(run.bit, run.value) for run in bits})
    named = " and ".join(f"bit {bit} of the samples (0 the lowest) stands still at {value}" for bit, value in which)
    reasons = (of_bits, named), (of_turned, "their video is inverted against the other lines'")
    return [(lines, why) for lines, why in reasons if lines]


def _jumps(sharp: Sequence[float], strip: int) -> str:
    here, most = (f"{100 * part:.2g} %" for part in (sharp[strip], max([*sharp[:strip], *sharp[strip + 1 :]])))
    return (
        f"its samples jump as no film does: {here} of all steps along its lines are large and sharp, of other strips' "
        f"at most {most}"
    )


def _left_out(raster: StripRaster, lines: Sequence[int], why: str) -> str:
    return f"{raster.called}: lines {listed(lines)} of {raster.n_lines} left out: {why}"
