"""run.json: inputs, settings, versions, timings, warnings, figures and products of a run."""

import hashlib
import json
import os
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
from numpy.typing import NDArray

from calib.ordered import in_order
from calib.products.atomic import write_text

_LIBRARIES = (
    "calib", "dask", "jinja2", "matplotlib", "netcdf4", "numba", "numpy", "pydantic", "pyerfa", "pyproj", "pystac",
    "rasterio", "scipy", "tifffile", "xarray",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class RefinedPointing:
    """Camera position (3,) and attitude in the Moon frame after resection on control points.

    `camera_to_moon`: unit quaternion (w, x, y, z), v_moon = R v_camera. `sigma_attitude_deg`: about camera X, Y, Z.
    """

    position_km: NDArray[np.float64]
    camera_to_moon: NDArray[np.float64]
    sigma_position_km: NDArray[np.float64]
    sigma_attitude_deg: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Timings:
    """Start of the run and the seconds of each stage, in order."""

    started: datetime
    stages_s: Mapping[str, float]


@dataclass(frozen=True, slots=True, eq=False)
class Provenance:
    """Content of run.json except the versions.

    `inputs` and `products`: relative path -> SHA-256 (see `digests`). `photometric_model`: name, coefficients and
    source of the model used for normal.tif; None if there is no normal.tif. `rejected` and `pointing`: None without
    control points. `sun`: its direction, distance and irradiance, and whether these were stated or computed.
    """

    frame: str
    inputs: Mapping[str, str]
    settings: Mapping[str, Any]
    timings: Timings
    figures: Mapping[str, Any]
    warnings: Sequence[str] = ()
    photometric_model: Mapping[str, Any] | None = None
    rejected: Sequence[str] | None = None
    pointing: RefinedPointing | None = None
    sun: Mapping[str, Any] | None = None
    products: Mapping[str, str] = field(default_factory=dict)


def digests(paths: Iterable[str | Path], folder: str | Path, threads: int = 1) -> dict[str, str]:
    """SHA-256 of each file by its path relative to `folder` (with `..` for files outside it), sorted by path."""
    # The largest files first, so that the threads end at about the same time.
    ordered = sorted((Path(path) for path in paths), key=lambda path: path.stat().st_size, reverse=True)
    found = zip(ordered, in_order(_sha256, ordered, threads), strict=True)
    return dict(sorted((Path(os.path.relpath(path, folder)).as_posix(), digest) for path, digest in found))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def versions() -> dict[str, str]:
    """Versions of Python, of this package and of the libraries that affect the result."""
    found = {"python": platform.python_version()} | {name: version(name) for name in _LIBRARIES}
    return found | {"gdal": rasterio.__gdal_version__, "proj": pyproj.proj_version_str}


def peak_memory_mb() -> int:
    """Peak resident memory of this process, in 2^20 bytes.

    Read from the kernel's VmHWM of the running program, because getrusage's maximum includes the parent's memory.
    """
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM:")).split()[1]) // 1024


def write_run(path: str | Path, run: Provenance) -> None:
    """Write run.json completely or not at all. Apart from `timings` the same run gives the same bytes."""
    write_text(path, json.dumps(plain(as_table(run)), indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def as_table(run: Provenance) -> dict[str, Any]:
    """The content of run.json as nested tables, in the order in which a person reads it."""
    started = run.timings.started.astimezone(UTC).isoformat(timespec="seconds")
    table: dict[str, Any] = {
        "frame": run.frame,
        "warnings": list(run.warnings),
        "figures": run.figures,
        "settings": run.settings,
        "photometric_model": run.photometric_model,
        "sun": run.sun,
    }
    if run.rejected is not None:
        table["control"] = {"rejected": list(run.rejected)}
    if run.pointing is not None:
        table["pointing"] = {
            "position_km": run.pointing.position_km,
            "sigma_position_km": run.pointing.sigma_position_km,
            "camera_to_moon": dict(zip("wxyz", run.pointing.camera_to_moon, strict=True)),
            "sigma_attitude_deg": run.pointing.sigma_attitude_deg,
        }
    return table | {
        "inputs": run.inputs,
        "products": run.products,
        "versions": versions(),
        "timings": {
            "started": started,
            "stages_s": {stage: round(seconds, 3) for stage, seconds in run.timings.stages_s.items()},
            "total_s": round(sum(run.timings.stages_s.values()), 3),
            "peak_memory_mb": peak_memory_mb(),
        },
    }


def plain(value: Any) -> Any:
    """A value converted to JSON types; numbers that are not finite (not determined) become null.

    Raises TypeError for types that JSON cannot hold.
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, Path):
        return value.as_posix()
    raise TypeError(f"run.json cannot hold a {type(value).__name__}: {value!r}")
