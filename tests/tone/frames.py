"""Simulated frames in memory for the tests of tone: true sweeps, strips that can be altered before they are fitted."""

import functools
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.scenario import Scenario
from calib_demo.truth import Truth
from memory_strip import MemoryStrip

from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.sweep.model import StripSweep
from calib.tone.dropout_search import find_dropouts
from calib.tone.estimate import fit_tone
from calib.tone.model import StripTone, ToneFit

Alter = Callable[[int, np.ndarray], np.ndarray]


@functools.cache
def made(what: Scenario | None = None) -> tuple[Frame, Truth]:
    """A frame, by default the demo's small one, with its truth; made once per process."""
    with tempfile.TemporaryDirectory() as folder:
        truth = make_frame(what or scenario("small"), Path(folder) / "frame")
        frame = read_frame(Path(folder) / "frame" / "frame.toml")
        strips = tuple(
            MemoryStrip(s.read(0, s.n_lines), s.index, s.is_reversed, Path(f"{s.index:03d}.tif")) for s in frame.strips
        )
    return replace(frame, strips=strips), truth


def altered(frame: Frame, alter: Alter) -> Frame:
    """The frame with each strip's DN passed through `alter(index, dn)`."""
    return replace(frame, strips=tuple(replace(s, dn=alter(s.index, s.dn.copy())) for s in frame.strips))


def sweeps_of(frame: Frame, truth: Truth, sigma: float = 0.15) -> list[StripSweep]:
    """The true sweeps, said to be known to `sigma` samples."""
    found = []
    for s in truth.strips:
        n = s.shape[0]
        sigma_x, sigma_y = np.full(n, sigma * frame.scan.sample_mm), np.full(n, sigma * frame.scan.line_mm)
        found.append(StripSweep(s.x_sample_mm, s.x_line_mm, s.y_line_mm, s.y_sample_mm, sigma_x, sigma_y))
    return found


@functools.cache
def fit_of_made(what: Scenario | None = None) -> ToneFit:
    """The tone of a frame as it was made; fitted once per process."""
    return fit(*made(what))


def fit(frame: Frame, truth: Truth) -> ToneFit:
    """The tone of a frame with true sweeps and found dropouts."""
    return fit_tone(frame, sweeps_of(frame, truth), [find_dropouts(s, frame.scan.saturation) for s in frame.strips])


def curve_error(tone: StripTone, truth: Truth, strip: int) -> tuple[np.ndarray, np.ndarray]:
    """Error of a strip's curve, less a constant that its banding or drift may hold, and its sigma, over its span."""
    first, last = tone.dn_span
    dn = np.unique(np.linspace(first, last, 200).astype(int))
    truly = truth.strips[strip].video.density_of(dn)
    known = np.isfinite(truly) & (truly < 2.1) & (truly > 0.25)
    return (tone.density_of_dn[dn] - truly)[known], tone.curve_sigma[dn][known]
