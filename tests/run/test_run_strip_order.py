"""Strips that are not what they are said to be: left out, said and survived; what all strips contradict: refused."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

from calib.errors import InputError
from calib.frame.read import read_frame
from calib.run import fit

Strips = list[np.ndarray]


@pytest.fixture
def package(calibrated, tmp_path: Path) -> Path:  # type: ignore[no-untyped-def]
    shutil.copytree(calibrated.package, tmp_path / "frame")
    return tmp_path / "frame"


def changed(package: Path, change: Callable[[Strips], Strips]) -> Path:
    files = sorted((package / "strips").glob("*.tif"))
    for file, strip in zip(files, change([tifffile.imread(file) for file in files]), strict=True):
        tifffile.imwrite(file, strip, photometric="minisblack", metadata=None)
    return package


def said_of(package: Path) -> tuple[str, ...]:
    frame = read_frame(package)
    return tuple(strip.says for strip in fit._placed(frame, list(fit._looks(frame, 1)), 1)[2])


def with_strip(number: int, change: Callable[[np.ndarray], np.ndarray]) -> Callable[[Strips], Strips]:
    return lambda strips: [change(strip) if k == number else strip for k, strip in enumerate(strips)]


def test_nothing_is_said_of_strips_that_are_in_their_places(package: Path) -> None:
    assert said_of(package) == ()


def test_exchanged_strips_are_left_out_and_the_others_stay_where_they_are(calibrated, package: Path) -> None:  # type: ignore[no-untyped-def]
    """Each is told by the film on both its sides; what is left of the frame is placed as if they had been lost."""
    fits = fit.fit_frame(read_frame(changed(package, lambda s: [s[0], s[2], s[1], s[3]])))
    told = [said for said in fits.warnings if "left out: by its overlaps" in said]
    assert told[0].startswith("strip 1 (001.tif)")
    assert told[0].endswith("it shows the film beside strips 2 and 3, in the place of strip 2")
    assert told[1].startswith("strip 2 (002.tif)")
    assert told[1].endswith("it shows the film beside strips 0 and 1, in the place of strip 1")
    lost = [strip.n_lost == strip.n_lines * strip.n_samples for strip in fits.dropouts]
    assert lost == [False, True, True, False]
    for k in (0, 3):
        y_mm = fits.sweep.sweeps[k].y_line_mm
        assert np.abs(y_mm - calibrated.result.fits.sweep.sweeps[k].y_line_mm)[100:-100].max() < 0.0075
    assert not any("strip 1" in said or "strip 2" in said for said in fits.warnings if said not in told)


def test_a_strip_that_is_turned_or_mirrored_is_left_out(package: Path) -> None:
    (said,) = said_of(changed(package, with_strip(0, lambda strip: strip[::-1])))
    assert "strip 0 (000.tif): left out: by its overlaps its lines run the other way than is said" in said
    changed(package, with_strip(0, lambda strip: strip[::-1]))
    (said,) = said_of(changed(package, with_strip(2, lambda strip: strip[:, ::-1])))
    assert "strip 2 (002.tif): left out: by its overlaps it is mirrored: so it continues strips 1 and 3" in said


def test_a_strip_of_another_film_is_left_out(package: Path) -> None:
    """Its marks are where they should be: only the scene tells."""
    (said,) = said_of(changed(package, with_strip(2, lambda strip: np.roll(strip, 233, axis=0))))
    assert "strip 2 (002.tif): left out:" in said
    assert "its place: it shows other film than strips 1 and 3" in said


@pytest.mark.parametrize("order", [(1, 2, 3, 0), (2, 1, 0, 3), (3, 2, 1, 0)])
def test_an_order_that_most_strips_contradict_is_refused(package: Path, order: tuple[int, ...]) -> None:
    changed(package, lambda strips: [strips[k] for k in order])
    with pytest.raises(InputError, match=r"scan.strips: found .* expected strips in film order: by their overlaps"):
        said_of(package)


def test_a_direction_that_all_strips_contradict_is_refused(package: Path) -> None:
    """Every second one: their overlaps tell. All: only the wedge does."""
    text = (package / "frame.toml").read_text()
    (package / "frame.toml").write_text(text.replace('reversed = "none"', 'reversed = "odd"'))
    with pytest.raises(InputError, match=r'scan.reversed: found "odd", by which no strip continues its neighbours'):
        said_of(package)
    (package / "frame.toml").write_text(text)
    changed(package, lambda strips: [strip[::-1] for strip in strips])
    with pytest.raises(InputError, match=r'scan.reversed: found "none", by which no strip shows the step wedge'):
        said_of(package)
