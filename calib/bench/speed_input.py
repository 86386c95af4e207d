"""Input of the speed benchmark: frames of any size with strips of realistic width, and true fits.

The fits are made from the simulator's truth, which saves time; nothing else of the truth is used.
"""

from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
from calib_demo.catalogue import scenario
from calib_demo.scenario import Pointing, Scenario, StepWedge, StripScan

from calib.bench import perfect
from calib.bench.scene import PACKAGE, photographed
from calib.camera.exterior import pose_of
from calib.frame.read import read_frame
from calib.run.fitting.fit import FrameFits
from calib.run.progress import Progress
from calib.run.sunlight import sun_of
from calib.sweep.estimate import SweepFit
from calib.tone.model import ToneFit

SAMPLES, PITCH_SAMPLES, SAMPLE_MM = 440, 400, 0.0075
WIDE = 2.4  # width of the frame over its length: 96 strips of 16,000 lines


@dataclass(frozen=True, slots=True, eq=False)
class SpeedInput:
    """A frame on disk with its fits, and the million pixels of its film."""

    fits: FrameFits
    film_mpx: float


def scene_of(mpx: float) -> Scenario:
    """A scenario with `mpx` million pixels of film, with realistic shape and strip width, north up."""
    strips = max(2, round(sqrt(mpx * 1e6 * WIDE) / PITCH_SAMPLES))
    lines = round(mpx * 1e6 / (strips * PITCH_SAMPLES))
    base = scenario("full")
    scan = StripScan(strips, lines, SAMPLES, pitch_mm=PITCH_SAMPLES * SAMPLE_MM, sample_mm=SAMPLE_MM, tolerance_mm=0.6)
    return replace(
        base,
        name=f"tern2-speed-{mpx:g}",
        wedge=StepWedge(patches=8, patch_mm=0.12),
        scan=scan,
        pointing=Pointing(altitude_km=210.0, tilt_deg=4.0, tilt_azimuth_deg=0.0, swing_deg=180.0),
    )


def speed_input(mpx: float, folder: Path, progress: Progress) -> SpeedInput:
    """The frame of that size, made in `folder` or found there from an earlier benchmark."""
    truth = photographed(scene_of(mpx), folder, progress)
    frame = read_frame(folder / PACKAGE)
    strips = range(len(frame.strips))
    pose = pose_of(frame.pointing)
    sweep = SimpleNamespace(sweeps=tuple(perfect.sweep(truth, k) for k in strips), soft_mm=np.zeros((len(strips), 2)))
    fits = FrameFits(
        frame=frame,
        dropouts=tuple(perfect.dropouts(truth, k) for k in strips),
        sweep=cast(SweepFit, sweep),
        tone=cast(ToneFit, SimpleNamespace(strips=tuple(perfect.tone(truth, k) for k in strips))),
        given_pose=pose,
        pose=pose,
        resection=None,
        sun=sun_of(frame),
        warnings=(),
    )
    return SpeedInput(fits, len(frame.strips) * PITCH_SAMPLES * frame.strips[0].n_lines / 1e6)
