"""From digitised film strips of an orbiting camera to calibrated, map-projected reflectance.

The job in a few lines: see `calib.run.steps`. The names below are found there when they are first used, so that
``import calib`` costs nothing.
"""

import importlib
from typing import Any

_STEPS = ("film_frame", "fit", "lunar_map", "open_frame")
_ALONE = ("image_to_map", "on_film", "reflectance_of_image")
__all__ = [*_STEPS, *_ALONE, "unband"]


def __getattr__(name: str) -> Any:
    if name in _STEPS:
        return getattr(importlib.import_module("calib.run.steps"), name)
    if name in _ALONE:
        return getattr(importlib.import_module("calib.run.standalone"), name)
    if name == "unband":
        return importlib.import_module("calib.run.unband_image").unband
    if name == "__version__":
        return importlib.import_module("importlib.metadata").version("calib")
    raise AttributeError(f"module 'calib' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__, "__version__"})
