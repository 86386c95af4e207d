"""What was left out of a frame's fits, in plain sentences for the operator."""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from calib.frame.frame import Frame
from calib.sweep.tables import OUTSIDE, MarkTable
from calib.tone.dropouts import Dropouts
from calib.tone.model import PatchTable

MOST_NAMED = 12


def noticed(frame: Frame, dropouts: Sequence[Dropouts], marks: MarkTable, patches: PatchTable) -> tuple[str, ...]:
    """Dropouts, marks and patches that took no part, one sentence each; nothing where all took part."""
    return (*_dropouts(dropouts), *_marks(frame, marks), *_patches(patches))


def _dropouts(dropouts: Sequence[Dropouts]) -> list[str]:
    lost = np.array([strip.n_lost for strip in dropouts])
    share = lost / np.array([strip.n_lines * strip.n_samples for strip in dropouts])
    if not lost.any():
        return []
    worst = int(share.argmax())
    total = lost.sum() / sum(strip.n_lines * strip.n_samples for strip in dropouts)
    most = f"most in strip {worst} ({_percent(share[worst])})"
    return [f"the tape dropped out at {_percent(total)} of all samples, {most}"]


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
        out = np.flatnonzero((patches.strip == strip) & ~patches.used)
        reasons = ", ".join(f"{patches.patch[row]} ({patches.reason[row]})" for row in out[:MOST_NAMED].tolist())
        said.append(f"strip {strip}: wedge patches left out: {reasons}")
    return said
