"""What can go wrong, said in one line; and a fit that cannot be made, said with its reason."""

import errno
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS})  # the system's words: a disk takes no more


class CalibError(Exception):
    """A mistake the user can mend; its text, a line for each mistake, is all that the command line prints."""


class InputError(CalibError):
    """A mistake in the input: which file, which key, what was found, what was expected."""

    def __init__(self, file: str | Path, key: str, found: object, expected: str) -> None:
        self.file, self.key, self.found, self.expected = str(file), key, found, expected
        where = f"{self.file}: {key}" if key else self.file
        super().__init__(" ".join(f"{where}: found {shown(found)}, expected {expected}".split()))


class SeveralInputError(InputError):
    """Several mistakes in the input, each said in a line of its own, those beyond `most` lines only counted; file and
    key are those of the first."""

    def __init__(self, mistakes: Sequence[InputError], most: int) -> None:
        self.mistakes, left_out = tuple(mistakes), max(len(mistakes) - most, 0)
        self.file, self.key, self.found, self.expected = (
            getattr(mistakes[0], name) for name in ("file", "key", "found", "expected")
        )
        more = (f"{self.file}: and {left_out} more mistakes",) if left_out else ()
        CalibError.__init__(self, "\n".join((*map(str, mistakes[:most]), *more)))


def shown(found: object, limit: int = 80) -> str:
    """A value as one short piece of text."""
    text = found if isinstance(found, str) else repr(found)
    text = " ".join(text.split())
    return text if len(text) <= limit else text[: limit - 3] + "..."


@dataclass(frozen=True, slots=True)
class NotPossible:
    """Result of a fit that could not be made. It is false, so ``if not result`` reads naturally."""

    reason: str

    def __bool__(self) -> bool:
        return False
