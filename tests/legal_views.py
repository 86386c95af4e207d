"""What a description may state of a camera and its pointing, for tests that draw views: the widest that is meant."""

from hypothesis import strategies as st

from calib.frame.camera import Distortion

LEGAL = {
    "lon": st.floats(-180, 180), "lat": st.floats(-90, 90), "altitude": st.floats(30, 3000), "tilt": st.floats(0, 60),
    "azimuth": st.floats(0, 360), "swing": st.floats(0, 360), "focal_length_mm": st.floats(30, 900),
    "distortion": st.builds(
        Distortion, k1=st.floats(-1e-4, 1e-4), k2=st.floats(-1e-7, 1e-7), k3=st.floats(-1e-10, 1e-10),
        p1=st.floats(-1e-4, 1e-4), p2=st.floats(-1e-4, 1e-4),
    ),
}  # fmt: skip
