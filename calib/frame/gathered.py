"""Collects mistakes in the input, so that all are reported at once."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from calib.errors import InputError, SeveralInputError

MOST = 20  # lines: a unit that is wrong everywhere need not be reported a hundred times


@contextmanager
def collecting(mistakes: list[InputError]) -> Iterator[None]:
    """Add an `InputError` that the block raises to `mistakes`, and continue after the block."""
    try:
        yield
    except SeveralInputError as several:
        mistakes += several.mistakes
    except InputError as mistake:
        mistakes.append(mistake)


def joined(mistakes: Iterable[InputError]) -> InputError:
    """One error that reports all mistakes, each once; those beyond `MOST` are only counted."""
    different = list({str(mistake): mistake for mistake in mistakes}.values())
    if len(different) == 1:
        return different[0]
    return SeveralInputError(different, MOST)
