"""Numbers for people to read, on pages and terminals, and the largest size of a picture."""

import numpy as np

LONGEST_PX = 2048  # longest side of a picture, enough for a screen
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def number(value: float, digits: int = 3) -> str:
    """A number with `digits` significant digits without trailing zeros; whole numbers in full; words if not finite."""
    if not np.isfinite(value):
        return "not determined"
    if float(value).is_integer() and abs(value) < 1e6:
        return f"{int(value):,}".replace("-", "−")
    if 1e-5 <= abs(value) < 1e5:
        decimals = max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))
        text = f"{value:,.{decimals}f}"
        return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    return f"{mantissa} × {ten_to(int(exponent))}".replace("-", "−")


def ten_to(exponent: int) -> str:
    """A power of ten as text, with the exponent in superscript characters."""
    return f"10{str(exponent).translate(_SUPERSCRIPT)}"
