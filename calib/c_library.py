"""Functions of the GNU C library that Python does not offer; other C libraries may lack them."""

import ctypes

_ARENAS = (
    "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks", "keepcost"
)  # fmt: skip


class _Memory(ctypes.Structure):
    """`struct mallinfo2` of malloc.h."""

    _fields_ = [(name, ctypes.c_size_t) for name in _ARENAS]


def tell(name: str, *numbers: int | ctypes.c_int64) -> None:
    """Call the C function `name` if it exists; its result is ignored."""
    call = getattr(ctypes.CDLL(None), name, None)
    if call is not None:
        call(*numbers)


def free_bytes() -> int:
    """Bytes that the C library holds but that are not in use; 0 if it cannot tell."""
    ask = getattr(ctypes.CDLL(None), "mallinfo2", None)
    if ask is None:
        return 0
    ask.restype = _Memory
    return int(ask().fordblks)
