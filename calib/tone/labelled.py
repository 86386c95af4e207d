"""Interface for labelled arrays: removes banding from an xarray image and returns labelled results."""

import numpy as np
import xarray as xr

from calib.errors import NotPossible
from calib.tone.unband import unband


def unband_dataarray(
    image: xr.DataArray, *, column: str | None = None, period: float | None = None, mask: xr.DataArray | None = None
) -> xr.Dataset | NotPossible:
    """Variables `image`, `pattern` and `sigma` of a two-dimensional image whose banding runs along its other axis.

    Attributes: `share` of the columns' variance taken out, `period` where there is one.

    `column` names the dimension along which columns follow each other (by default the last); `period` is in columns.
    """
    if image.ndim != 2:
        raise ValueError(f"image must have two dimensions, not {image.ndim}")
    across = str(image.dims[-1]) if column is None else column
    if across not in image.dims:
        raise ValueError(f"column must be one of {image.dims}, not {across!r}")
    upright = image.transpose(..., across)
    use = None if mask is None else mask.transpose(*upright.dims).to_numpy().astype(np.bool_)
    found = unband(upright.to_numpy(), period=period, mask=use)
    if isinstance(found, NotPossible):
        return found
    attrs = {"share": found.share} if found.period is None else {"share": found.share, "period": found.period}
    result = xr.Dataset(
        {
            "image": (upright.dims, found.image),
            "pattern": ((across,), found.pattern),
            "sigma": ((across,), found.sigma),
        },
        coords=image.coords,
        attrs=attrs,
    )
    return result.transpose(*image.dims)
