"""Checks of what Python callers pass to the public functions."""


def check_type(name: str, value: object, kind: type, expected: str) -> None:
    """Raise TypeError, in one line, unless the argument called `name` is of a kind; `expected` says so in words."""
    if not isinstance(value, kind):
        raise TypeError(f"{name}: found {type(value).__name__}, expected {expected}")
