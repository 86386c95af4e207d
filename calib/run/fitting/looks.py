"""What each strip tells by itself, before it is placed: one look at all of its samples."""

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
    """What a strip tells by itself: what it has lost, how noisy its DN are, where something looks like a mark, what
    its edges show, how clearly each of its ends shows the wedge, and signs that its video is wrong."""

    dropouts: Dropouts
    noise_dn: float
    candidates: Candidates
    edges: EdgeProfiles
    wedge: tuple[float, float]
    video: VideoSigns


def looks_of(frame: Frame, threads: int, first: int = 0) -> Iterator[Look]:
    """What the strips from `first` on tell by themselves, each read once."""
    find, width = candidate_finder(frame), overlap_width(frame)

    def look(strip: StripRaster) -> Look:
        held = strip.held()
        dn = held.read(0, strip.n_lines)
        dropouts, noise_dn = look_for_lost(held, frame.scan.saturation)
        lost = dropouts.mask(0, strip.n_lines)
        return Look(
            dropouts,
            noise_dn,
            edges=edge_profiles(dn, lost, width, noise_dn, is_reversed=strip.is_reversed),
            wedge=wedge_shown(dn, lost, frame, is_reversed=strip.is_reversed),
            video=video_signs(dn, dropouts, noise_dn),
            candidates=find(strip.index, dn, lost),
        )

    return in_order(look, frame.strips[first:], threads)


def look_for_lost(held: StripRaster, saturation: tuple[int, int] | None) -> tuple[Dropouts, float]:
    """What a strip `held` has lost, and the noise of its DN; lines that could not be read tell nothing of either."""
    unread = held.unread()
    there = _without(held, unread) if unread.any() else held
    found = find_dropouts(there, saturation)
    noise_dn = raw_noise_dn(there, found.whole_lines())
    if unread.any():
        found = with_unread(found, unread)
    return with_blocks(found, still_samples(held.read(0, held.n_lines), found, noise_dn)), noise_dn


def _without(held: StripRaster, gone: NDArray[np.bool_]) -> StripRaster:
    """A strip `held` without the lines that are `gone`."""
    if held.lines is None:
        return held
    left = held.lines[0][~gone]
    return replace(held, n_lines=len(left), lines=(left, np.zeros(len(left), np.bool_)))
