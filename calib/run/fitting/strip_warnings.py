"""What was left out of a frame's fits, in plain sentences for the operator."""

import re
from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.frame.frame import Frame
from calib.frame.words import beside, listed
from calib.sweep.model import StripSweep
from calib.sweep.tables import OUTSIDE, MarkTable
from calib.tone.dropouts import Dropouts, LostBlock, Reason
from calib.tone.model import PatchTable
from calib.tone.summary import WEDGE_OFF, curves_in_doubt

SAID_HERE = {  # why blocks of samples are left out; `damage` says what is unread
    Reason.SLIPPED: "their picture has slipped by up to {most} samples against the other lines'",
    Reason.STRANGE: "they show different film from {neighbours} there",
    Reason.STILL: "they stand still along the strip, so they do not show the film",
}
MOST_NAMED = 12  # marks in one sentence
UNSURE_PX = 1.0  # 1-sigma of a strip's places, in the middle of its lines: above, a place is not known to the px
ABOUT_A_STRIP = re.compile(r"strip (?P<strip>\d+)(?P<file> \([^)]*\))?: (?P<what>.*)", re.DOTALL)


def noticed(
    frame: Frame, dropouts: Sequence[Dropouts], marks: MarkTable, patches: PatchTable, left_out: Sequence[int] = ()
) -> tuple[str, ...]:
    """Dropouts, blocks of samples left out for another reason, marks and patches that took no part, one sentence each;
    nothing where all took part. Of what strips lost that were `left_out` altogether nothing is said."""
    blocks = _blocks(frame, dropouts, left_out)
    return (*_dropouts(dropouts, left_out), *blocks, *_marks(frame, marks), *_patches(patches))


def of_strips_left(said: Sequence[str], left_out: Sequence[int]) -> tuple[str, ...]:
    """What is said, but for what is said of a strip that was left out."""
    gone = tuple(f"strip {strip}{sign}" for strip in left_out for sign in (":", " ("))
    return tuple(line for line in said if not line.startswith(gone))


def _dropouts(dropouts: Sequence[Dropouts], left_out: Sequence[int]) -> list[str]:
    lost = np.array([strip.n_dropped for strip in dropouts])
    lost[list(left_out)] = 0
    share = lost / np.array([strip.n_lines * strip.n_samples for strip in dropouts])
    if not lost.any():
        return []
    worst = int(share.argmax())
    total = lost.sum() / sum(strip.n_lines * strip.n_samples for strip in dropouts)
    most = f"most in strip {worst} ({_percent(share[worst])})"
    return [f"the tape dropped out at {_percent(total)} of all samples, {most}"]


def _blocks(frame: Frame, dropouts: Sequence[Dropouts], left_out: Sequence[int]) -> list[str]:
    return [
        f"{frame.strips[k].called}: {_which(blocks, lost)} left out: {_why(blocks, beside(k, len(dropouts)))}"
        for k, lost in enumerate(dropouts)
        if k not in left_out
        for reason in SAID_HERE
        if (blocks := [block for block in lost.blocks if block.reason is reason])
    ]


def _which(blocks: Sequence[LostBlock], lost: Dropouts) -> str:
    """The lines, or samples of all lines, of blocks that are lost for one reason."""
    if all(len(block.lines) == lost.n_lines for block in blocks):
        return f"samples {listed([sample for block in blocks for sample in block.samples])} of all lines"
    return f"lines {listed([line for block in blocks for line in block.lines])} of {lost.n_lines}"


