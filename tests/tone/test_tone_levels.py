"""Levels of patches are told from the banding of the columns that show them."""

from dataclasses import replace

import numpy as np
from calib_demo.catalogue import scenario
from frames import made, sweeps_of

from calib.tone.dropout_search import clip_of, find_dropouts
from calib.tone.known_film import known_film
from calib.tone.levels import polished
from calib.tone.strokes import ASSUMED
from calib.tone.survey import survey_strip

SMALL = scenario("small")


def test_levels_and_banding_add_up_to_what_was_put_together() -> None:
    """One sort covers a third of the samples, where the banding is high; a third of another lies under a scratch."""
    n = 90
    banding = np.where(np.arange(n) < 30, 0.2, -0.1) + 0.01 * np.sin(np.arange(n))
    level = np.array([0.3, 0.8, 1.3, 1.8])
    sort, sample = (each.ravel() for each in np.meshgrid([7, 2, 5, 4], np.arange(n), indexing="ij"))
    value = level[np.searchsorted([2, 4, 5, 7], sort)] + banding[sample]
    value = value + np.where((sort == 4) & (sample % 3 == 1), -0.5, 0.0)
    shown = (sort != 2) | (sample < 30)
    film = polished(value[shown], sort[shown], sample[shown], n)
    np.testing.assert_array_equal(film.sorts, [2, 4, 5, 7])
    np.testing.assert_allclose(film.level - film.level[0], level - level[0], atol=0.012)
    np.testing.assert_allclose(film.banding - film.banding[0], banding - banding[0], atol=0.012)


def test_a_patch_under_a_part_of_the_columns_is_not_taken_for_lighter_or_darker() -> None:
    """Four patches, one of half width, under banding of a tenth in density: without that of its columns taken off it
    is out of line by up to twice as much."""
    wedge, tone = replace(SMALL.wedge, patches=4, partial=True), replace(SMALL.tone, banding_smooth=0.1, drift=0.0)
    frame, truth = made(replace(SMALL, wedge=wedge, tone=tone))
    known, sweeps = known_film(frame), sweeps_of(frame, truth, sigma=0.02)
    clip = clip_of(frame.strips[0], frame.scan.saturation)
    for strip, sweep, true in zip(frame.strips, sweeps, truth.strips, strict=True):
        found = survey_strip(strip, known, sweep, find_dropouts(strip, frame.scan.saturation), clip, ASSUMED)
        off = true.video.density_of(found.patches.dn) - known.patch_density
        assert np.abs(off - np.median(off)).max() < 0.04
