"""The lens against a computer-vision library, and its inverse for any lens that is one to one over the format."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.camera.interior import (
    direction_to_film,
    distort,
    film_to_direction,
    fold_radius2_mm2,
    lens_jacobian,
    undistort,
    within_format,
)
from calib.coordinates import FilmPoints
from calib.frame.camera import Camera, Distortion

LENS = Distortion(k1=-0.28, k2=0.11, k3=-0.02, p1=0.0012, p2=-0.0007)  # of the check file, for unit focal length
MATRIX = np.array([[2000.0, 0.0, 1024.0], [0.0, 1990.0, 768.0], [0.0, 0.0, 1.0]])
CV_LENS = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])


def camera(distortion=LENS, focal_length_mm=80.0, size_mm=(60.0, 55.0), principal=(0.012, -0.034)):
    return Camera(
        focal_length_mm=focal_length_mm, principal_point_mm=principal, distortion=distortion, format_mm=size_mm,
        f_number=5.6, transmittance=0.8,
    )  # fmt: skip


def test_distortion_equals_the_published_values(published):
    """Eight places of the check file, to its accuracy of 1e-6 px."""
    rows = published("brown_conrady")
    x, y = (np.array([float(row[k]) / float(row["Z"]) for row in rows]) for k in "XY")
    x_film, y_film = distort(LENS, x, y)
    u, v = (np.array([float(row[k]) for row in rows]) for k in ("u_opencv", "v_opencv"))
    np.testing.assert_allclose(2000 * x_film + 1024, u, atol=1e-6)
    np.testing.assert_allclose(1990 * y_film + 768, v, atol=1e-6)


def test_distortion_and_inverse_equal_a_vision_library():
    """200 places over the field; the library's own inverse needs more than its default number of turns."""
    random = np.random.default_rng(4)
    place = random.uniform(-0.45, 0.45, (200, 2))
    seen, _ = cv2.projectPoints(np.c_[place, np.ones(200)], np.zeros(3), np.zeros(3), MATRIX, CV_LENS)
    x_film, y_film = distort(LENS, *place.T)
    np.testing.assert_allclose(np.c_[2000 * x_film + 1024, 1990 * y_film + 768], seen[:, 0], atol=1e-6)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-15)
    back = cv2.undistortPoints(seen, MATRIX, CV_LENS, criteria=criteria)[:, 0]
    np.testing.assert_allclose(np.stack(undistort(LENS, x_film, y_film), -1), back, atol=1e-6 / 2000)


@st.composite
def legal_lenses(draw):
    """Lenses that are one to one over a 60 mm x 55 mm format: up to a few per cent of distortion at its corner."""
    corner = 41.0
    share = st.floats(-0.03, 0.03)
    return Distortion(
        k1=draw(share) / corner**2, k2=draw(share) / corner**4, k3=draw(share) / corner**6,
        p1=draw(share) / 3 / corner, p2=draw(share) / 3 / corner,
    )  # fmt: skip


@given(legal_lenses(), st.floats(-30, 30), st.floats(-27.5, 27.5), st.floats(20, 900))
def test_film_to_direction_and_back_is_the_same_place(lens, x_mm, y_mm, focal_length_mm):
    """1e-9 mm: a millionth of any scan sample."""
    cam = camera(lens, focal_length_mm)
    ray = film_to_direction(cam, FilmPoints(np.array(x_mm), np.array(y_mm)))
    assert np.isclose(np.linalg.norm(ray), 1.0, atol=1e-15)
    back = direction_to_film(cam, 7.3 * ray)
    assert abs(back.x_mm - x_mm) < 2e-9
    assert abs(back.y_mm - y_mm) < 2e-9


@given(legal_lenses(), st.floats(-30, 30), st.floats(-27, 27))
def test_jacobian_is_the_slope_of_the_distortion(lens, x, y):
    step = 1e-4
    right, left = distort(lens, np.array(x + step), np.array(y)), distort(lens, np.array(x - step), np.array(y))
    down, above = distort(lens, np.array(x), np.array(y + step)), distort(lens, np.array(x), np.array(y - step))
    slope = lens_jacobian(lens, np.array(x), np.array(y))
    found = np.array([right[0] - left[0], right[1] - left[1], down[0] - above[0], down[1] - above[1]]) / (2 * step)
    np.testing.assert_allclose(found, [slope.xx, slope.xy, slope.xy, slope.yy], atol=1e-8)


def test_a_folded_lens_images_nothing_beyond_its_fold():
    """Barrel distortion: the image radius rises to 2/3 of the fold radius and no place maps beyond it.

    With k1 = -1/(3 a2) the radius r (1 - r2/(3 a2)) turns back at r = a, where it is 2a/3.
    """
    a = 30.0
    lens = Distortion(k1=-1 / (3 * a**2))
    assert np.sqrt(fold_radius2_mm2(lens)) == pytest.approx(a, rel=1e-12)
    radius = np.array([0.0, 10.0, 19.99, 20.01, 25.0, 1e6])
    x, y = undistort(lens, radius * 0.6, radius * 0.8)
    found = np.hypot(x, y)
    np.testing.assert_array_equal(np.isnan(found), radius > 2 / 3 * a)
    assert np.all(found[:3] <= a)
    assert np.isnan(distort(lens, np.array(a * 1.001), np.array(0.0))[0])  # would fold back onto the film
    with_image = distort(lens, x[:3], y[:3])
    np.testing.assert_allclose(np.hypot(*with_image), radius[:3], atol=1e-9)


def test_a_lens_that_rises_again_beyond_its_fold_has_no_image_there():
    """k1 < 0 < k2 turns back, then rises for good: the second branch would put far ground onto the film."""
    lens = Distortion(k1=-1.0e-3, k2=2.5e-7)
    fold = np.sqrt(fold_radius2_mm2(lens))
    assert np.isnan(distort(lens, np.array(3 * fold), np.array(0.0))[0])
    x, _ = undistort(lens, np.array(5.0), np.array(1.0))
    assert 0 < x < fold


def test_no_lens_and_a_direction_behind_the_camera():
    cam = camera(Distortion(), 100.0)
    seen = direction_to_film(cam, np.array([[1.0, 2.0, 100.0], [1.0, 2.0, -100.0], [1.0, 0.0, 0.0]]))
    np.testing.assert_allclose(seen.x_mm, [1.012, np.nan, np.nan])
    np.testing.assert_allclose(seen.y_mm, [1.966, np.nan, np.nan])


def test_the_format_is_centred_on_the_origin_not_on_the_principal_point():
    cam = camera(Distortion(), principal=(5.0, 0.0))
    inside = within_format(cam, FilmPoints(np.array([30.0, 30.01, -30.0, np.nan]), np.zeros(4)))
    np.testing.assert_array_equal(inside, [True, False, True, False])


def test_result_does_not_depend_on_how_many_places_are_asked_for():
    """Blocks of any size must give the same bytes."""
    random = np.random.default_rng(1)
    x, y = random.uniform(-0.5, 0.5, (2, 1003))
    whole = undistort(LENS, x, y)
    parts = [undistort(LENS, x[i : i + 7], y[i : i + 7]) for i in range(0, 1003, 7)]
    np.testing.assert_array_equal(whole, np.concatenate(parts, axis=1))
