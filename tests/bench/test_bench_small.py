"""The whole benchmark on the small scene, made once: every figure is measured, the plain ones are what they must be."""

import numpy as np
import pytest
from calib_demo.catalogue import scenario

from calib.bench import resections
from calib.bench.figure import Figure
from calib.bench.geometry import geometry_figures
from calib.bench.scene import PACKAGE, TRUTH, Calibrated, calibrate, photographed
from calib.bench.tone import tone_figures
from calib.errors import InputError


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Calibrated:
    return calibrate("small", tmp_path_factory.mktemp("bench"), threads=1)


def named(figures: list[Figure]) -> dict[str, Figure]:
    assert len({figure.name for figure in figures}) == len(figures)
    return {figure.name: figure for figure in figures}


def test_the_tone_is_measured_beside_floor_and_rivals(done: Calibrated) -> None:
    figures = named(tone_figures(done, threads=1))
    left = figures["banding left in column means over noise floor"]
    assert 0.2 < left.found < 0.2 * left.beside["wavelet-Fourier"]
    assert left.found < 0.2 * left.beside["column moments"]
    tones = done.run.fits.tone.strips
    column = np.sqrt(np.mean(np.concatenate([tone.column_sigma for tone in tones]) ** 2))
    floor = figures["banding left, with the noise"].beside["floor"]
    assert left.beside["by the fit's own sigma"] == pytest.approx(np.hypot(1.0, column / floor))
    blocks = figures["film density, 32x32 block means over floor"].beside
    line = np.sqrt(np.mean(np.concatenate([tone.line_sigma for tone in tones]) ** 2))
    curve = max(float(tone.curve_sigma.max()) for tone in tones)
    assert np.hypot(1.0, line / blocks["floor (D)"]) < blocks["by the fit's own sigma"]
    assert blocks["by the fit's own sigma"] < np.hypot(1.0, np.hypot(curve, line) / blocks["floor (D)"])
    kept = figures["amplitude of column-parallel features"]
    assert kept.found == pytest.approx(100.0, abs=3.0)
    assert kept.beside["ideal"] == pytest.approx(100.0, abs=5 * kept.beside["1-sigma"])
    assert abs(kept.beside["column moments"]) < 50.0
    for tone in ("dark", "middle", "bright"):
        bias = figures[f"reflectance bias, {tone}"]
        assert abs(bias.beside["ideal"]) < 1.0
        assert abs(bias.found) < 5.0
    pixels = figures["reflectance, pixels over the ideal calibration"]
    assert pixels.found == pytest.approx(1.0, abs=0.1)
    assert figures["reflectance, 16x16 block means over floor"].found > 0.5
    assert figures["within 2 sigma, all"].found > figures["within 1 sigma, all"].found > 40.0
    assert figures["dropout samples flagged"].reached


def test_the_geometry_is_measured(done: Calibrated, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resections, "DRAWS", 10)
    figures = named(geometry_figures(done))
    assert figures["wrong marks accepted"].found == 0.0
    assert figures["film position error, rms"].found < 0.5
    assert figures["film position error, worst"].found > figures["film position error, rms"].found
    assert figures["map position error, rms"].beside["with the true sweep"] < 0.02
    assert figures["round trip ground, film, ground, worst"].reached
    assert figures["resection error over its bound, rms"].found == pytest.approx(1.0, abs=0.5)
    assert 0.5 < figures["MTF at half Nyquist over the ideal's"].found < 1.1


def test_a_frame_is_used_again_only_with_the_truth_of_just_its_scenario(done: Calibrated) -> None:
    folder = done.products.parent
    description, kept = folder / PACKAGE / "frame.toml", folder / TRUTH
    made = description.stat().st_mtime_ns
    assert photographed(scenario("small"), folder).scenario == scenario("small")
    assert description.stat().st_mtime_ns == made
    away = kept.rename(folder / "away.npz")
    with pytest.raises(InputError, match="a frame that no benchmark made"):
        photographed(scenario("small"), folder)
    away.rename(kept)
