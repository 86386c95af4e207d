"""The first reading of each strip: everything its samples tell before the strip is placed on the film."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.frame.frame import Frame, StripRaster
from calib.ordered import in_order
from calib.run.fitting.spoilt_lines import VideoSigns, video_signs
from calib.sweep.candidates import Candidates
from calib.sweep.first_look import candidate_finder
from calib.sweep.strip_edges import EdgeProfiles, edge_profiles, overlap_width
from calib.sweep.wedge_end import wedge_shown
from calib.tone.dropout_search import find_dropouts
from calib.tone.dropouts import Dropouts, with_blocks, with_unread
from calib.tone.raw_noise import raw_noise_dn
from calib.tone.still_columns import still_samples


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What a strip tells by itself.

    Its lost samples, the noise of its DN (1-sigma), places that look like marks, the profiles of its edges, how clearly
    each of its ends shows the wedge (stated end, other end), and signs that its video is wrong.
    """

    dropouts: Dropouts
    noise_dn: float
    candidates: Candidates
    edges: EdgeProfiles
    wedge: tuple[float, float]
    video: VideoSigns


def looks_of(frame: Frame, threads: int, first: int = 0) -> Iterator[Look]:
    """Read the strips from index `first` on, each once, and yield what they tell by themselves, in order."""
    find, width = candidate_finder(frame), overlap_width(frame)

    def look(strip: StripRaster) -> Look:
        held = strip.held()
        dn = held.read(0, strip.n_lines)
        dropouts, noise_dn = find_lost(held, frame.scan.saturation)
        lost = dropouts.mask(0, strip.n_lines)
        return Look(
            dropouts,
            noise_dn,
            edges=edge_profiles(dn, lost, width, noise_dn, is_reversed=strip.is_reversed),
            wedge=wedge_shown(dn, lost, frame, is_reversed=strip.is_reversed),
            video=video_signs(dn, lost, noise_dn),
            candidates=find(strip.index, dn, lost),
        )

    return in_order(look, frame.strips[first:], threads)


def find_lost(held: StripRaster, saturation: tuple[int, int] | None) -> tuple[Dropouts, float]:
    """Lost samples of a strip `held` in memory, and the 1-sigma noise of its DN; unread lines are used for neither."""
    unread = held.unread()
    there = _without(held, unread) if unread.any() else held
    found = find_dropouts(there, saturation)
    noise_dn = raw_noise_dn(there, found.whole_lines())
    if unread.any():
        found = with_unread(found, unread)
    return with_blocks(found, still_samples(held.read(0, held.n_lines), found, noise_dn)), noise_dn


def _without(held: StripRaster, gone: NDArray[np.bool_]) -> StripRaster:
    """A strip held in memory, without the lines that are `gone`."""
    if held.lines is None:
        return held
    left = held.lines[0][~gone]
    return replace(held, n_lines=len(left), lines=(left, np.zeros(len(left), np.bool_)))
