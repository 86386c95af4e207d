"""Places, resection and resolution against what is known: true fits leave nothing, bounds hold, kernels are theirs."""

from pathlib import Path

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.truth import Truth, video_sigma_dn
from scipy.stats import norm

from calib.bench import perfect, resections
from calib.bench.resolution import ideal, response
from calib.bench.wedge_error import true_density, wedge_error, well_exposed
from calib.camera.exterior import Pose, pose_of
from calib.camera.resection import Resection, resect
from calib.film.interpolate import KernelScale
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.light.curve import exposure_of


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Frame, Truth]:
    folder: Path = tmp_path_factory.mktemp("bench") / "frame"
    truth = make_frame(scenario("small"), folder)
    return read_frame(folder / "frame.toml"), truth


def test_the_true_tone_takes_noisy_video_back_to_density_in_the_mean(small: tuple[Frame, Truth]) -> None:
    """The mean over the video's noise is the density, though the curve bends; its own scatter is the noise stated."""
    _, truth = small
    density = np.linspace(0.25, 1.9, 50)
    noise_dn = video_sigma_dn(truth.scenario, rounded=False) * norm.ppf((np.arange(4001) + 0.5) / 4001)
    for k, strip in enumerate(truth.strips):
        tone = perfect.tone(truth, k)
        dn = strip.video.dn_of(density)[:, None] + noise_dn
        found = np.interp(dn, np.arange(tone.density_of_dn.size), tone.density_of_dn)
        np.testing.assert_allclose(found.mean(axis=1), density, atol=1e-4)
        stated = tone.noise_density[np.rint(strip.video.dn_of(density)).astype(int)]
        assert np.all(found.std(axis=1) < stated)


def test_the_wedge_error_is_stated_less_true(small: tuple[Frame, Truth]) -> None:
    frame, truth = small
    wedge, patches = wedge_error(frame.film, truth), truth.layout.patches
    order = np.argsort(patches.density)
    np.testing.assert_allclose(wedge.of_density(patches.density[order]), (patches.stated - patches.density)[order])
    moved = exposure_of(wedge.curve, patches.stated[3]) / exposure_of(wedge.curve, patches.density[3]) - 1
    assert wedge.of_reflectance(patches.density[3:4])[0] == pytest.approx(moved, rel=1e-3)


def test_the_curve_is_read_both_ways_and_its_ends_are_not_well_exposed(small: tuple[Frame, Truth]) -> None:
    curve = wedge_error(*_film_and_truth(small)).curve
    density = np.linspace(curve.density[0] + 0.01, curve.density[-1] - 0.01, 30)
    np.testing.assert_allclose(true_density(curve, exposure_of(curve, density)), density, atol=1e-6)
    assert well_exposed(curve, density).tolist() == sorted(well_exposed(curve, density)[:15]) + sorted(
        well_exposed(curve, density)[15:], reverse=True
    )
    assert not well_exposed(curve, density[[0, -1]]).any()


def _film_and_truth(small: tuple[Frame, Truth]) -> tuple:  # type: ignore[type-arg]
    return small[0].film, small[1]


def test_an_exact_pose_scores_nothing_and_drawn_blunders_are_found(small: tuple[Frame, Truth]) -> None:
    frame, truth = small
    pose = pose_of(frame.pointing)
    drawn = resections.draw(truth, Pose(pose.position_km, pose.rotation), np.random.default_rng(4))
    found = resect(frame.camera, drawn.control, drawn.stated)
    assert isinstance(found, Resection)
    assert set(found.rejected) == set(drawn.blunders)
    assert len(drawn.blunders) == resections.BLUNDERS
    assert np.abs(resections.whitened(found, pose)).max() < 5.0
    np.testing.assert_allclose(resections.whitened(found, found.pose), 0.0, atol=1e-9)


def test_a_slow_wave_passes_and_a_larger_pixel_leaves_of_a_wave_what_its_mean_leaves() -> None:
    """The wave of a pixel that spans several samples is lessened as a mean over these lessens it."""
    assert response(KernelScale(), 0.01, 0.0) == pytest.approx(1.0, abs=1e-3)
    assert response(KernelScale(3.0, 3.0), 0.0, 0.1) == pytest.approx(np.sinc(0.1 * 8**0.5), abs=0.01)
    assert ideal(3.0, 0.1) == pytest.approx(np.sinc(0.1 * 8**0.5))
    assert ideal(1.0, 0.4) == 1.0
