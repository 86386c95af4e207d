"""How often the fits read a strip: what needs no other strip is found in one look."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from calib.frame import frame as frames
from calib.frame.read import read_frame
from calib.run.fitting.fit import fit_frame
from calib.run.progress import Stopwatch


def test_the_fits_read_each_strip_once_before_they_join_them(calibrated, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    frame, read = read_frame(calibrated.package / "frame.toml"), frames.read_lines
    lines: Counter[Path] = Counter()
    looks: dict[str, list[float]] = {}

    def counted(path: Path, first: int, stop: int, *rest):  # type: ignore[no-untyped-def]
        lines[path] += stop - first
        return read(path, first, stop, *rest)

    class Watch(Stopwatch):
        def lap(self, name: str) -> None:
            looks[name] = [lines[strip.path] / strip.n_lines for strip in frame.strips]

    monkeypatch.setattr(frames, "read_lines", counted)
    fit_frame(frame, watch=Watch())
    assert looks["dropouts"] == [1.0] * len(frame.strips)


def test_a_held_strip_gives_the_same_lines(calibrated) -> None:  # type: ignore[no-untyped-def]
    strip = read_frame(calibrated.package / "frame.toml").strips[0]
    held = strip.held()
    assert np.array_equal(held.read(3, 9), strip.read(3, 9))
    assert held.read(0, strip.n_lines).dtype == strip.dtype
    with pytest.raises(ValueError, match="lines 5 to"):
        held.read(5, strip.n_lines + 1)
