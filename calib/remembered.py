"""Caches a result for an object, and releases it with the object.

A cache with a limited number of entries would keep sweeps and tones of earlier fits and frames, with everything derived
from them, until other entries replace them.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar
from weakref import WeakKeyDictionary

Owner = TypeVar("Owner")
Others = ParamSpec("Others")
Made = TypeVar("Made")


def once(make: Callable[Concatenate[Owner, Others], Made]) -> Callable[Concatenate[Owner, Others], Made]:
    """`make` with its last result cached per first argument, and recomputed if the other arguments differ.

    Arguments are compared by identity. The result must not refer to the first argument, which would then never be
    released.
    """
    kept: WeakKeyDictionary[Any, tuple[tuple[Any, ...], Made]] = WeakKeyDictionary()

    @wraps(make)
    def remembered(owner: Owner, /, *others: Others.args, **named: Others.kwargs) -> Made:
        before = kept.get(owner)
        with_what = (*others, *named.values())
        if before is not None and all(one is other for one, other in zip(before[0], with_what, strict=True)):
            return before[1]
        made = make(owner, *others, **named)
        kept[owner] = with_what, made
        return made

    return remembered
