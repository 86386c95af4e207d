"""What is worked out once for a strip or frame: found again, and gone with it, so that no former fit is kept."""

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from functools import partial
from weakref import ref

import numpy as np
import pytest

from calib.film.doubt import place_sigma
from calib.film.strokes import marked_runs, strip_marks
from calib.film.tables import DENSITY, density_itself, strip_tables
from calib.ground.footprint import footprint_ring
from calib.remembered import once
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.map import view_of
from calib.sweep.inverse import inverse_of
from calib.tone.apply import prepared

REMEMBERED: dict[str, Callable[[FrameFits], tuple[object, Callable[[object], object]]]] = {
    "inverse_of": lambda fits: (replace(fits.sweep.sweeps[0]), inverse_of),
    "place_sigma": lambda fits: (replace(fits.sweep.sweeps[0]), place_sigma),
    "marked_runs": lambda fits: (
        replace(fits.sweep.sweeps[0]),
        partial(marked_runs, marks=strip_marks(fits.frame)),
    ),
    "strip tables": lambda fits: (replace(fits.tone.strips[0]), lambda tone: strip_tables(tone, DENSITY)),
    "prepared": lambda fits: (replace(fits.tone.strips[0]), prepared),
    "strip_marks": lambda fits: (replace(fits.frame), strip_marks),
    "footprint_ring": lambda fits: (replace(view_of(fits)), footprint_ring),
}


@pytest.mark.parametrize("name", REMEMBERED)
def test_what_is_made_of_a_strip_is_made_once_and_goes_with_it(calibrated, name: str) -> None:  # type: ignore[no-untyped-def]
    """In a batch thousands of frames pass through one process, and each fit makes several sweeps of every strip."""
    owner, make = REMEMBERED[name](calibrated.result.fits)
    made = make(owner)
    assert make(owner) is made
    arrays = [made, *made] if isinstance(made, tuple) else [made]
    arrays += [getattr(made, field.name) for field in fields(made)] if is_dataclass(made) else []
    given = {id(getattr(owner, field.name)) for field in fields(owner)}  # type: ignore[arg-type]
    own = [ref(array) for array in arrays if isinstance(array, np.ndarray) and id(array) not in given]
    gone = ref(owner)
    del owner, made, arrays
    assert gone() is None
    if name != "strip_marks":  # whose marks are the description's own
        assert own
        assert all(array() is None for array in own)


def test_it_is_made_anew_with_other_arguments_and_only_the_last_is_kept() -> None:
    class Strip:
        """Anything that can be referred to weakly."""

    calls: list[str] = []

    @once
    def make(_: Strip, how: str) -> str:
        calls.append(how)
        return how.upper()

    strip, other = Strip(), Strip()
    assert [make(strip, "a"), make(strip, "a"), make(other, "a"), make(strip, "b"), make(strip, "a")] == [*"AAABA"]
    assert calls == ["a", "a", "b", "a"]


def test_density_as_it_is_is_one_table_for_all_blocks() -> None:
    """A table of its own for each block would have every strip's tables joined anew for each of them."""
    assert density_itself((0.1, 2.9)) is density_itself((0.1, 2.9))
    assert density_itself((0.1, 2.9)) is not density_itself((0.1, 2.8))
