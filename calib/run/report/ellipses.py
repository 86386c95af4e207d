"""Uncertainty of a frame's places on the ground: that of the pointing, at its centre and corners."""

import numpy as np

from calib.coordinates import Array, FilmPoints
from calib.ground.footprint import format_corners, place_ellipses, stated_covariance
from calib.ground.view import View
from calib.products.fits_pointing import PlaceUncertainty
from calib.run.fitting.fit import FrameFits

PLACES = ("centre", "upper left", "upper right", "lower right", "lower left")


def pointing_covariance(fits: FrameFits) -> Array | None:
    """Covariance (6, 6) of position (km) and rotations about the camera's axes (rad); None if it is not known.

    It is the resection's if control points refined the pointing, else that of the two stated sigmas.
    """
    return fits.resection.covariance if fits.resection is not None else stated_covariance(fits.pose)


def place_uncertainty(fits: FrameFits, view: View) -> PlaceUncertainty | None:
    """1-sigma ellipses of the frame's centre and of the format's corners; None if the pointing has no covariance.

    The place and the ellipse of a corner that misses the Moon are NaN.
    """
    covariance = pointing_covariance(fits)
    if covariance is None:
        return None
    corners = format_corners(view)
    film = FilmPoints(np.append(0.0, corners.x_mm), np.append(0.0, corners.y_mm))
    rows = [
        (np.nan,) * 5
        if one is None
        else (one.lon_deg, one.lat_deg, one.semi_major_m, one.semi_minor_m, one.azimuth_deg)
        for one in place_ellipses(view, film, covariance)
    ]
    return PlaceUncertainty(PLACES, film.x_mm, film.y_mm, *np.array(rows).T)
