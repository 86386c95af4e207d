"""What a simulated frame is: frozen descriptions from which `make.make_frame` derives everything by a seed."""

import dataclasses
import json
import types
import typing
from dataclasses import dataclass, field
from typing import Any, Literal


@dataclass(frozen=True, slots=True)
class Lens:
    """The camera. The exposed format follows from the scan's extent (see `layout`)."""

    focal_length_mm: float = 450.0
    principal_point_mm: tuple[float, float] = (0.012, -0.034)
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)  # k1 k2 k3 p1 p2, mm
    f_number: float = 5.6
    transmittance: float = 0.78
    falloff: tuple[float, float] | None = None  # None: cos^4, not stated
    slit: tuple[str, float] | None = None  # of a focal-plane shutter: the way it runs ("+y") and mm/s; None: no such
    in_own_file: bool = False


@dataclass(frozen=True, slots=True)
class Emulsion:
    """A film whose curve is a skewed logistic in log10(lux s), stated at a number of knots."""

    fog: float = 0.19
    span: float = 2.0
    contrast: float = 2.4
    skew: float = 1.0
    mid_log_exposure: float = 0.0
    half_span_log_exposure: float = 1.6
    knots: int = 65
    positive: bool = False
    granularity: float = 8.0
    states_granularity: bool = True


@dataclass(frozen=True, slots=True)
class StepWedge:
    """Patches in a column, repeated for each strip; values run from `low` to `high` of the curve's density span."""

    patches: int = 12
    quantity: Literal["density", "log_exposure"] = "density"
    low: float = 0.02
    high: float = 0.98
    patch_mm: float = 0.24
    place: Literal["top", "bottom", "both"] = "top"
    gap_samples: float = 5.0
    sigma: float = 0.004
    states_sigma: bool = True
    partial: bool = False  # one patch reaches over half the strip only
    blots: float = 0.0  # expected number of scratches and dark spots on each strip's wedge


@dataclass(frozen=True, slots=True)
class ReseauPlate:
    """Crosses pressed on the film."""

    arm_mm: float = 0.2
    width_mm: float = 0.04
    density: float = 0.12
    states_density: bool = True
    sigma_mm: float = 0.0005
    states_sigma: bool = True
    spacing_mm: tuple[float, float] = (1.45, 1.2)
    staggered: bool = True
    damaged: float = 0.02  # share of the marks that are missing, scratched or cut


@dataclass(frozen=True, slots=True)
class StripScan:
    """The raster of strips and the nominal geometry stated for it."""

    strips: int = 12
    lines: int = 3000
    samples: int = 400
    line_count_spread: int = 0
    pitch_mm: float = 2.7
    sample_mm: float = 0.0075
    line_mm: float = 0.0075
    reversed: Literal["none", "odd", "even"] = "none"
    tolerance_mm: float = 0.4
    bits: Literal[8, 16] = 16
    states_saturation: bool = True
    compression: Literal["none", "zlib"] = "none"


@dataclass(frozen=True, slots=True)
class SweepFaults:
    """Deviations of the real sweep from the nominal one; amplitudes are peaks of smooth curves."""

    common_samples: float = 3.0
    own_samples: float = 0.3
    wander_lines: float = 8.0
    wander_scale_lines: float = 500.0
    wander_samples: float = 1.0
    rotation_mrad: float = 4.0
    offset_lines: float = 12.0
    offset_samples: float = 2.0
    jitter_samples: float = 0.0  # each line's own offset across, 1-sigma, independent from line to line


@dataclass(frozen=True, slots=True)
class ToneFaults:
    """The readout's tone: spot profile, drift, video chain and its noise. Densities are peaks of smooth curves."""

    banding_smooth: float = 0.06
    banding_fine: float = 0.012
    own_banding: float = 0.25  # share of the common part's size
    drift: float = 0.015
    drift_scale_lines: float = 700.0
    rising: bool = True
    toe: float = 1.0  # exponent of the video curve at low light: > 1 makes a toe
    knee: float = 1.5  # light at which the video curve saturates: a smaller value gives a stronger curvature
    curve_spread: float = 0.04
    use_of_range: tuple[float, float] = (0.03, 0.93)
    noise_of_range: float = 0.0012  # 1-sigma of the video noise as a share of the DN range
    blur_samples: float = 0.7


