"""Tells whether the products in a folder were made from the present inputs of a frame with the present settings."""

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any

from calib.frame.frame import Frame
from calib.products.provenance import digests
from calib.run.out_folder import LAST_WRITTEN
from calib.run.settings import Settings

READ_WHOLE = 2**20  # bytes; larger files count by size and time of change, which spares a second pass over the strips


def digest_of(frame: Frame, settings: Settings) -> str:
    """The first 16 hexadecimal digits of a SHA-256 of everything the products depend on.

    Files of up to 1 MiB (the description and its tables) count by their bytes, larger ones (strips, terrain) by size
    and time of change. So a file that was touched but not changed gives another digest; then `is_made_of` decides.
    """
    files = {}
    for path in frame.inputs:
        name, state = os.path.relpath(path, frame.path.parent), path.stat()
        if state.st_size <= READ_WHOLE:
            files[name] = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            files[name] = f"{state.st_size} bytes of {state.st_mtime_ns}"
    told = json.dumps([version("calib"), asdict(settings), files], sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def finished_run(out: Path) -> Mapping[str, Any] | None:
    """Contents of run.json in `out`; None if no run was finished there, or a product that it names is gone."""
    try:
        run = json.loads((out / LAST_WRITTEN).read_text(encoding="utf-8"))
        return run if all((out / name).is_file() for name in run["products"]) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def is_made_of(run: Mapping[str, Any], frame: Frame, settings: Settings, out: Path) -> bool:
    """Whether a finished `run` has these inputs and settings, judged by the digests of all inputs and products."""
    return (
        run.get("settings") == asdict(settings)
        and run.get("versions", {}).get("calib") == version("calib")
        and run.get("inputs") == digests(frame.inputs, frame.path.parent)
        and run.get("products") == digests([out / name for name in run["products"]], out)
    )
