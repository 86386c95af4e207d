"""Scenarios with difficult geometry: nadir, oblique, terrain near a pole, a wandering scan, the limb, control."""

from calib_demo.scenario import (
    Emulsion,
    GroundControl,
    Lens,
    MapWish,
    Pointing,
    ReseauPlate,
    Scenario,
    Scene,
    StepWedge,
    StripScan,
    Sunlight,
    SweepFaults,
)


def nadir() -> Scenario:
    """Straight down with north up: azimuth 0, swing 180, no tilt; a map with requested bounds."""
    return Scenario(
        name="tern2-0010",
        seed=10,
        mid_time="1971-05-25T03:10:00Z",
        lens=Lens(focal_length_mm=400.0, f_number=6.8),
        emulsion=Emulsion(granularity=6.5, mid_log_exposure=0.1),
        wedge=StepWedge(patches=5, patch_mm=0.5),
        reseau=ReseauPlate(spacing_mm=(1.25, 1.25), staggered=False),
        scan=StripScan(strips=6, lines=1500, samples=300, pitch_mm=2.1, sample_mm=0.0078, line_mm=0.0074),
        pointing=Pointing(
            "sub_point",
            sub_point_deg=(-150.0, 8.0),
            altitude_km=75.0,
            tilt_deg=0.0,
            tilt_azimuth_deg=0.0,
            swing_deg=180.0,
        ),
        sun=Sunlight((176.77122, 1.46146), 1.01044),
        map=MapWish(
            "+proj=eqc +lat_ts=0 +lon_0=-150 +R=1737400 +units=m +no_defs", 1.5, (-900.0, 242100.0, 900.0, 243300.0)
        ),
    )


def oblique50() -> Scenario:
    """Tilted 50 degrees, with a lens that distorts strongly."""
    return Scenario(
        name="tern2-0044",
        seed=44,
        mid_time="1971-06-02T11:42:07.250Z",
        lens=Lens(
            focal_length_mm=120.0, distortion=(4e-5, -6e-8, 0.0, 2e-5, -1.5e-5), f_number=5.0, falloff=(-2.0e-4, 0.0)
        ),
        emulsion=Emulsion(granularity=6.0, mid_log_exposure=0.15),
        wedge=StepWedge(patches=7, patch_mm=0.3),
        reseau=ReseauPlate(spacing_mm=(1.4, 1.0), states_density=False),
        scan=StripScan(strips=7, lines=1600, samples=320, pitch_mm=2.16, reversed="odd"),
        pointing=Pointing(
            "sub_point",
            sub_point_deg=(120.0, -20.0),
            altitude_km=64.0,
            tilt_deg=50.0,
            tilt_azimuth_deg=35.0,
            swing_deg=190.0,
        ),
        sun=Sunlight((74.56617, 1.44714), 1.01498),
        map=MapWish(crs="IAU_2015:30120", pixel_m=5.0),
    )


def polar_terrain() -> Scenario:
    """Rough terrain near the north pole, whose heights shift the picture by tens of samples."""
    return Scenario(
        name="tern2-0077",
        seed=77,
        mid_time="1971-06-15T06:00:00Z",
        lens=Lens(focal_length_mm=200.0, f_number=3.5, distortion=(2e-6, 0.0, 0.0, 0.0, 0.0)),
        emulsion=Emulsion(granularity=6.0, mid_log_exposure=0.2, half_span_log_exposure=1.8),
        wedge=StepWedge(patches=12, patch_mm=0.22),
        reseau=ReseauPlate(spacing_mm=(1.35, 1.1)),
        scan=StripScan(strips=7, lines=1700, samples=300, pitch_mm=2.03),
        scene=Scene(craters_per_mpx=1500.0, slope_deg=2.0, terrain=True),
        pointing=Pointing(
            sub_point_deg=(-95.0, 78.0), altitude_km=92.0, tilt_deg=11.0, tilt_azimuth_deg=140.0, swing_deg=75.0
        ),
        sun=Sunlight((-81.10418, 1.22377), 1.01626),
    )


def wander() -> Scenario:
    """A bad scan: odd strips reversed, of unequal length, turned; strong and quick wander, lines that jitter."""
    return Scenario(
        name="tern2-0101",
        seed=101,
        mid_time="1971-06-08T06:00:00Z",
        lens=Lens(focal_length_mm=500.0, f_number=5.6),
        emulsion=Emulsion(granularity=7.0, mid_log_exposure=0.15, knots=9),
        wedge=StepWedge(patches=10, patch_mm=0.24, quantity="log_exposure", low=0.1, high=0.9),
        reseau=ReseauPlate(spacing_mm=(1.2, 0.8), sigma_mm=0.0008),
        scan=StripScan(
            strips=8, lines=2000, samples=320, line_count_spread=25, pitch_mm=2.19, reversed="odd", tolerance_mm=0.5
        ),
        sweep=SweepFaults(
            common_samples=5.0,
            own_samples=0.8,
            wander_lines=14.0,
            wander_scale_lines=220.0,
            wander_samples=2.0,
            rotation_mrad=3.0,
            offset_lines=14.0,
            jitter_samples=0.15,
        ),
        pointing=Pointing(sub_point_deg=(20.0, 41.0), altitude_km=66.0, tilt_deg=4.0, tilt_azimuth_deg=15.0),
        sun=Sunlight((4.27493, 1.3879), 1.01757),
        map=MapWish(pixel_m=1.2),
    )


def limb() -> Scenario:
    """A wide-angle lens looks at the horizon; above it the film is unexposed."""
    return Scenario(
        name="tern2-0129",
        seed=129,
        mid_time="1971-07-03T14:20:00Z",
        lens=Lens(focal_length_mm=80.0, f_number=5.6, distortion=(-3e-6, 0.0, 0.0, 0.0, 0.0)),
        emulsion=Emulsion(granularity=6.0, mid_log_exposure=0.25),
        wedge=StepWedge(patches=8, patch_mm=0.3),
        reseau=ReseauPlate(spacing_mm=(1.4, 1.1)),
        scan=StripScan(strips=7, lines=1500, samples=300, pitch_mm=2.03),
        pointing=Pointing(
            sub_point_deg=(95.0, 10.0), altitude_km=100.0, tilt_deg=69.4, tilt_azimuth_deg=300.0, swing_deg=176.0
        ),
        sun=Sunlight((54.39535, 0.93723), 1.01811),
    )


def control() -> Scenario:
    """Wrongly stated pointing, control points to correct it, one of them a blunder; lens in a file; no [sun]."""
    return Scenario(
        name="tern2-0138",
        seed=138,
        lens=Lens(focal_length_mm=300.0, f_number=5.6, in_own_file=True),
        emulsion=Emulsion(granularity=6.0),
        wedge=StepWedge(patches=12, patch_mm=0.24, quantity="log_exposure", low=0.08, high=0.92, sigma=0.003),
        reseau=ReseauPlate(spacing_mm=(1.5, 1.2)),
        scan=StripScan(strips=7, lines=1600, samples=320, pitch_mm=2.2),
        pointing=Pointing(
            altitude_km=80.0, tilt_deg=8.0, sigma_position_km=0.3, sigma_attitude_deg=0.05, is_wrong=True
        ),
        sun=Sunlight(stated=False),
        control=GroundControl(),
    )
