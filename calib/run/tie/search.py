"""Finds tie points between a frame with inaccurate pointing and a modern map, from coarse to fine levels.

Finer windows give more information as long as both pictures show detail that fine: a map's pixels may be finer than the
images it was made from, and film has grain. The search stops at a level when finer ones give clearly less information.
"""

from dataclasses import dataclass, replace

import numpy as np

from calib.camera.adjustment import Control
from calib.camera.exterior import Pose
from calib.camera.resection import resect
from calib.errors import NotPossible
from calib.ground.match_consistent import consistent
from calib.ground.region import Region
from calib.ground.sphere import ground_to_moon
from calib.run.fitting.fit import FrameFits
from calib.run.progress import Progress
from calib.run.tie.modern_map import ModernMap
from calib.run.tie.pictures import Lattice
from calib.run.tie.whole import Hunt, Whole, find_whole, with_sigmas
from calib.run.tie.windows import Matched, Ties, Windows, chosen, cut, matched, ties_of

STEP_LEVELS = 2  # from one level of windows to the next
FIRST_REACH_SHARE, NEXT_REACH_PX = 0.2, 8.0  # search range: of a window's side in the first round; pixels later
FINER_LEVELS = 2  # at which windows may begin: one pixel of the whole match is four pixels there, well within range
TOLERANCE_PX = 0.5  # shifts that differ by less agree in any case
LOOSEST = 0.25  # of the search range, the largest tolerance: chance would scatter shifts over more than half the range
SETTLED_PX = 0.2  # a shift so small that a window's taper biases it by no more than a few thousandths of a pixel
# Of the information of coarser ties. Where both have about the same, the finer ones are better: another Sun shifts long
# waves more, and all windows alike, which sigmas do not include (two frames: 0.12 m off, not 0.19; 0.32, not 0.39).
CLEARLY_LESS = 0.5
MOST_ROUNDS = 3  # at the level that is kept


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Ties at a level, the windows they come from, the pose they lead to, and how the frame was found.

    `scatter` is that of the ties about the pose in their own sigmas; `no_finer` says why finer windows are not used.
    """

    ties: Ties
    windows: Windows
    matched: Matched
    pose: Pose
    scatter: float
    whole: Whole
    no_finer: str = ""

    @property
    def information(self) -> float:
        """Information of the ties on their common shift: its inverse variance, per mm^2."""
        return float(np.sum(self.ties.sigma_mm**-2.0)) / max(self.scatter, 1.0) ** 2


def hunt_for(fits: FrameFits, modern: ModernMap, lattice: Lattice, region: Region, reach_m: float) -> Hunt:
    """The input of `find_ties`; places may lie up to `reach_m` from where the given pointing puts them."""
    return Hunt(fits, modern, lattice, region, reach_m, with_sigmas(fits.given_pose, reach_m, region))


def find_ties(hunt: Hunt, progress: Progress) -> Found | NotPossible:
    """Ties of a fitted frame and a modern map, or the reason why there are no reliable ones."""
    progress("looking for the frame", 0.0)
    whole = find_whole(hunt)
    progress("looking for the frame", 1.0)
    if isinstance(whole, NotPossible):
        return whole
    found = _begun(hunt, whole)
    if isinstance(found, NotPossible):
        return found
    found = _finest(hunt, found, progress)
    for _ in range(MOST_ROUNDS - 1):
        if float(np.median(np.hypot(*found.ties.shift.T))) < SETTLED_PX:
            break
        again = _round(hunt, whole, found.pose, found.windows.level, is_first=False)
        if isinstance(again, NotPossible):
            return again
        found = replace(again, no_finer=found.no_finer)
    progress("matching windows", 1.0)
    return found


def _finest(hunt: Hunt, found: Found, progress: Progress) -> Found:
    """Go on to finer levels while their ties are informative enough; a level that fails halves the step."""
    step, no_finer, left = STEP_LEVELS, "", 1.0
    while found.windows.level and step:
        level, left = max(found.windows.level - step, 0), left / 2  # progress: the number of trials is not known
        progress("matching windows", 1 - left)
        finer = _round(hunt, found.whole, found.pose, level, is_first=False)
        if isinstance(finer, NotPossible):
            step, no_finer = step // 2, finer.reason
        elif finer.information < CLEARLY_LESS * found.information:
            step, no_finer = step // 2, f"{len(finer.ties.ids)} windows match, which tell less"
        else:
            found = finer
    return replace(found, no_finer=no_finer if found.windows.level else "")


def _begun(hunt: Hunt, whole: Whole) -> Found | NotPossible:
    """The first round, at the level where the whole frame was matched, or at a finer one if that fails.

    The longest side of the frame decides that level, so a narrow frame may be too narrow there for whole windows.
    """
    for level in range(whole.level, max(whole.level - FINER_LEVELS, 0) - 1, -1):
        found = _round(hunt, whole, whole.pose, level, is_first=True)
        if not isinstance(found, NotPossible):
            break
    return found


def _round(hunt: Hunt, whole: Whole, pose: Pose, level: int, *, is_first: bool) -> Found | NotPossible:
    """Match the windows of a level, rendered with a pose, and fit the pose on which they agree."""
    windows = cut(hunt.fits, pose, hunt.modern, hunt.lattice, level)
    if isinstance(windows, NotPossible):
        return windows
    reach = FIRST_REACH_SHARE * windows.side if is_first else NEXT_REACH_PX
    result = matched(windows, whole.match.pattern if is_first else None, reach)
    if isinstance(result, NotPossible):
        return result
    good = result.shifts.good
    agreed = consistent(windows.place[good], result.shifts.shift[good], TOLERANCE_PX, LOOSEST * reach)
    if isinstance(agreed, NotPossible):
        return agreed
    everyone = ties_of(windows, result.shifts)
    ties = chosen(everyone, agreed & np.isfinite(everyone.sigma_mm))
    refined = resect(hunt.fits.frame.camera, control_of(ties), hunt.prior)
    if isinstance(refined, NotPossible):
        return refined
    return Found(ties, windows, result, refined.pose, float(np.sqrt(refined.variance_factor)), whole)


def control_of(ties: Ties) -> Control:
    """Ties in the form that the resection takes."""
    return Control(ties.ids, ground_to_moon(ties.ground), ties.film, ties.sigma_mm)