@dataclass(frozen=True, slots=True)
class TapeFaults:
    """Expected number per strip of each kind of dropout."""

    whole_lines: float = 1.0
    part_lines: float = 2.0
    garbage_lines: float = 0.6
    blocks: float = 0.08


@dataclass(frozen=True, slots=True)
class Scene:
    """The ground: relief and albedo, in the size of a film sample."""

    kind: Literal["cratered", "featureless", "contrast", "ridges"] = "cratered"
    craters_per_mpx: float = 1600.0  # of more than 5 samples diameter
    slope_deg: float = 4.0  # rms slope of the texture between craters
    albedo: float = 0.12
    albedo_contrast: float = 0.12  # natural log, rms
    shadows: bool = False
    blur_samples: float = 0.8
    terrain: bool = False
    folded_px: int | None = None  # largest size of the simulated raster, which is continued by mirror images


@dataclass(frozen=True, slots=True)
class Pointing:
    """Camera position and attitude; the values stated in the package may be wrong by `error_*`."""

    form: Literal["position", "sub_point"] = "position"
    sub_point_deg: tuple[float, float] = (137.2, -11.4)
    altitude_km: float = 62.0
    tilt_deg: float = 6.0
    tilt_azimuth_deg: float = 250.0
    swing_deg: float = 200.0
    sigma_position_km: float | None = None
    sigma_attitude_deg: float | None = None
    is_wrong: bool = False  # then the stated pointing is off by the stated sigmas
    velocity_km_s: tuple[float, float, float] | None = None  # in the Moon frame; None: not stated, stands still
    turn_deg_s: tuple[float, float, float] = (0.0, 0.0, 0.0)  # about the camera's own axes


@dataclass(frozen=True, slots=True)
class Sunlight:
    """The true Sun; `stated` False omits its table from the package (the values are then those of `mid_time`)."""

    subsolar_deg: tuple[float, float] = (-156.30734, 1.10173)
    distance_au: float = 1.01397
    illuminance_lx_1au: float = 133100.0
    stated: bool = True
    states_illuminance: bool = False


@dataclass(frozen=True, slots=True)
class GroundControl:
    """Points known on the ground."""

    points: int = 14
    sigma_mm: float = 0.004
    blunders: int = 1


@dataclass(frozen=True, slots=True)
class MapWish:
    """The package's requests for the map."""

    crs: str | None = None
    pixel_m: float | None = None
    bounds: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """One frame to be made. Times: `mid_time` is ISO 8601 UTC."""

    name: str
    seed: int = 1
    mid_time: str = "1971-06-21T09:31:12.500Z"
    shutter_s: float = 0.02
    lens: Lens = field(default_factory=Lens)
    emulsion: Emulsion = field(default_factory=Emulsion)
    wedge: StepWedge = field(default_factory=StepWedge)
    reseau: ReseauPlate = field(default_factory=ReseauPlate)
    scan: StripScan = field(default_factory=StripScan)
    sweep: SweepFaults = field(default_factory=SweepFaults)
    tone: ToneFaults = field(default_factory=ToneFaults)
    tape: TapeFaults = field(default_factory=TapeFaults)
    scene: Scene = field(default_factory=Scene)
    pointing: Pointing = field(default_factory=Pointing)
    sun: Sunlight = field(default_factory=Sunlight)
    control: GroundControl | None = None
    map: MapWish | None = None


def to_json(scenario: Scenario) -> str:
    """The scenario as one JSON object (kept inside the saved truth)."""
    return json.dumps(dataclasses.asdict(scenario))


def from_json(text: str) -> Scenario:
    """The inverse of `to_json`."""
    return typing.cast(Scenario, _build(Scenario, json.loads(text)))


def _build(kind: Any, value: Any) -> Any:
    if typing.get_origin(kind) in (types.UnionType, typing.Union):
        if value is None:
            return None
        kind = next(part for part in typing.get_args(kind) if part is not type(None))
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return typing.cast(Any, kind)(**{name: _build(hints[name], part) for name, part in value.items()})
    return tuple(value) if isinstance(value, list) else value
