"""The named scenarios."""

from calib_demo.scenario import Emulsion, ReseauPlate, Scenario, StepWedge, StripScan, SweepFaults, ToneFaults


def _tern2() -> Scenario:
    return Scenario(name="tern2-0143", seed=1971)


def _small() -> Scenario:
    return Scenario(
        name="tern2-0007",
        seed=7,
        wedge=StepWedge(patches=8, patch_mm=0.12),
        reseau=ReseauPlate(arm_mm=0.12, spacing_mm=(0.6, 0.55), damaged=0.03),
        scan=StripScan(strips=4, lines=700, samples=160, pitch_mm=1.05, tolerance_mm=0.2),
        sweep=SweepFaults(common_samples=1.5, wander_lines=3.0, wander_scale_lines=150.0, offset_lines=5.0),
        tone=ToneFaults(drift_scale_lines=200.0),
        emulsion=Emulsion(knots=33),
    )


_MAKERS = {"tern2": _tern2, "small": _small}
NAMES = tuple(_MAKERS)


def scenario(name: str) -> Scenario:
    """The scenario of that name; ValueError where there is none."""
    if name not in _MAKERS:
        raise ValueError(f"no scenario is called {name!r}; there are: {', '.join(NAMES)}")
    return _MAKERS[name]()
