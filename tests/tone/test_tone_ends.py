"""Patches at an end of the video's range: which they are, and when a strip does without them."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from frames import made

from calib.tone.cell_kernels import FOG, count_clipped, hide_spoilt
from calib.tone.cells import AT_END, FOG_BLOCK, Cells, PatchMeans, blocks_of, gather_cells, without_ends
from calib.tone.known_film import known_film
from calib.tone.survey import _what_is_missing

CLIP = (0, 255)


def patches_of(dn: list[float], scatter: float = 3.0, count: int = 900) -> PatchMeans:
    n = len(dn)
    lines = np.zeros(n, np.int64)
    return PatchMeans(np.array(dn), np.full(n, scatter), np.full(n, count), lines, lines, ("",) * n, np.zeros((n, 4)))


@pytest.mark.parametrize(
    ("dn", "clipped", "is_at_end"),
    [
        (4.0, (100, 0), True),  # its noise reaches the low end
        (251.0, (0, 100), True),
        (4.0, (10, 0), False),  # too few to move the mean
        (120.0, (100, 0), False),  # scratched: the mean is far from the end
        (120.0, (0, 100), False),
        (120.0, (0, 1000), True),  # more is scratched than is left
        (4.0, (0, 100), False),
    ],
)
def test_a_patch_is_at_an_end_where_its_noise_is_clipped(dn: float, clipped: tuple[int, int], is_at_end: bool) -> None:
    """Its cells go with it, those of other patches and of unexposed film stay."""
    patches = patches_of([dn, 120.0])
    label = np.array([0, 1, FOG, 0])
    cells = Cells(label, np.arange(4), *(np.ones(4),) * 4)
    kept, means = without_ends(cells, patches, np.array([clipped, (0, 0)]), CLIP)
    assert means.reason == (AT_END if is_at_end else "", "")
    np.testing.assert_array_equal(np.isnan(means.dn), [is_at_end, False])
    np.testing.assert_array_equal(kept.label, [1, FOG] if is_at_end else label)


@pytest.mark.parametrize(("n_seen", "is_whole"), [(5, False), (6, True)])
@pytest.mark.parametrize("reason", [AT_END, "not seen"])
def test_patches_at_an_end_are_not_missed_where_the_others_bear_a_curve(
    n_seen: int, is_whole: bool, reason: str
) -> None:
    """Six patches do, bend and all; what is missing for another reason is missed."""
    known = replace(known_film(made()[0]), patch_density=np.linspace(0.2, 2.2, 11))
    use = np.arange(11) < n_seen
    patches = replace(patches_of([99.0] * 11), reason=tuple("" if each else reason for each in use))
    said = _what_is_missing(known, patches, use)
    assert said == ("" if is_whole and reason == AT_END else f"only {n_seen} of 11 wedge patches could be used")


def test_unexposed_film_that_the_end_of_the_video_cuts_off_says_nothing() -> None:
    """What is left of its samples has a mean that is off by a part of their scatter, the more the darker the column:
    drift was bent by 0.1 of density to explain it, silently (a bug on a frame whose shadows were clipped)."""
    chance, scatter = np.random.default_rng(5), 10.0
    level = np.linspace(-30.0, 60.0, 180)
    noise = scatter * chance.standard_normal((3 * FOG_BLOCK, level.size))
    dn = np.clip(np.round(level + noise), *CLIP).astype(np.uint8)
    lines, label = np.arange(len(dn)), np.full(dn.shape, FOG, np.int16)
    block, known = blocks_of(lines), SimpleNamespace(n_patches=1)
    lost = np.zeros(dn.shape, np.bool_)
    clipped = count_clipped(dn, lines, label, 1, block, lost, CLIP)
    hide_spoilt(dn, lines, label, lost, CLIP)
    assert clipped[1:, :, 0].sum() == (dn == 0).sum()
    assert clipped[0].sum() == clipped[:, :, 1].sum() == 0
    cells, _ = gather_cells(dn, lines, label, known, block, clipped)  # type: ignore[arg-type]
    off = (cells.dn - level[cells.sample]) / scatter
    assert np.abs(off).mean() < 1.5 * np.sqrt(2 / np.pi / FOG_BLOCK)  # noise alone
    assert np.bincount(cells.sample, minlength=level.size)[level > 3 * scatter].min() == 3