def _why(blocks: Sequence[LostBlock], neighbours: str) -> str:
    """Why blocks are left out, all for one reason, of a strip beside its `neighbours`."""
    most = max(abs(block.slip) for block in blocks)
    return SAID_HERE[blocks[0].reason].format(most=most, neighbours=neighbours)


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _marks(frame: Frame, marks: MarkTable) -> list[str]:
    seen = np.array([reason != OUTSIDE for reason in marks.reason], bool)  # beyond the strip's edge there is no mark
    out = np.flatnonzero(~marks.used & seen)
    if not out.size:
        return []
    kinds = Counter(marks.reason[row] for row in out.tolist())
    why = ", ".join(f"{count} {reason}" for reason, count in kinds.most_common())
    names = [f"{frame.marks.ids[marks.mark[row]]} in strip {marks.strip[row]}" for row in out[:MOST_NAMED].tolist()]
    more = f" and {out.size - MOST_NAMED} more" if out.size > MOST_NAMED else ""
    said = f"{out.size} of {np.count_nonzero(seen)} sightings of reseau marks left out ({why})"
    return [f"{said}: {', '.join(names)}{more}"]


def _patches(patches: PatchTable) -> list[str]:
    said = []
    for strip in np.unique(patches.strip[~patches.used]).tolist():
        of_strip = patches.strip == strip
        out = np.flatnonzero(of_strip & ~patches.used).tolist()
        by_reason: dict[str, list[int]] = {}
        for row in out:
            by_reason.setdefault(patches.reason[row], []).append(int(patches.patch[row]))
        which = ", ".join(f"{listed(numbers)} ({reason})" for reason, numbers in by_reason.items())
        said.append(f"strip {strip}: {len(out)} of {np.count_nonzero(of_strip)} wedge patches left out: {which}")
    return said


def wedge_warnings(patches: PatchTable, stated_sigma: float | None) -> tuple[str, ...]:
    """A sentence where patches that took part contradict the curves fitted to them."""
    off = np.flatnonzero(curves_in_doubt(patches, stated_sigma, int(patches.strip.max()) + 1)).tolist()
    if not off:
        return ()
    most = float(np.abs(patches.residual_density[np.isin(patches.strip, off) & patches.used]).max())
    strips = f"strip {off[0]}" if len(off) == 1 else f"strips {listed(off)}"
    return (
        f"the wedge patches of {strips} lie up to {most:.2g} in density off the fitted curves, more than {WEDGE_OFF:g} "
        "times what noise and their stated 1-sigma allow: the tone there is doubtful, and sigma includes that",
    )


def place_warnings(frame: Frame, sweeps: Sequence[StripSweep], carries: NDArray[np.bool_]) -> tuple[str, ...]:
    """A sentence for each axis on which the places of strips that carry anything, (K,), are not known to the px."""
    said = []
    for axis, px_mm in (("x", frame.scan.sample_mm), ("y", frame.scan.line_mm)):
        sigma_px = np.array([np.median(getattr(sweep, f"sigma_{axis}_mm")) for sweep in sweeps]) / px_mm
        unsure = np.flatnonzero(carries & (sigma_px > UNSURE_PX))
        if unsure.size:
            strips = f"strip {unsure[0]}" if unsure.size == 1 else f"strips {listed(unsure.tolist())}"
            least, most = (f"{px:.2g}" for px in (sigma_px[unsure].min(), sigma_px[unsure].max()))
            span = most if least == most else f"{least} to {most}"
            said.append(
                f"film {axis} of {strips} is known only to {span} px (1-sigma, the median of a strip's lines): marks, "
                "wedge borders and overlaps do not determine it better"
            )
    return tuple(said)


def together(warnings: Sequence[str]) -> tuple[str, ...]:
    """What is said of several strips in the same words is said once, at the place of the first."""
    strips: dict[str, list[tuple[int, str]]] = {}
    for warning in warnings:
        about = ABOUT_A_STRIP.fullmatch(warning)
        if about is not None:
            strips.setdefault(about["what"], []).append((int(about["strip"]), about["file"] or ""))
        else:
            strips.setdefault(warning, [])
    return tuple(_of_all(what, those) for what, those in strips.items())


def _of_all(what: str, strips: Sequence[tuple[int, str]]) -> str:
    if not strips:
        return what
    if len(strips) == 1:
        number, file = strips[0]
        return f"strip {number}{file}: {what}"
    return f"strips {listed([number for number, _ in strips])}, each: {what}"
