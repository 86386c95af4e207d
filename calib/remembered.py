"""What is worked out once for an object and goes when the object does.

A cache that counts its entries would keep the sweeps and tones of earlier fits, and of frames that are done, together
with all that was made of them, until others have pushed them out.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar
from weakref import WeakKeyDictionary

Owner = TypeVar("Owner")
Others = ParamSpec("Others")
Made = TypeVar("Made")


def once(make: Callable[Concatenate[Owner, Others], Made]) -> Callable[Concatenate[Owner, Others], Made]:
    """`make`, whose result is kept for its first argument, and made anew where the others are not those of last time.

    Arguments are the same only if they are the same objects. What is made must not refer to the first of them, which
    would then be kept for good.
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
