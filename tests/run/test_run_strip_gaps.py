"""What speaks for strips that are missing: their numbers with overlaps, the end of the wedge or the format; never one
thing that has another reason as likely."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from calib.frame.frame import Frame
from calib.run.fitting.strip_gaps import suspected
from calib.sweep.strip_order import Overlaps

HERE, OTHER, BOTH, NONE = (1.0, 0.2), (0.2, 1.0), (1.0, 1.0), (0.1, 0.0)


@pytest.fixture
def frame(calibrated) -> Frame:  # type: ignore[no-untyped-def]
    """Of six strips that cover the format evenly."""
    known = calibrated.result.fits.frame
    scan = known.scan.model_copy(update={"first_center_mm": -2.5 * known.scan.pitch_mm})
    return called(replace(known, scan=scan), range(6))


def called(frame: Frame, numbers: Sequence[int]) -> Frame:
    strips = (replace(frame.strips[0], index=k, path=Path(f"{number:03d}.tif")) for k, number in enumerate(numbers))
    return replace(frame, strips=tuple(strips))


def overlaps(other: Sequence[bool]) -> Overlaps:
    return Overlaps((), {}, None, (), tuple(other), ())  # type: ignore[arg-type]


NOTHING_SHOWN = overlaps([False] * 6)


@pytest.mark.parametrize(
    ("numbers", "start", "count"), [((0, 1, 3, 4, 5), 2, 1), ((0, 1, 4, 5), 2, 2), ((1, 2, 3, 4, 5), 0, 1)]
)
def test_a_number_that_lacks_and_a_format_that_is_not_covered_tell_of_a_gap(frame, numbers, start, count) -> None:  # type: ignore[no-untyped-def]
    """The scan was begun so that all strips would cover the format; those that are there lie to one side of it."""
    assert suspected(called(frame, numbers), NOTHING_SHOWN, [BOTH] * 6, start) == (count, "number and the format")


@pytest.mark.parametrize("numbers", [(1, 2, 3, 4, 5, 6), (0, 1, 3, 4, 5, 6)])
def test_a_number_alone_tells_of_no_gap(frame, numbers) -> None:  # type: ignore[no-untyped-def]
    """All six cover the format: strips may be numbered from one, or a number may never have been given."""
    for start in range(6):
        assert suspected(called(frame, numbers), NOTHING_SHOWN, [BOTH] * 6, start) == (0, "")


def test_a_number_that_lacks_and_other_film_tell_of_a_gap(frame) -> None:  # type: ignore[no-untyped-def]
    some = called(frame, (0, 1, 3, 4, 5, 6))
    assert suspected(some, overlaps([False, True, False, False, False]), [NONE] * 6, 2) == (1, "number and overlap")
    assert suspected(some, overlaps([True, False, True, True, True]), [NONE] * 6, 2) == (0, "")


def test_the_end_of_the_wedge_tells_of_a_gap_from_which_on_every_strip_is_turned(frame) -> None:  # type: ignore[no-untyped-def]
    """Every second strip is scanned the other way: where one is missing, all behind it are taken for turned. One alone
    may have been turned; where strips before it are turned too, or some behind it are not, something else is wrong.
    Two missing strips turn none."""
    for ends in ([HERE, HERE, OTHER, OTHER, OTHER, OTHER], [HERE, BOTH, NONE, OTHER, BOTH, OTHER]):
        assert suspected(frame, NOTHING_SHOWN, ends, 2) == (1, "the end of the wedge")
        some = called(frame, (0, 1, 3, 4, 5, 6))
        assert suspected(some, NOTHING_SHOWN, ends, 2) == (1, "number and the end of the wedge")
        assert suspected(called(frame, (0, 1, 4, 5, 6, 7)), NOTHING_SHOWN, ends, 2) == (0, "")
    first = called(frame, (1, 2, 3, 4, 5, 6))
    assert suspected(first, NOTHING_SHOWN, [OTHER] * 6, 0) == (1, "number and the end of the wedge")
    assert suspected(frame, NOTHING_SHOWN, [OTHER] * 6, 0) == (0, "")  # scan.reversed may as well be wrong
    for ends in ([HERE] * 5 + [OTHER], [HERE, HERE, OTHER, HERE, OTHER, OTHER], [HERE, OTHER] + [OTHER] * 4):
        start = 5 if ends[4] == HERE else 2
        assert suspected(frame, NOTHING_SHOWN, ends, start) == (0, "")
