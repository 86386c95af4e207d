"""Cameras, poses and elevation models for the tests of this folder."""

import numpy as np
import pytest
import rasterio
from affine import Affine

from calib.camera.exterior import pose_of
from calib.frame.camera import Camera, Distortion
from calib.frame.pointing import PointingBySubPoint
from calib.ground.view import View

LENS = Distortion(k1=1e-6)


def make_view(
    lon=-77.0, lat=19.0, altitude=88.0, tilt=0.0, azimuth=0.0, swing=180.0, focal_length_mm=350.0, size_mm=(21.0, 12.0),
    distortion=LENS, terrain=None,
):  # fmt: skip
    camera = Camera(
        focal_length_mm=focal_length_mm, principal_point_mm=(0.012, -0.034), distortion=distortion, format_mm=size_mm,
        f_number=5.6, transmittance=0.8,
    )  # fmt: skip
    pointing = PointingBySubPoint(
        sub_point_deg=(lon, lat), altitude_km=altitude, tilt_deg=tilt, tilt_azimuth_deg=azimuth, swing_deg=swing
    )
    return View(camera, pose_of(pointing), terrain)


@pytest.fixture(scope="session")
def view():
    return make_view


@pytest.fixture
def write_dem(tmp_path):
    """Write heights in metres as a GeoTIFF; returns its path."""

    def write(heights, transform, crs, name="dem.tif", **profile):
        heights = np.asarray(heights)
        path = tmp_path / name
        with rasterio.open(
            path, "w", driver="GTiff", height=heights.shape[0], width=heights.shape[1], count=1, dtype=heights.dtype,
            crs=crs, transform=Affine(*transform), **profile,
        ) as file:  # fmt: skip
            file.write(heights, 1)
        return path

    return write
