"""Writes NetCDF-4 files that follow the CF conventions; the same values give the same bytes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import netCDF4
import numpy as np
from numpy.typing import NDArray

from calib.products.atomic import atomic_file

CONVENTIONS = "CF-1.11"


@dataclass(frozen=True, slots=True, eq=False)
class Variable:
    """One variable: names of its dimensions, values, description and unit (UDUNITS; "1" for a pure number).

    Values are integers, floats (NaN: missing), booleans (stored as a flag of 0 and 1) or strings (then without unit).
    """

    name: str
    dimensions: tuple[str, ...]
    values: NDArray
    long_name: str
    units: str = "1"
    attributes: Mapping[str, object] = field(default_factory=dict)


def write_netcdf(path: str | Path, attributes: Mapping[str, str], variables: Sequence[Variable]) -> None:
    """Write the variables completely or not at all. The first variable with a dimension sets its length.

    Raises ValueError if a variable's shape contradicts the dimensions set before it.
    """
    sizes = _dimension_sizes(variables)
    with atomic_file(path) as aside:
        try:
            with netCDF4.Dataset(aside, "w", format="NETCDF4") as file:
                file.setncatts({"Conventions": CONVENTIONS, **attributes})
                for name, size in sizes.items():
                    file.createDimension(name, size)
                for variable in variables:
                    _write(file, variable)
        except RuntimeError:  # the library's only error; on a full disk this write raises the system's OSError instead
            aside.write_bytes(bytes(sum(np.asarray(variable.values).nbytes for variable in variables)))
            raise


def _dimension_sizes(variables: Sequence[Variable]) -> dict[str, int]:
    sizes: dict[str, int] = {}
    for variable in variables:
        shape = np.shape(variable.values)
        if len(shape) != len(variable.dimensions):
            raise ValueError(f"{variable.name}: {len(shape)} axes do not go with the dimensions {variable.dimensions}")
        for name, size in zip(variable.dimensions, shape, strict=True):
            if sizes.setdefault(name, size) != size:
                raise ValueError(f"{variable.name}: has {size} along {name}, variables before it have {sizes[name]}")
    return sizes


def _write(file: netCDF4.Dataset, variable: Variable) -> None:
    values = np.asarray(variable.values)
    described: dict[str, object] = {"long_name": variable.long_name}
    if values.dtype.kind in "UO":
        target = file.createVariable(variable.name, str, variable.dimensions)
        target.setncatts(described | dict(variable.attributes))
        target[...] = values.astype(object)
        return
    if values.dtype.kind == "b":
        values = values.astype(np.int8)
        described |= {"flag_values": np.array([0, 1], np.int8), "flag_meanings": "no yes"}
    else:
        described["units"] = variable.units
    # The conventions forbid missing values in a coordinate variable.
    may_have_missing = values.dtype.kind == "f" and variable.dimensions != (variable.name,)
    target = file.createVariable(
        variable.name,
        values.dtype.str[1:],
        variable.dimensions,
        compression="zlib" if values.size > 1 else None,
        fill_value=np.array(np.nan, values.dtype) if may_have_missing else False,
    )
    target.setncatts(described | dict(variable.attributes))
    target[...] = values
