"""What the GNU C library can be told and Python has no function for; other C libraries have their own ways."""

import ctypes

_ARENAS = (
    "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks", "keepcost"
)  # fmt: skip


class _Memory(ctypes.Structure):
    """`struct mallinfo2` of malloc.h."""

    _fields_ = [(name, ctypes.c_size_t) for name in _ARENAS]


def tell(name: str, *numbers: int | ctypes.c_int64) -> None:
    """Call a function by name, where there is one; what it gives back says nothing that is asked for."""
    call = getattr(ctypes.CDLL(None), name, None)
    if call is not None:
        call(*numbers)


def free_bytes() -> int:
    """Bytes that the C library holds and that nothing uses; 0 where it does not say."""
    ask = getattr(ctypes.CDLL(None), "mallinfo2", None)
    if ask is None:
        return 0
    ask.restype = _Memory
    return int(ask().fordblks)
