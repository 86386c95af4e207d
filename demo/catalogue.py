"""The named scenarios: the demo's frame, a small one for quick tests, a full-size one for benchmarks, and frames
that are each difficult for one stage.

They differ on purpose in camera, pitch, wedge, reseau, film, video, pointing and in what the package leaves out.
Subsolar points are apparent ones of the scenario's epoch (DE421 with the 2015 rotation series, by skyfield), so that
a package may omit its [sun].
"""

from collections.abc import Callable

from calib_demo import strain_geometry, strain_tone
from calib_demo.scenario import (
    Emulsion,
    Lens,
    Pointing,
    ReseauPlate,
    Scenario,
    Scene,
    StepWedge,
    StripScan,
    SweepFaults,
    TapeFaults,
    ToneFaults,
)


def _tern2() -> Scenario:
    return Scenario(name="tern2-0143", seed=1971)


def _small() -> Scenario:
    return Scenario(
        name="tern2-0007",
        seed=7,
        wedge=StepWedge(patches=8, patch_mm=0.12),
        reseau=ReseauPlate(arm_mm=0.12, spacing_mm=(0.6, 0.55), damaged=0.12),
        scan=StripScan(strips=4, lines=700, samples=160, pitch_mm=1.05, tolerance_mm=0.2),
        sweep=SweepFaults(common_samples=1.5, wander_lines=3.0, wander_scale_lines=150.0, offset_lines=5.0),
        tone=ToneFaults(drift_scale_lines=200.0),
        tape=TapeFaults(whole_lines=0.5, part_lines=0.8, garbage_lines=0.3, blocks=0.0),
        emulsion=Emulsion(knots=33, granularity=6.0),
    )


def _full() -> Scenario:
    """A frame of full size for benchmarks, 16,000 lines by some 40,000 samples: minutes and 1.3 GB of strips."""
    return Scenario(
        name="tern2-0150",
        seed=150,
        lens=Lens(focal_length_mm=610.0, distortion=(2e-8, 0.0, 0.0, 0.0, 0.0)),
        emulsion=Emulsion(granularity=6.0),
        wedge=StepWedge(patches=20, patch_mm=0.5),
        reseau=ReseauPlate(arm_mm=0.25, spacing_mm=(3.2, 3.0)),
        scan=StripScan(strips=42, lines=16000, samples=1000, pitch_mm=7.125, tolerance_mm=0.6),
        sweep=SweepFaults(common_samples=6.0, wander_scale_lines=2000.0, wander_lines=15.0, rotation_mrad=1.0),
        tone=ToneFaults(drift_scale_lines=3000.0),
        tape=TapeFaults(whole_lines=4.0, part_lines=10.0, garbage_lines=3.0, blocks=0.3),
        scene=Scene(folded_px=4000),
        pointing=Pointing(altitude_km=210.0, tilt_deg=4.0),
    )


_MAKERS: dict[str, Callable[[], Scenario]] = {
    "tern2": _tern2,
    "small": _small,
    "full": _full,
    "cratered": strain_tone.cratered,
    "featureless": strain_tone.featureless,
    "terminator": strain_tone.terminator,
    "contrast": strain_tone.contrast,
    "ridges": strain_tone.ridges,
    "noisy8": strain_tone.noisy8,
    "nadir": strain_geometry.nadir,
    "oblique50": strain_geometry.oblique50,
    "polar-terrain": strain_geometry.polar_terrain,
    "wander": strain_geometry.wander,
    "limb": strain_geometry.limb,
    "control": strain_geometry.control,
}
NAMES = tuple(_MAKERS)


def scenario(name: str) -> Scenario:
    """The scenario of a name. Raises ValueError if there is none."""
    if name not in _MAKERS:
        raise ValueError(f"no scenario is called {name!r}; there are: {', '.join(NAMES)}")
    return _MAKERS[name]()
