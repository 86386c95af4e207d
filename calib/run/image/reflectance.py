"""A plain density image turned into reflectance."""

import numpy as np
import xarray as xr

from calib.coordinates import FilmPoints
from calib.frame.standalone import DensityImageDescription
from calib.light.curve import film_curve
from calib.light.image import reflectance_image
from calib.light.radiometry import reflectance_per_exposure
from calib.run.arguments import check_type
from calib.run.image.labelled import check_on_film


def reflectance_of_image(density: xr.DataArray, described: DensityImageDescription) -> xr.DataArray:
    """Radiance factor of a density image on the film, NaN beyond the format and the curve; lazy where the image is.

    `density` has dimensions y and x with coordinates in film mm, as `on_film` makes it; `described` holds exposure
    time, camera, characteristic curve and Sun.

    Raises:
        TypeError: `described` is not a description of a density image.
        TypeError, ValueError: `density` is no image on the film (dimensions y and x with even coordinates).
    """
    check_on_film(density)
    check_type("described", described, DensityImageDescription, "a calib.frame.standalone.DensityImageDescription")
    x, y = xr.broadcast(density.x.astype(float), density.y.astype(float))
    places = FilmPoints(x.transpose(*density.dims).data, y.transpose(*density.dims).data)
    factor = reflectance_per_exposure(
        described.camera, described.shutter_s, described.sun.distance_au, described.sun.illuminance_lx_1au, places
    )
    # Beyond the format no light came from the Moon, and the stated fall-off may be anything.
    width, height = described.camera.format_mm
    factor = np.where((np.abs(places.x_mm) < width / 2) & (np.abs(places.y_mm) < height / 2), factor, np.nan)
    curve = film_curve(described.characteristic.log_exposure, described.characteristic.density)
    made = reflectance_image(density, curve, xr.DataArray(factor, dims=density.dims, coords=density.coords))
    if not isinstance(made, xr.DataArray):
        raise TypeError("a labelled image stays labelled")
    return made
