"""Errors with one-line messages, and the result of a fit that is not possible."""

import errno
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS})  # a disk takes no more


class CalibError(Exception):
    """A mistake that the user can correct; the command line prints only its text, a line for each mistake."""


class InputError(CalibError):
    """A mistake in the input: the file, the key, what was found and what was expected."""

    def __init__(self, file: str | Path, key: str, found: object, expected: str) -> None:
        self.file, self.key, self.found, self.expected = str(file), key, found, expected
        where = f"{self.file}: {key}" if key else self.file
        super().__init__(" ".join(f"{where}: found {shown(found)}, expected {expected}".split()))


class SeveralInputError(InputError):
    """Several mistakes in the input, one line each; those beyond `most` lines are only counted. File, key, found and
    expected are those of the first."""

    def __init__(self, mistakes: Sequence[InputError], most: int) -> None:
        self.mistakes, left_out = tuple(mistakes), max(len(mistakes) - most, 0)
        self.file, self.key, self.found, self.expected = (
            getattr(mistakes[0], name) for name in ("file", "key", "found", "expected")
        )
        more = (f"{self.file}: and {left_out} more mistakes",) if left_out else ()
        CalibError.__init__(self, "\n".join((*map(str, mistakes[:most]), *more)))


def shown(found: object, limit: int = 80) -> str:
    """A value as text on one line, cut to `limit` characters."""
    text = found if isinstance(found, str) else repr(found)
    text = " ".join(text.split())
    return text if len(text) <= limit else text[: limit - 3] + "..."


@dataclass(frozen=True, slots=True)
class NotPossible:
    """Result of a fit that is not possible, with the reason. It is false, for tests as ``if not result``."""

    reason: str

    def __bool__(self) -> bool:
        return False
