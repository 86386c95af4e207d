"""Lines that strips lack or show twice, too few to be told before their places are known: the strips are put right and
placed anew."""

from collections.abc import Sequence
from dataclasses import replace

from calib.frame.strips import parted
from calib.run.fitting.first_places import FirstPlaces, as_overlaps_show, first_places, renumbered
from calib.run.fitting.looks import looks_of
from calib.sweep.lags import LagStep
from calib.sweep.step_place import placed


def with_steps(places: FirstPlaces, steps: Sequence[LagStep], threads: int) -> FirstPlaces | None:
    """The strips' first places once their jumps, as their ties tell them, are mended; None where their pictures bear
    none of them out."""
    strips = list(places.frame.strips)
    for step in steps:
        about = (step.strip, *(lags.neighbour for lags in step.sides))
        found = placed(step, {k: next(looks_of(places.frame, 1, k)).edges for k in about})
        if found is not None:
            why = as_overlaps_show(found.beside)
            strips[found.strip] = parted(strips[found.strip], found.stop, found.start, found.missing, why)
    if tuple(strips) == places.frame.strips:
        return None
    frame = replace(places.frame, strips=tuple(strips))
    again = first_places(frame, list(looks_of(frame, threads)), threads)
    spoilt = tuple(renumbered(places.spoilt, frame, again.frame))
    return replace(again, warnings=(*spoilt, *again.warnings), spoilt=(*spoilt, *again.spoilt))
