"""The Sun of a frame, as described or computed from the time of exposure, and the angles of its light."""

import numpy as np

from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.ground.region import visible_region
from calib.ground.sphere import east_north, emission_deg, moon_to_ground, unit
from calib.ground.view import View
from calib.light.geometry import CenterLight, angle_between, sun_direction
from calib.moon import SubsolarPoint, subsolar_point
from calib.remembered import once


def sun_of(frame: Frame) -> Sun:
    """Subsolar point, distance and illuminance of the Sun: the described ones, else computed for the mid time."""
    if frame.sun is not None:
        return frame.sun
    point = subsolar_point(frame.exposure.mid_time)
    return Sun(subsolar_deg=(point.lon_deg, point.lat_deg), distance_au=point.distance_au)


@once
def center_light(view: View, sun: Sun) -> CenterLight | None:
    """Angles of Sun and camera over the ground at the frame's centre; None if the frame shows no ground."""
    region = visible_region(view)
    if region is None:
        return None
    place = region.center
    ground = moon_to_ground(place)
    to_sun = sun_direction(SubsolarPoint(*sun.subsolar_deg, sun.distance_au))
    east, north = east_north(ground.lon_deg, ground.lat_deg)
    return CenterLight(
        incidence_deg=float(angle_between(unit(place), to_sun)),
        emission_deg=float(emission_deg(place, view.pose.position_km)),
        phase_deg=float(angle_between(to_sun, unit(view.pose.position_km - place))),
        sun_azimuth_deg=float(np.degrees(np.arctan2(to_sun @ east, to_sun @ north)) % 360.0),
    )


def light_facts(frame: Frame, sun: Sun, view: View) -> tuple[tuple[str, str], ...]:
    """Facts (label, text): the Sun if it was computed, and the angles at the frame's centre."""
    rows = []
    if frame.sun is None:
        lon, lat = sun.subsolar_deg
        rows.append(("Sun computed", f"subsolar lon {lon:.3f}, lat {lat:.3f} deg, {sun.distance_au:.5f} au"))
    light = center_light(view, sun)
    if light is not None:
        angles = (
            f"incidence {light.incidence_deg:.1f}, emission {light.emission_deg:.1f}, phase {light.phase_deg:.1f} deg"
        )
        rows.append(("light", f"{angles} at the frame's centre; Sun at azimuth {light.sun_azimuth_deg:.0f} deg"))
    return tuple(rows)
