"""Scenarios with difficult tone: scenes from nearly featureless to shadowed, several films and video chains."""

from calib_demo.scenario import (
    Emulsion,
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
    TapeFaults,
    ToneFaults,
)


def cratered() -> Scenario:
    """Falling video, wedge at both ends, even strips reversed, strokes of unstated density, second form of pointing."""
    return Scenario(
        name="tern2-0021",
        seed=21,
        mid_time="1971-05-26T09:31:12.500Z",
        lens=Lens(focal_length_mm=350.0, distortion=(1e-6, 0.0, 0.0, 0.0, 0.0), f_number=6.3),
        emulsion=Emulsion(granularity=6.0, knots=41, half_span_log_exposure=1.5, mid_log_exposure=0.1),
        wedge=StepWedge(patches=9, patch_mm=0.27, place="both", sigma=0.003),
        reseau=ReseauPlate(arm_mm=0.22, states_density=False, density=0.14, spacing_mm=(1.6, 1.05)),
        scan=StripScan(
            strips=8, lines=1800, samples=300, pitch_mm=2.45, sample_mm=0.009, line_mm=0.0085, reversed="even"
        ),
        tone=ToneFaults(rising=False, knee=2.0, banding_smooth=0.04),
        scene=Scene(craters_per_mpx=2400.0, albedo=0.11),
        pointing=Pointing(
            form="sub_point", sub_point_deg=(109.0, 22.0), altitude_km=88.0, tilt_deg=14.0, swing_deg=201.0
        ),
        sun=Sunlight((161.28379, 1.45871), 1.01082, illuminance_lx_1au=128000.0, states_illuminance=True),
        map=MapWish(crs="+proj=eqc +lat_ts=22 +lon_0=109 +R=1737400 +units=m +no_defs"),
    )


def featureless() -> Scenario:
    """A plain with hardly a feature on positive film; the package states neither grain nor the wedge's sigma."""
    return Scenario(
        name="tern2-0034",
        seed=34,
        mid_time="1971-05-30T11:42:07.250Z",
        lens=Lens(focal_length_mm=610.0, f_number=8.0, principal_point_mm=(-0.051, 0.02)),
        emulsion=Emulsion(
            fog=0.14, span=1.9, contrast=2.1, positive=True, granularity=5.0, states_granularity=False, knots=25
        ),
        wedge=StepWedge(patches=15, patch_mm=0.18, place="bottom", states_sigma=False, gap_samples=4.0),
        reseau=ReseauPlate(arm_mm=0.18, width_mm=0.03, density=1.9, spacing_mm=(1.1, 0.95), staggered=False),
        scan=StripScan(
            strips=8, lines=1700, samples=320, pitch_mm=1.86, sample_mm=0.0063, line_mm=0.0066, tolerance_mm=0.3
        ),
        tone=ToneFaults(knee=3.0, banding_fine=0.02, drift=0.02, noise_of_range=0.0008),
        scene=Scene("featureless", craters_per_mpx=0.0, slope_deg=0.4, albedo=0.085, albedo_contrast=0.01),
        pointing=Pointing(sub_point_deg=(128.0, -5.0), altitude_km=47.0, tilt_deg=2.0, tilt_azimuth_deg=20.0),
        sun=Sunlight((111.22341, 1.45358), 1.01302),
    )


def terminator() -> Scenario:
    """The Sun three degrees up: long shadows, much of the frame at the toe; a wedge of 30 steps in log exposure."""
    return Scenario(
        name="tern2-0055",
        seed=55,
        mid_time="1971-07-20T14:20:00Z",
        shutter_s=0.04,
        lens=Lens(
            focal_length_mm=300.0, f_number=4.0, falloff=(-2.4e-4, 3.0e-8), distortion=(0.0, 2e-8, 0.0, 3e-6, 0.0)
        ),
        emulsion=Emulsion(granularity=7.0, mid_log_exposure=-0.2, half_span_log_exposure=1.9, contrast=2.0),
        wedge=StepWedge(patches=30, quantity="log_exposure", low=0.06, high=0.94, patch_mm=0.1, sigma=0.004),
        reseau=ReseauPlate(arm_mm=0.15, spacing_mm=(1.2, 1.2), sigma_mm=0.001),
        scan=StripScan(strips=9, lines=1900, samples=280, pitch_mm=1.92, reversed="odd", states_saturation=False),
        scene=Scene(shadows=True, craters_per_mpx=2000.0, slope_deg=2.0),
        pointing=Pointing(sub_point_deg=(120.2, 3.0), altitude_km=71.0, tilt_deg=5.0, tilt_azimuth_deg=95.0),
        sun=Sunlight((-153.2019, 0.44544), 1.01383),
        map=MapWish(pixel_m=2.0),
    )


