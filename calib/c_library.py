"""What the GNU C library can be told and Python has no function for; other C libraries have their own ways."""

import ctypes


def tell(name: str, *numbers: int | ctypes.c_int64) -> None:
    """Call a function by name, where there is one; what it gives back says nothing that is asked for."""
    call = getattr(ctypes.CDLL(None), name, None)
    if call is not None:
        call(*numbers)
