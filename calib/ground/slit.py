"""Checks that a shutter's slit is faster than the image it crosses: only then has each place of the film one time."""

from pathlib import Path

import numpy as np

from calib.camera.collinearity import film_at
from calib.camera.shutter import is_moving, seconds_at
from calib.coordinates import FilmPoints
from calib.errors import InputError
from calib.ground.view import View, film_to_moon

ACROSS = 9  # points along each side of the format at which speeds are computed
STEP_MM = 1e-3  # travel of the slit over which the image's motion is measured
MOST_SHARE = 0.5  # of the slit's speed; above it the image is stretched by more than a factor of 2


def check_slit(view: View, described_in: Path) -> None:
    """Refuse a slit that is not at least twice as fast as the image along it.

    Raises:
        InputError: names camera.shutter_slit.speed_mm_s.
    """
    slit = view.camera.shutter_slit
    if slit is None or not is_moving(view.camera, view.pose):
        return
    share = _image_share(view)
    if share > MOST_SHARE:
        found = f"{slit.speed_mm_s:g} mm/s, where the image itself moves at {share * slit.speed_mm_s:.4g} mm/s along it"
        expected = "a slit at least twice as fast as the image"
        raise InputError(described_in, "camera.shutter_slit.speed_mm_s", found, expected)


def _image_share(view: View) -> float:
    """The largest speed of the image along the slit's travel, in units of the slit's; 0 if no place shows the Moon."""
    width, height = view.camera.format_mm
    x, y = np.meshgrid(np.linspace(-width / 2, width / 2, ACROSS), np.linspace(-height / 2, height / 2, ACROSS))
    film = FilmPoints(x.ravel(), y.ravel())
    place, seconds = film_to_moon(view, film), seconds_at(view.camera, film)
    step = STEP_MM / view.camera.shutter_slit.speed_mm_s if view.camera.shutter_slit else 0.0
    late, early = (film_at(view.camera, view.pose, place, seconds + sign * step) for sign in (1.0, -1.0))
    share = np.abs(seconds_at(view.camera, late) - seconds_at(view.camera, early)) / (2 * step)
    return float(np.nanmax(share, initial=0.0))
