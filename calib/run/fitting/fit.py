"""Everything that is estimated for one frame: each fit as soon as its inputs are known."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from calib.camera.adjustment import UNKNOWNS, Control
from calib.camera.exterior import Pose, pose_of
from calib.camera.resection import Resection, resect
from calib.coordinates import Array, FilmPoints, GroundPoints
from calib.errors import NotPossible
from calib.film.source import StripSource
from calib.film.strokes import strip_marks
from calib.frame.description import Sun
from calib.frame.frame import ControlPoints, Frame, StripRaster
from calib.frame.remarks import Remark, worded
from calib.ground.sphere import ground_to_moon
from calib.ordered import give_back
from calib.quality import DROPOUT
from calib.run.arguments import check_type
from calib.run.fitting.first_places import FirstPlaces, first_places
from calib.run.fitting.looks import looks_of
from calib.run.fitting.strange import without_strange
from calib.run.fitting.strip_warnings import noticed, of_used_strips, place_warnings, wedge_warnings
from calib.run.progress import Progress, Stopwatch, silent, tracked
from calib.run.sunlight import sun_of
from calib.sweep.estimate import SweepFit, refine
from calib.sweep.model import StripSweep
from calib.sweep.strip_order import LeftOut
from calib.sweep.tables import EVERY_SAMPLE, ReadWindow
from calib.tone.apply import density_window, take_out
from calib.tone.dropouts import Dropouts
from calib.tone.estimate import draft_tone, fit_tone
from calib.tone.model import StripTone, ToneFit
from calib.tone.strokes import spot_told
from calib.tone.tables import MOST_SIGMA

ODD = 4.0  # times the stated sigma: beyond that the operator is warned
# Redundant measurements. The two of one surplus point may reveal that there is a blunder, but not in which point
# (Baarda 1968, see `camera.resection`).
LEAST_CHECKS = 2


@dataclass(frozen=True, slots=True, eq=False)
class FrameFits:
    """All fits of one frame: places of the strips, tone, pointing and Sun, with the warnings for the operator."""

    frame: Frame
    dropouts: tuple[Dropouts, ...]
    sweep: SweepFit
    tone: ToneFit
    given_pose: Pose
    pose: Pose
    resection: Resection | None
    sun: Sun
    warnings: tuple[str, ...]

    def sources(self) -> tuple[StripSource, ...]:
        """The strips with their sweep, tone and lost samples, ready to be sampled."""
        marks = strip_marks(self.frame)
        sweeps = map(_with_blur, self.sweep.sweeps, self.sweep.soft_mm)
        parts = zip(self.frame.strips, sweeps, self.tone.strips, self.dropouts, strict=True)
        return tuple(StripSource(*part, marks=marks) for part in parts)

    def usable(self) -> NDArray[np.bool_]:
        """Which strips have usable samples, (K,): not those that were lost or left out as a whole."""
        return _usable(self.tone)


def fit_frame(
    frame: Frame, *, threads: int = 1, progress: Progress = silent, watch: Stopwatch | None = None
) -> FrameFits:
    """Estimate places, tone and pointing of `frame` from its own samples and its description.

    `progress` is called with the name of a step and the share of it that is done (0 to 1); `watch` records the seconds
    of each step. Unusable parts are left out and named in the result's `warnings`.

    Strips, marks and seams are processed on `threads` threads; the result does not depend on their number. Linear
    algebra runs on one thread. Its systems are small, so on a busy machine threads would mostly wait for each other,
    and the order of its sums must not change.

    Raises:
        TypeError: `frame` is not a frame.
        InputError: no strip can be read, or the description does not fit most of the strips.
        CalibError: the reseau marks found cannot be those of any scan like the one described.
    """
    check_type("frame", frame, Frame, "a frame, as calib.open_frame gives it")
    with threadpool_limits(1, user_api="blas"):
        return _fit_frame(frame, threads, progress, watch or Stopwatch())


def _fit_frame(frame: Frame, threads: int, progress: Progress, watch: Stopwatch) -> FrameFits:
    looks = list(tracked(looks_of(frame, threads), len(frame.strips), "finding dropouts", progress))
    watch.lap("dropouts")
    progress("finding the marks", 0.0)
    places = first_places(frame, looks, threads)
    del looks
    progress("finding the marks", 1.0)
    give_back()
    watch.lap("first look")
    sweep, tone = _places_and_tone(places, threads, progress, watch)
    if any(tone.strange):
        places = without_strange(places, tone.strange)
        sweep, tone = _places_and_tone(places, threads, progress, watch)
    return with_pointing(places.frame, places.dropouts, sweep, tone, places.left_out)


def _places_and_tone(
    places: FirstPlaces, threads: int, progress: Progress, watch: Stopwatch
) -> tuple[SweepFit, ToneFit]:
    """Fit places and tone of the strips, starting from their first places."""
    frame, dropouts, sweeps = places.frame, places.dropouts, places.sweeps
    progress("fitting the tone", 0.0)
    draft = draft_tone(frame, sweeps, dropouts, threads)
    give_back()
    progress("fitting the tone", 0.5)
    watch.lap("tone")
    progress("fitting the sweep", 0.0)
    read = [_density_reader(*parts) for parts in zip(frame.strips, draft.strips, dropouts, strict=True)]
    sweep = refine(frame, read, sweeps, threads)
    sweep = replace(sweep, warnings=places.warnings + sweep.warnings)
    del read
    draft = replace(draft, strips=())  # large tables that only the sweep needed
    progress("fitting the sweep", 1.0)
    give_back()
    watch.lap("sweep")
    tone = fit_tone(frame, sweep.sweeps, dropouts, draft, threads=threads, spot=spot_told(sweep.spot_px))
    progress("fitting the tone", 1.0)
    give_back()
    watch.lap("tone")
    return sweep, tone


def with_pointing(
    frame: Frame, dropouts: tuple[Dropouts, ...], sweep: SweepFit, tone: ToneFit, left_out: Sequence[LeftOut] = ()
) -> FrameFits:
    """Complete the fits with the Sun and the pointing, which control points refine where they are given.

    The only warning about a strip that was `left_out` is the reason for it.
    """
    given = pose_of(frame.pointing)
    resection, pose = None, given
    out = [strip.strip for strip in left_out]
    said = [strip.why for strip in left_out]
    said += of_used_strips((*sweep.warnings, *tone.warnings), out)
    said += noticed(frame, dropouts, sweep.marks, tone.patches, out)
    usable = _usable(tone)
    usable[out] = False
    said += place_warnings(frame, sweep.sweeps, usable)
    said += wedge_warnings(tone.patches, frame.film.wedge.sigma)
    if frame.control is not None:
        result = resect(frame.camera, _control(frame.control), given)
        if isinstance(result, NotPossible):
            why = f"control points could not refine the pointing ({result.reason}); the stated one is used"
            said.append(Remark(why))
        else:
            resection, pose = result, result.pose
            said += map(Remark, _doubts(result, given))
    return FrameFits(
        frame=frame,
        dropouts=dropouts,
        sweep=sweep,
        tone=tone,
        given_pose=given,
        pose=pose,
        resection=resection,
        sun=sun_of(frame),
        warnings=(*frame.warnings, *worded(said, frame.strips)),
    )


def _with_blur(sweep: StripSweep, soft_mm: Array) -> StripSweep:
    """A strip's sweep with the additional blur `soft_mm` (x, y) added to its sigmas: blurred detail may lie that far
    from its place, which the density's sigma shows where the picture has slopes."""
    if not soft_mm.any():
        return sweep
    sigma_mm = np.hypot(sweep.sigma_x_mm, soft_mm[0]), np.hypot(sweep.sigma_y_mm, soft_mm[1])
    return replace(sweep, sigma_x_mm=sigma_mm[0], sigma_y_mm=sigma_mm[1])


