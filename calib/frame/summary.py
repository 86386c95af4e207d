"""Summarizes a frame package as pairs of label and text."""

import math

from calib.frame.coherence import scanned_film
from calib.frame.frame import Frame
from calib.frame.pointing import PointingByPosition
from calib.moon import RADIUS_KM


def summary(frame: Frame) -> tuple[tuple[str, str], ...]:
    """Label and text of each property of the package; nothing is estimated and no strip is read."""
    return (
        ("name", frame.name),
        ("exposure", _exposure(frame)),
        ("camera", _camera(frame)),
        ("film", _film(frame)),
        ("step wedge", _wedge(frame)),
        ("reseau", _reseau(frame)),
        ("strips", _strips(frame)),
        ("scan", _scan(frame)),
        ("pointing", _pointing(frame)),
        ("Sun", _sun(frame)),
        ("terrain", frame.dem.name if frame.dem else "the sphere"),
        ("control", f"{len(frame.control.ids)} points" if frame.control else "none"),
        ("map", _map(frame)),
    )


def _exposure(frame: Frame) -> str:
    time = frame.exposure.mid_time.strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]
    return f"{time} UTC, {frame.exposure.shutter_s:g} s"


def _camera(frame: Frame) -> str:
    camera = frame.camera
    width, height = camera.format_mm
    light = "cos^4" if camera.falloff is None else "measured"
    distorted = any(value for _, value in camera.distortion)
    slit = camera.shutter_slit
    shutter = "" if slit is None else f", slit running {slit.travel} at {slit.speed_mm_s:g} mm/s"
    return (
        f"f = {camera.focal_length_mm:g} mm, f/{camera.f_number:g}, format {width:g} x {height:g} mm, "
        f"transmittance {camera.transmittance:g}, falloff {light}, distortion {'given' if distorted else 'none'}"
        f"{shutter}"
    )


def _film(frame: Frame) -> str:
    curve = frame.film.characteristic
    kind = "negative" if curve.density[-1] > curve.density[0] else "positive"
    grain = "not given" if frame.film.granularity is None else f"{frame.film.granularity:g}"
    knots = len(curve.density)
    return (
        f"{kind}, density {min(curve.density):g} to {max(curve.density):g} over log exposure "
        f"{curve.log_exposure[0]:g} to {curve.log_exposure[-1]:g} ({knots} knots), granularity {grain}"
    )


def _wedge(frame: Frame) -> str:
    wedge = frame.film.wedge
    values = [patch.value for patch in wedge.patches]
    quantity = wedge.quantity.replace("_", " ")
    sigma = "" if wedge.sigma is None else f", 1-sigma {wedge.sigma:g}"
    return f"{len(values)} patches, {quantity} {min(values):g} to {max(values):g}{sigma}"


def _reseau(frame: Frame) -> str:
    reseau = frame.film.reseau
    density = "density not given" if reseau.density is None else f"density {reseau.density:g}"
    return f"{len(frame.marks.ids)} crosses, {2 * reseau.arm_mm:g} mm, strokes {reseau.width_mm:g} mm, {density}"


def _strips(frame: Frame) -> str:
    strips = frame.strips
    lines = sorted({strip.n_lines for strip in strips})
    n_lines = f"{lines[0]}" if len(lines) == 1 else f"{lines[0]} to {lines[-1]}"
    n_bytes = sum(strip.n_lines * strip.n_samples * strip.dtype.itemsize for strip in strips)
    turned = sum(strip.is_reversed for strip in strips)
    return (
        f"{len(strips)} of {n_lines} lines by {strips[0].n_samples} samples, {strips[0].dtype}, {n_bytes / 1e6:.1f} MB"
        f"{f', {turned} reversed' if turned else ''}"
    )


def _scan(frame: Frame) -> str:
    scan, film = frame.scan, scanned_film(frame.scan, frame.strips)
    overlap_mm = film.across_mm[1] - film.across_mm[0] - scan.pitch_mm
    return (
        f"x {film.x_mm[0]:.3f} to {film.x_mm[1]:.3f} mm, y {film.y_mm[0]:.3f} to {film.y_mm[1]:.3f} mm, "
        f"overlap {overlap_mm:.3f} mm, pixel {scan.sample_mm:g} x {scan.line_mm:g} mm"
    )


def _pointing(frame: Frame) -> str:
    pointing = frame.pointing
    speed_km_s = 0.0 if pointing.motion is None else math.hypot(*pointing.motion.velocity_km_s)
    moving = "" if pointing.motion is None else f"; moving at {speed_km_s:.3g} km/s"
    if isinstance(pointing, PointingByPosition):
        x, y, z = pointing.position_km
        distance_km = math.hypot(x, y, z)
        lon, lat = math.degrees(math.atan2(y, x)), math.degrees(math.asin(z / distance_km))
        place = f"above lon {lon:.3f}, lat {lat:.3f} deg at {distance_km - RADIUS_KM:.1f} km"
        return f"position and quaternion; {place}{moving}"
    lon, lat = pointing.sub_point_deg
    return (
        f"above lon {lon:g}, lat {lat:g} deg at {pointing.altitude_km:g} km; tilt {pointing.tilt_deg:g}, "
        f"azimuth {pointing.tilt_azimuth_deg:g}, swing {pointing.swing_deg:g} deg{moving}"
    )


def _sun(frame: Frame) -> str:
    if frame.sun is None:
        return "from the time of the exposure"
    lon, lat = frame.sun.subsolar_deg
    light = f"{frame.sun.illuminance_lx_1au:g} lx at 1 au"
    return f"subsolar lon {lon:g}, lat {lat:g} deg, {frame.sun.distance_au:g} au, {light}"


def _map(frame: Frame) -> str:
    wish = frame.map
    parts = [
        wish.crs or "projection by latitude",
        f"{wish.pixel_m:g} m" if wish.pixel_m else "pixel from the ground sample distance",
        "bounds given" if wish.bounds else "bounds from the footprint",
    ]
    return ", ".join(parts)
