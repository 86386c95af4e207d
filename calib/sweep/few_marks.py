"""Checks strips that only one or two marks place against their overlaps, because a false mark misplaces its strip.

On a rough scene, a false mark is recognised by the strip's other marks if it has several. With one or two, only the
neighbours can tell: the strip is placed without its marks, by the film that it shares with them.
"""

from collections.abc import Sequence

import numpy as np

from calib.errors import CalibError
from calib.sweep import markevidence, markjudge
from calib.sweep.adjust import NEARLY_SETTLED
from calib.sweep.combine import Combined, fit_all, fit_marks
from calib.sweep.evidence import ARM, Observations, join
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal, prediction_weights
from calib.sweep.tables import DISAGREES, ReadWindow
from calib.sweep.ties import measure_ties, tie_observations

FEW_MARKS = 2  # used marks of a strip, at most, that are checked against its overlaps
LEAST_WEIGHT = 0.15  # least robust weight of a mark that agrees with the overlaps


def placed_by_ties(
    nominal: Nominal, read: Sequence[ReadWindow], found: Combined, known: Sequence[Observations],
    threads: int,
) -> tuple[StripSweep, ...] | None:  # fmt: skip
    """The sweeps with strips of few marks placed by their ties instead; None if no such mark contradicts the ties.

    It is also None if all strips have few marks, or if the others alone lie on no continuous sweep. `found` is the fit
    to marks and borders, `known` all its evidence except the places of the marks.
    """
    frame, table = nominal.frame, found.table
    n_strips = len(frame.strips)
    count = np.bincount(table.strip[table.used], minlength=n_strips)
    few = np.flatnonzero((count > 0) & (count <= FEW_MARKS))
    to_check = table.used & np.isin(table.strip, few)
    if not few.size or count.max() <= FEW_MARKS:
        return None
    everything = join(known)
    rest = everything.select(~(np.isin(everything.a, few) & (everything.kind == ARM)))
    try:
        without = fit_marks(nominal, markjudge.reject(table, to_check, DISAGREES), threads=threads)
        without = fit_all(nominal, without, [rest], threads, NEARLY_SETTLED)
        seams = [k for k in range(n_strips - 1) if k in few or k + 1 in few]
        ties = measure_ties(read, without.sweeps, nominal.px_mm, seams, threads, frame.camera.format_mm)
        tied = fit_all(nominal, without, [rest, tie_observations(ties, nominal)], threads, NEARLY_SETTLED)
    except CalibError:  # the other marks alone lie on no continuous sweep: they cannot refute these
        return None
    marks, places = table.with_columns(used=to_check), [()] * n_strips
    seen, _ = markevidence.observations(marks, nominal, places, found.place_sigma_mm)
    return tied.sweeps if prediction_weights(tied.fit, seen, threads).min() < LEAST_WEIGHT else None