def contrast() -> Scenario:
    """Dark and bright plains over the antimeridian; video curves strongly bent with toe and shoulder; no [sun]."""
    return Scenario(
        name="tern2-0068",
        seed=68,
        mid_time="1971-06-20T06:00:00Z",
        lens=Lens(focal_length_mm=250.0, f_number=8.0, transmittance=0.71),
        emulsion=Emulsion(granularity=9.0, contrast=2.0, skew=1.4, mid_log_exposure=0.0, knots=17),
        wedge=StepWedge(patches=10, patch_mm=0.3, sigma=0.002),
        reseau=ReseauPlate(arm_mm=0.25, width_mm=0.05, spacing_mm=(1.8, 1.5), staggered=False),
        scan=StripScan(
            strips=7, lines=1600, samples=360, pitch_mm=3.3, sample_mm=0.0098, line_mm=0.0098, compression="zlib"
        ),
        tone=ToneFaults(toe=1.6, knee=0.25, curve_spread=0.08, banding_smooth=0.08),
        scene=Scene("contrast", craters_per_mpx=1200.0),
        pointing=Pointing(sub_point_deg=(179.985, 12.0), altitude_km=55.0, tilt_deg=3.0, tilt_azimuth_deg=310.0),
        sun=Sunlight((-142.26217, 1.12061), 1.0142, stated=False),
    )


def ridges() -> Scenario:
    """Ridges parallel to the columns near the strips' pitch, a rille and an albedo step: banding that is the Moon's."""
    return Scenario(
        name="tern2-0090",
        seed=90,
        mid_time="1971-06-28T04:00:05Z",
        lens=Lens(focal_length_mm=450.0, f_number=5.6),
        emulsion=Emulsion(granularity=8.0, knots=49),
        wedge=StepWedge(patches=11, patch_mm=0.22, partial=True),
        reseau=ReseauPlate(spacing_mm=(1.3, 1.1), density=0.1),
        scan=StripScan(strips=10, lines=1800, samples=300, pitch_mm=2.04),
        sweep=SweepFaults(common_samples=2.0, rotation_mrad=1.0),
        tone=ToneFaults(banding_smooth=0.07, own_banding=0.3),
        scene=Scene("ridges", craters_per_mpx=500.0, slope_deg=3.0),
        pointing=Pointing(
            sub_point_deg=(172.0, -33.0), altitude_km=58.0, tilt_deg=1.0, tilt_azimuth_deg=180.0, swing_deg=180.0
        ),
        sun=Sunlight((120.76947, 1.01296), 1.01538),
    )


def noisy8() -> Scenario:
    """Eight bits, coarse grain, a bad tape, blots on the wedge and many damaged marks; falling video."""
    return Scenario(
        name="tern2-0112",
        seed=112,
        mid_time="1971-05-27T20:05:30.500Z",
        lens=Lens(focal_length_mm=180.0, f_number=4.0, principal_point_mm=(0.1, 0.07)),
        emulsion=Emulsion(granularity=12.0, contrast=2.6, span=1.7, fog=0.22, mid_log_exposure=0.5),
        wedge=StepWedge(patches=14, patch_mm=0.21, blots=1.2, sigma=0.006, high=0.9),
        reseau=ReseauPlate(arm_mm=0.22, damaged=0.15, spacing_mm=(1.5, 1.15), states_sigma=False, sigma_mm=0.001),
        scan=StripScan(strips=8, lines=1700, samples=320, pitch_mm=2.2, bits=8),
        tone=ToneFaults(rising=False, knee=0.6, noise_of_range=0.008, use_of_range=(0.05, 0.92)),
        tape=TapeFaults(whole_lines=5.0, part_lines=9.0, garbage_lines=4.0, blocks=0.6),
        pointing=Pointing(
            sub_point_deg=(100.0, 40.0), altitude_km=120.0, tilt_deg=9.0, tilt_azimuth_deg=60.0, swing_deg=40.0
        ),
        sun=Sunlight((143.64868, 1.4565), 1.01146),
    )
