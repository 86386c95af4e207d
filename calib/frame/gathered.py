"""Mistakes in the input that are gathered, so that all are said at once."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from calib.errors import InputError, SeveralInputError

MOST = 20  # lines: a unit that is wrong throughout need not be said a hundred times


@contextmanager
def noted(mistakes: list[InputError]) -> Iterator[None]:
    """Add to `mistakes` what the block raises, if it does, and go on behind the block."""
    try:
        yield
    except SeveralInputError as several:
        mistakes += several.mistakes
    except InputError as mistake:
        mistakes.append(mistake)


def all_of(mistakes: Iterable[InputError]) -> InputError:
    """One error that says them all, each once; those beyond `MOST` are only counted."""
    different = list({str(mistake): mistake for mistake in mistakes}.values())
    if len(different) == 1:
        return different[0]
    return SeveralInputError(different, MOST)
