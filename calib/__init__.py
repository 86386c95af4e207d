"""Converts digitised film strips of an orbiting camera to calibrated, map-projected reflectance.

For a complete job in a few lines see `calib.run.steps`. The modules of the names below are imported when a name is
first used, so that ``import calib`` takes no time.
"""

import importlib
from typing import Any

_MODULES = {  # module of each public name
    **dict.fromkeys(("film_frame", "fit", "lunar_map", "open_frame"), "calib.run.steps"),
    "image_to_map": "calib.run.image.to_map",
    "on_film": "calib.run.image.labelled",
    "reflectance_of_image": "calib.run.image.reflectance",
    "unband": "calib.run.image.unband",
}
__all__ = [*_MODULES]


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return getattr(importlib.import_module(_MODULES[name]), name)
    if name == "__version__":
        return importlib.import_module("importlib.metadata").version("calib")
    raise AttributeError(f"module 'calib' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__, "__version__"})
