"""The Sun of a frame: as the description gives it, or from the time of the exposure."""

from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.moon import subsolar_point


def sun_of(frame: Frame) -> Sun:
    """Where the Sun stood, how far, and how bright it is at 1 au."""
    if frame.sun is not None:
        return frame.sun
    point = subsolar_point(frame.exposure.mid_time)
    return Sun(subsolar_deg=(point.lon_deg, point.lat_deg), distance_au=point.distance_au)