def _usable(tone: ToneFit) -> NDArray[np.bool_]:
    """See `FrameFits.usable`."""
    return np.array([strip.column_sigma.min() < MOST_SIGMA for strip in tone.strips])


def _doubts(found: Resection, given: Pose) -> list[str]:
    """Doubts about a refined pointing: no redundancy, scattered points, blunders, a camera moved beyond its sigma."""
    said = []
    used = int(np.count_nonzero(found.used))
    stated_values = 3 * sum(sigma is not None for sigma in (given.sigma_position_km, given.sigma_attitude_deg))
    if 2 * used + stated_values - UNKNOWNS <= LEAST_CHECKS:
        points = f"{used} control point{'s' if used > 1 else ''}"
        said.append(f"{points} fixed the pointing with hardly a check: a blunder may go unnoticed")
    times = float(np.sqrt(found.variance_factor))
    if times > ODD:
        said.append(f"the control points scatter {times:.1f} times as much as their sigmas say")
    moved_km = float(np.linalg.norm(found.pose.position_km - given.position_km))
    if given.sigma_position_km is not None and moved_km > ODD * np.sqrt(3) * given.sigma_position_km:
        stated = f"the stated 1-sigma of its position is {given.sigma_position_km:g} km"
        said.append(f"the control points move the camera by {moved_km:.3g} km, although {stated}")
    if found.rejected:
        said.append(f"control points left out as blunders: {', '.join(found.rejected)}")
    return said


def _control(points: ControlPoints) -> Control:
    """Control points in the form that the resection takes: places in the Moon frame."""
    ground = GroundPoints(points.lon_deg, points.lat_deg, points.height_m / 1000)
    film = FilmPoints(points.x_mm, points.y_mm)
    return Control(points.ids, ground_to_moon(ground), film, points.sigma_mm)


def _density_reader(strip: StripRaster, tone: StripTone, lost: Dropouts) -> ReadWindow:
    """A reader of a strip's density and the noise of each sample, infinite where a sample is unusable."""

    def read(first: int, stop: int, samples: slice = EVERY_SAMPLE) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        window = density_window(strip, tone, lost, first, stop, samples)
        take_out(window.density, window.sigma, window.quality, np.uint16(DROPOUT))
        return window.density, window.sigma

    return read
