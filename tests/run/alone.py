"""The description of a plain image with a camera whose slit runs, and a pointing that moves meanwhile."""

ALONE = """
[camera]
focal_length_mm = 350.0
principal_point_mm = [0.0, 0.0]
format_mm = [20.0, 12.0]
f_number = 5.6
transmittance = 0.8
shutter_slit = { travel = "+y", speed_mm_s = 100.0 }

[pointing]
sub_point_deg = [10.0, 0.0]
altitude_km = 88.0
tilt_deg = 0.0
tilt_azimuth_deg = 0.0
swing_deg = 180.0

[pointing.motion]
velocity_km_s = [0.0, 0.0, 1.6]

[map]
pixel_m = 10.0
"""
