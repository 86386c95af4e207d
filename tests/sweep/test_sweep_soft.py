"""A strip read out of focus is recognised by its marks, and its blur is included in sigma."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calib.frame.remarks import Remark
from calib.sweep import marks
from calib.sweep.cross import CrossShape
from calib.sweep.marks import Sought, estimate_blur
from calib.sweep.summary import soft_warnings

SHAPE = CrossShape(0.25, 0.04, 0.006, 0.006)


def told(monkeypatch: pytest.MonkeyPatch, blurs: list[list[float]], contrast: float = 80.0) -> tuple[CrossShape, list]:
    """What marks of strips tell that are blurred by so much, in mm; along the lines by a tenth more."""
    fits = [
        SimpleNamespace(contrast=contrast, parts=np.ones(8), blur_mm=np.array([blur, 1.1 * blur]))
        for of_strip in blurs
        for blur in of_strip
    ]
    strip = np.repeat(np.arange(len(blurs)), [len(of_strip) for of_strip in blurs])
    monkeypatch.setattr(marks, "measure", lambda *_: [*fits, None])
    none = np.zeros(strip.size + 1)
    shape, soft = estimate_blur([], [None] * len(blurs), Sought(np.append(strip, 0), none, none, none), SHAPE, 1)  # type: ignore[arg-type,list-item]
    return shape, soft.round(6).tolist()


def test_a_strip_whose_marks_are_all_far_more_blurred_is_soft(monkeypatch: pytest.MonkeyPatch) -> None:
    """At its edges up to 3,842 values of a map were wrong by more than five sigma, without a warning."""
    shape, soft = told(monkeypatch, [[0.005, 0.0052], [0.013, 0.0131, 0.0129], [0.0048, 0.005, 0.0051]])
    assert (shape.blur_x_mm, shape.blur_y_mm) == pytest.approx((0.0051, 0.00561), abs=1e-4)
    assert [any(row) for row in soft] == [False, True, False]
    assert soft[1] == pytest.approx(
        [(0.013**2 - shape.blur_x_mm**2) ** 0.5, (0.0143**2 - shape.blur_y_mm**2) ** 0.5], abs=2e-6
    )


@pytest.mark.parametrize(
    "blurs",
    [
        [[0.005, 0.005], [0.0065, 0.007], [0.005, 0.005]],  # little more
        [[0.005, 0.005], [0.013], [0.005, 0.005]],  # one mark may be a bad one
        [[0.005, 0.005], [0.013, 0.005], [0.005, 0.005]],  # or one of two
        # One mark in six looks soft over a rough scene: of 25 healthy strips one had two such.
        [[0.005, 0.013], *[[0.005, 0.005]] * 10, *[[0.005, 0.013]] * 5, [0.013, 0.013]],
    ],
)
def test_one_soft_mark_or_the_usual_difference_between_strips_gives_no_warning(
    monkeypatch: pytest.MonkeyPatch, blurs: list[list[float]]
) -> None:
    assert not np.any(told(monkeypatch, blurs)[1])
    assert told(monkeypatch, [[0.02, 0.02]] * 3, contrast=5.0) == (SHAPE, [[0.0, 0.0]] * 3)  # too faint to tell


def test_the_warning_states_the_blur() -> None:
    strips = tuple(SimpleNamespace(index=k, path=Path(f"{k:03d}.tif")) for k in range(2))
    frame = SimpleNamespace(strips=strips, scan=SimpleNamespace(sample_mm=0.006, line_mm=0.006))
    said = soft_warnings(frame, np.array([[0.0, 0.0], [0.018, 0.012]]), SHAPE)  # type: ignore[arg-type]
    text = (
        "its reseau marks are 3.2 times as blurred as other strips': read out of focus; sigma holds that its detail is "
        "spread over 3 px"
    )
    assert said == (Remark(text, (1,)),)
