"""Strips, or lines of them, in which a bit of the samples stands still: left out before anything is made of them."""

from collections.abc import Sequence
from dataclasses import replace

from calib.errors import InputError
from calib.frame.frame import Frame
from calib.frame.raster import KEY
from calib.frame.strips import without_lines
from calib.frame.words import listed, quoted
from calib.tone.held_bits import BitTable, Held, held_bits

WHOLE = 0.9  # of a strip's lines: what is left of it is of no use


def without_held(frame: Frame, tables: Sequence[BitTable]) -> tuple[Frame, list[int], list[str]]:
    """The frame without lines whose bits stand still, as the strips' `tables` tell; which of its strips have changed,
    and a sentence for each that is not lost whole: `damaged` says those.

    Raises:
        InputError: bits stand still in most of the strips, so that none tells what is right.
    """
    strips, changed, said = list(frame.strips), list[int](), list[str]()
    for strip, runs in enumerate(held_bits(tables)):
        if not runs:
            continue
        changed.append(strip)
        raster, lines = strips[strip], {line for run in runs for line in range(run.first, run.stop)}
        if len(lines) > WHOLE * raster.n_lines:
            strips[strip] = replace(raster, is_lost=True, damage=_which(runs))
        else:
            strips[strip] = without_lines(raster, lines)
            said.append(f"{raster.called}: lines {listed(sorted(lines))} left out: {_which(runs)}")
    if 2 * len(changed) > len(strips):
        found = f"{quoted(frame.scan.strips)}, in most of which bits of the samples stand still"
        raise InputError(frame.path, KEY, found, "strips whose bits all follow the picture")
    return replace(frame, strips=tuple(strips)), changed, said


def _which(runs: Sequence[Held]) -> str:
    """The bits that stand still."""
    bits = sorted({(run.bit, run.value) for run in runs})
    return " and ".join(f"bit {bit} of the samples (0 the lowest) stands still at {value}" for bit, value in bits)
