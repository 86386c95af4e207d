"""Remarks for the operator: what was left out of a frame's fits, and which of the results are doubtful."""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.frame.frame import Frame
from calib.frame.remarks import Remark
from calib.frame.words import listed, neighbours_of
from calib.sweep.model import StripSweep
from calib.sweep.tables import OUTSIDE, MarkTable
from calib.tone.dropouts import Dropouts, LostBlock, Reason
from calib.tone.model import PatchTable
from calib.tone.summary import WEDGE_OFF, curves_in_doubt

WORDING = {  # why blocks of samples are left out; `damage` reports unread lines
    Reason.SLIPPED: "their picture has slipped by up to {most} samples against the other lines'",
    Reason.STRANGE: "they show different film from {neighbours} there",
    Reason.STILL: "they stand still along the strip, so they do not show the film",
}
MOST_NAMED = 12  # marks in one sentence
UNSURE_PX = 1.0  # median 1-sigma of the places of a strip's lines above which the operator is warned


def noticed(
    frame: Frame, dropouts: Sequence[Dropouts], marks: MarkTable, patches: PatchTable, left_out: Sequence[int] = ()
) -> tuple[Remark, ...]:
    """Remarks on dropouts, on blocks of samples left out for another reason, and on unused marks and patches.

    Strips that were `left_out` as a whole are skipped: their `LeftOut` gives the reason.
    """
    lost = (*_dropouts(dropouts, left_out), *_blocks(dropouts))
    return of_used_strips((*lost, *_marks(frame, marks), *_patches(patches)), left_out)


def of_used_strips(remarks: Sequence[Remark], left_out: Sequence[int]) -> tuple[Remark, ...]:
    """Remarks, without those of which every strip was left out."""
    return tuple(remark for remark in remarks if not remark.strips or {*remark.strips} - {*left_out})


def _dropouts(dropouts: Sequence[Dropouts], left_out: Sequence[int]) -> list[Remark]:
    lost = np.array([strip.n_dropped for strip in dropouts])
    lost[list(left_out)] = 0
    share = lost / np.array([strip.n_lines * strip.n_samples for strip in dropouts])
    if not lost.any():
        return []
    worst = int(share.argmax())
    total = lost.sum() / sum(strip.n_lines * strip.n_samples for strip in dropouts)
    most = f"most in strip {worst} ({_percent(share[worst])})"
    return [Remark(f"the tape dropped out at {_percent(total)} of all samples, {most}")]


def _blocks(dropouts: Sequence[Dropouts]) -> list[Remark]:
    return [
        Remark(f"{_which(blocks, lost)} left out: {_why(blocks, neighbours_of(k, len(dropouts)))}", (k,))
        for k, lost in enumerate(dropouts)
        for reason in WORDING
        if (blocks := [block for block in lost.blocks if block.reason is reason])
    ]


def _which(blocks: Sequence[LostBlock], lost: Dropouts) -> str:
    """The lines of some blocks in words; where the blocks span all lines, their samples."""
    if all(len(block.lines) == lost.n_lines for block in blocks):
        return f"samples {listed([sample for block in blocks for sample in block.samples])} of all lines"
    return f"lines {listed([line for block in blocks for line in block.lines])} of {lost.n_lines}"


def _why(blocks: Sequence[LostBlock], neighbours: str) -> str:
    """The reason that all the `blocks` share, in words; `neighbours` names the neighbouring strips."""
    most = max(abs(block.slip) for block in blocks)
    return WORDING[blocks[0].reason].format(most=most, neighbours=neighbours)


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _marks(frame: Frame, marks: MarkTable) -> list[Remark]:
    seen = np.array([reason != OUTSIDE for reason in marks.reason], bool)  # beyond the strip's edge there is no mark
    out = np.flatnonzero(~marks.used & seen)
    if not out.size:
        return []
    kinds = Counter(marks.reason[row] for row in out.tolist())
    why = ", ".join(f"{count} {reason}" for reason, count in kinds.most_common())
    names = [f"{frame.marks.ids[marks.mark[row]]} in strip {marks.strip[row]}" for row in out[:MOST_NAMED].tolist()]
    more = f" and {out.size - MOST_NAMED} more" if out.size > MOST_NAMED else ""
    said = f"{out.size} of {np.count_nonzero(seen)} sightings of reseau marks left out ({why})"
    return [Remark(f"{said}: {', '.join(names)}{more}")]


def _patches(patches: PatchTable) -> list[Remark]:
    said = []
    for strip in np.unique(patches.strip[~patches.used]).tolist():
        of_strip = patches.strip == strip
        out = np.flatnonzero(of_strip & ~patches.used).tolist()
        by_reason: dict[str, list[int]] = {}
        for row in out:
            by_reason.setdefault(patches.reason[row], []).append(int(patches.patch[row]))
        which = ", ".join(f"{listed(numbers)} ({reason})" for reason, numbers in by_reason.items())
        count = f"{len(out)} of {np.count_nonzero(of_strip)}"
        said.append(Remark(f"{count} wedge patches left out: {which}", (strip,)))
    return said


def wedge_warnings(patches: PatchTable, stated_sigma: float | None) -> tuple[Remark, ...]:
    """A remark on the strips whose used patches contradict the fitted curves."""
    off = np.flatnonzero(curves_in_doubt(patches, stated_sigma, int(patches.strip.max()) + 1)).tolist()
    if not off:
        return ()
    most = float(np.abs(patches.residual_density[np.isin(patches.strip, off) & patches.used]).max())
    said = (
        f"the wedge patches lie up to {most:.2g} in density off the fitted curves, more than {WEDGE_OFF:g} times what "
        "noise and their stated 1-sigma allow: the tone there is doubtful, and sigma includes that"
    )
    return (Remark(said, tuple(off)),)


def place_warnings(frame: Frame, sweeps: Sequence[StripSweep], usable: NDArray[np.bool_]) -> tuple[Remark, ...]:
    """A remark for each axis on which places are known to no better than a px, on the strips that are `usable` (K,)."""
    said = []
    for axis, px_mm in (("x", frame.scan.sample_mm), ("y", frame.scan.line_mm)):
        sigma_px = np.array([np.median(getattr(sweep, f"sigma_{axis}_mm")) for sweep in sweeps]) / px_mm
        unsure = np.flatnonzero(usable & (sigma_px > UNSURE_PX))
        if unsure.size:
            least, most = (f"{px:.2g}" for px in (sigma_px[unsure].min(), sigma_px[unsure].max()))
            span = most if least == most else f"{least} to {most}"
            known = (
                f"film {axis} is known only to {span} px (1-sigma, the median of a strip's lines): marks, wedge "
                "borders and overlaps do not determine it better"
            )
            said.append(Remark(known, tuple(unsure.tolist())))
    return tuple(said)
