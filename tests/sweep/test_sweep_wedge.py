"""The step wedge: its place in a strip, and its borders to a fraction of a pixel."""

import sys
from dataclasses import replace
from itertools import pairwise, product
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from calib.sweep.cross import CrossShape
from calib.sweep.edgefit import Feature, fit_border, profile, search_border
from calib.sweep.edges import edge_observations, find_edges, find_edges_in_dn
from calib.sweep.evenness import make_profiles
from calib.sweep.mixing import light_of_dn, mixed_value, mixing_exponent, rise_of, shift_per_power
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal
from calib.sweep.wedge import least_costs, place_wedge, wedges

LINE_MM = 0.0075
TOP_MM, PATCH_MM, PATCHES = -4.0, 0.24, 8
N_LINES, N_SAMPLES = 900, 120
NEAR_PX = 5.0  # a border is then found within 0.45 of a patch, 14 lines: a third of that is near enough


def frame():
    """The part of a frame that `wedges` uses."""
    patches = [
        SimpleNamespace(y_mm=(TOP_MM + i * PATCH_MM, TOP_MM + (i + 1) * PATCH_MM), across_mm=(-0.4, 0.4), value=i)
        for i in range(PATCHES)
    ]
    return SimpleNamespace(
        film=SimpleNamespace(wedge=SimpleNamespace(patches=patches)),
        camera=SimpleNamespace(format_mm=(5.0, -2 * (TOP_MM + PATCHES * PATCH_MM + 0.1))),
        scan=SimpleNamespace(line_mm=LINE_MM),
    )


def strip(offset_px, sigma_px, seed=0):
    """Reader and sweep of a strip whose wedge lies `offset_px` (of the nominal line) from where the sweep says."""
    rng = np.random.default_rng(seed)
    line = np.arange(N_LINES, dtype=float)
    y_mm = TOP_MM - 1.0 + line * LINE_MM
    true = y_mm - np.interp(line, [0, N_LINES], offset_px) * LINE_MM
    value = np.full(N_LINES, 0.2)
    steps = np.linspace(0.25, 2.0, PATCHES)
    inside = (true >= TOP_MM) & (true < TOP_MM + PATCHES * PATCH_MM)
    value[inside] = steps[((true[inside] - TOP_MM) / PATCH_MM).astype(int)]
    beyond = true >= TOP_MM + PATCHES * PATCH_MM + 0.1
    picture = 0.9 + 0.3 * np.sin(line / 9)
    values = np.where(beyond, picture, value)[:, None] + rng.normal(0, 0.03, (N_LINES, N_SAMPLES))
    sigma = np.full(values.shape, 0.03)
    sweep = StripSweep(
        (np.arange(N_SAMPLES) - 59.5) * LINE_MM, np.zeros(N_LINES), y_mm, np.zeros(N_SAMPLES),
        np.full(N_LINES, sigma_px * LINE_MM), np.full(N_LINES, sigma_px * LINE_MM),
    )  # fmt: skip
    return values, sigma, sweep


def test_the_unevenness_between_many_places_is_that_of_each_pair_and_infinite_out_of_reach():
    """The search takes the least cost: a pair out of reach or in reverse order, if it cost nothing, would win."""
    values, sigma, sweep = strip((0, 0), 3.0)
    profiles = make_profiles(0, values.astype(np.float32), sigma.astype(np.float32), sweep, (-4.5, -1.5), LINE_MM, 0.02)
    offsets = np.arange(-20, 21) * LINE_MM
    one, other, apart = -3.9 + offsets, -3.8 + offsets, 15  # the farthest of these lie in reverse order
    found = profiles.unevenness_between(one, other, apart)
    j, k = np.indices(found.shape)
    i = j + k - apart
    low, high = np.minimum(one[np.clip(i, 0, 40)], other[j]), np.maximum(one[np.clip(i, 0, 40)], other[j])
    expected = np.where((i >= 0) & (i <= 40), profiles.unevenness(low, high), np.inf)
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_the_least_cost_between_two_ends_is_that_of_the_cheapest_of_all_paths():
    """Compared with all paths; some steps are forbidden, and some states cannot be reached from each other."""
    rng, apart, n = np.random.default_rng(6), 1, 4
    start, steps = rng.random(n), rng.random((2, n, 2 * apart + 1))
    steps[0, 2, 1] = np.inf
    expected = np.full((n, n), np.inf)
    for ways in product(range(n), repeat=3):
        cost = start[ways[0]]
        for step, (one, other) in zip(steps, pairwise(ways), strict=True):
            cost += step[other, one - other + apart] if abs(one - other) <= apart else np.inf
        expected[ways[0], ways[-1]] = min(expected[ways[0], ways[-1]], cost)
    np.testing.assert_allclose(least_costs(start, list(steps)), expected, rtol=1e-15)


@pytest.mark.parametrize("offset_px", [(0, 0), (14, -3), (-25, -6)])
def test_a_wedge_is_placed_though_the_sweep_drifts_along_it(offset_px):
    """A first sweep may be wrong by tens of lines, and differently at the two ends of the wedge."""
    values, sigma, sweep = strip(offset_px, 3.0)
    wedge = wedges(frame())[0]
    placed = place_wedge(wedge, 0, values, sigma, sweep, LINE_MM, 0.4)
    assert placed is not None
    for border in wedge.borders:
        line = np.interp(border.at_mm, sweep.y_line_mm, np.arange(N_LINES))
        want = np.interp(line, [0, N_LINES], offset_px)
        assert (placed.seen_mm(border.at_mm) - border.at_mm) / LINE_MM == pytest.approx(want, abs=NEAR_PX)


def test_a_lost_strip_is_not_placed_one_patch_too_far():
    """A sweep known to twenty lines allows an error of one patch, which makes every density that of the next one."""
    values, sigma, sweep = strip((32, 32), 20.0)
    wedge = wedges(frame())[0]
    placed = place_wedge(wedge, 0, values, sigma, sweep, LINE_MM, 0.4)
    assert placed is not None
    assert (placed.seen_mm(TOP_MM) - TOP_MM) / LINE_MM == pytest.approx(32, abs=2)


def clipped_strip(monkeypatch, offset_px, sigma_px):
    """A strip with a wedge of twenty low patches, of which the six beside unexposed film have the same density, and the
    wedge's true offset (n_lines,), px."""
    monkeypatch.setattr(sys.modules[__name__], "PATCHES", 20)
    monkeypatch.setattr(sys.modules[__name__], "PATCH_MM", 0.09)
    values, sigma, sweep = strip(offset_px, sigma_px)
    rng, offset = np.random.default_rng(5), np.interp(np.arange(N_LINES), [0, N_LINES], offset_px)
    patch = np.floor((sweep.y_line_mm - offset * LINE_MM - TOP_MM) / PATCH_MM)
    inside = (patch >= 0) & (patch < PATCHES)
    values[inside] = np.minimum(2.2 - 0.1 * patch[inside], 1.6)[:, None]
    values[inside] += rng.normal(0, 0.03, values[inside].shape)
    return values, sigma, sweep, offset


@pytest.mark.parametrize("sigma_px", [1.0, 3.0])
def test_clipped_patches_that_all_look_alike_leave_the_wedge_where_both_its_ends_touch_unexposed_film(
    monkeypatch, sigma_px
):
    """The sweep drifts along the equal patches, whose borders may lie anywhere."""
    values, sigma, sweep, offset = clipped_strip(monkeypatch, (-30, 30), sigma_px)
    placed = place_wedge(wedges(frame())[0], 0, values, sigma, sweep, LINE_MM, 0.4)
    assert placed is not None
    want = np.interp(placed.at_mm + placed.offset_mm, sweep.y_line_mm, offset)
    np.testing.assert_allclose(placed.offset_mm / LINE_MM, want, atol=NEAR_PX)


def test_an_end_of_the_wedge_out_of_sight_is_no_likelier_than_one_that_touches_unexposed_film(monkeypatch):
    """The short unexposed film before the wedge could be its first patch, and the others would fit the sweep better:
    the film outside would then lie before the strip's first line."""
    values, sigma, sweep, offset = clipped_strip(monkeypatch, (19, -26), 3.0)
    first = 136
    placed = place_wedge(wedges(frame())[0], first, values[first:], sigma[first:], sweep, LINE_MM, 0.4)
    assert placed is not None
    want = np.interp(placed.at_mm + placed.offset_mm, sweep.y_line_mm, offset)
    np.testing.assert_allclose(placed.offset_mm / LINE_MM, want, atol=NEAR_PX)


def test_blots_on_a_patch_do_not_shift_the_wedge():
    """Scratches and stains are as strong as borders, and lie on film that every placement needs."""
    values, sigma, sweep = strip((2, 2), 1.0)
    values[150:175, 40:75] = 0.2
    values[220:236, 20:60] = 2.2
    placed = place_wedge(wedges(frame())[0], 0, values, sigma, sweep, LINE_MM, 0.4)
    assert placed is not None
    np.testing.assert_allclose(placed.offset_mm / LINE_MM, 2, atol=NEAR_PX)


def test_there_is_no_wedge_in_a_picture():
    """There is always a best place; taken for the wedge, it would give a tone curve fitted to the picture."""
    rng = np.random.default_rng(3)
    _, sigma, sweep = strip((0, 0), 3.0)
    values = 1 + 0.5 * np.sin(np.arange(N_LINES) / 7)[:, None] + rng.normal(0, 0.03, (N_LINES, N_SAMPLES))
    assert place_wedge(wedges(frame())[0], 0, values, sigma, sweep, LINE_MM, 0.4) is None


def test_noise_of_deep_patches_is_not_taken_for_borders(monkeypatch):
    """Of 24 low patches the last seven are dense and noisy; other film in their place would fit better."""
    monkeypatch.setattr(sys.modules[__name__], "PATCHES", 24)
    monkeypatch.setattr(sys.modules[__name__], "PATCH_MM", 0.11)
    values, sigma, sweep = strip((0, 0), 4.0)
    patch = np.floor((sweep.y_line_mm - TOP_MM) / PATCH_MM)
    inside = (patch >= 0) & (patch < PATCHES)
    values[inside] = (0.21 + 2.3 * (patch[inside] / 23) ** 2)[:, None]
    deep = inside & (patch >= 17)
    sigma[inside] = 0.03
    sigma[deep] = 2.5
    values += np.random.default_rng(11).normal(0, 1, values.shape) * sigma
    placed = place_wedge(wedges(frame())[0], 0, values, sigma, sweep, LINE_MM, 0.4)
    assert placed is not None
    outer = placed.at_mm < TOP_MM + 16.5 * PATCH_MM
    np.testing.assert_allclose(placed.offset_mm[outer] / LINE_MM, 0, atol=NEAR_PX)


def strip_with_picture_beside(offset_px, sigma_px, field_mm=0.0, seed=0):
    """Like `strip`, but surrounded by picture, directly or after a field nearly as clear as the first patch."""
    values, sigma, sweep = strip((offset_px, offset_px), sigma_px, seed)
    y_mm, rng = sweep.y_line_mm - offset_px * LINE_MM, np.random.default_rng(seed + 1)
    beside = np.maximum(TOP_MM - y_mm, y_mm - TOP_MM - PATCHES * PATCH_MM)
    picture = 0.9 + 0.4 * np.sin(np.arange(N_LINES) / 23) + rng.normal(0, 0.05, N_LINES)
    out = beside > 0
    values[out] = np.where(beside > field_mm, picture, 0.22)[out, None] + rng.normal(0, 0.03, (out.sum(), N_SAMPLES))
    return values, sigma, sweep


def frame_about_the_wedge():
    """Like `frame`, but the wedge lies in the middle of the format, and there is a scan."""
    scene = frame()
    for patch in scene.film.wedge.patches:
        patch.y_mm = (patch.y_mm[0] - MIDDLE_MM, patch.y_mm[1] - MIDDLE_MM)
    scene.camera.format_mm = (5.0, 6.0)
    scene.scan = SimpleNamespace(line_mm=LINE_MM, tolerance_mm=0.4, first_center_mm=0.0, pitch_mm=0.9)
    return scene


MIDDLE_MM = TOP_MM + PATCHES * PATCH_MM / 2


def in_the_middle(sweep):
    """The sweep with film y relative to the wedge's middle."""
    return replace(sweep, y_line_mm=sweep.y_line_mm - MIDDLE_MM)


def test_each_column_of_a_wedge_has_all_its_borders():
    """The same film described as patches in two columns. There is no border between patches of different columns that
    are adjacent in the list, and borders within a column were left out (a bug)."""
    scene, (whole,) = frame(), wedges(frame())
    scene.film.wedge.patches = [
        SimpleNamespace(**vars(patch) | {"across_mm": across})
        for patch in scene.film.wedge.patches
        for across in ((-0.4, 0.0), (0.0, 0.4))
    ]
    columns = wedges(scene)
    assert [column.borders[0].across_mm for column in columns] == [(-0.4, 0.0), (0.0, 0.4)]
    for column in columns:
        assert [(b.at_mm, b.low_mm, b.high_mm) for b in column.borders] == [
            (b.at_mm, b.low_mm, b.high_mm) for b in whole.borders
        ]


@pytest.mark.parametrize("field_mm", [0.0, 13 * LINE_MM, 60 * LINE_MM])
@pytest.mark.parametrize("offset_px", [0, 4, -3])
def test_a_wedge_within_the_format_is_placed_whatever_lies_beside_it(field_mm, offset_px):
    """Borders must be in order of y, not of their distance from the format's middle, and the film beside the wedge may
    be uneven: all strips were once wrong by a patch."""
    values, sigma, sweep = strip_with_picture_beside(offset_px, 3.0, field_mm)
    wedge = wedges(frame_about_the_wedge())[0]
    placed = place_wedge(wedge, 0, values, sigma, in_the_middle(sweep), LINE_MM, 0.4)
    assert placed is not None
    np.testing.assert_allclose(placed.offset_mm / LINE_MM, offset_px, atol=NEAR_PX)


def test_a_field_that_ends_beside_a_wedge_within_the_format_is_not_taken_for_its_first_border():
    """The first patch is nearly as clear as the field about the wedge: the field's sharp end, within the wedge's
    tolerance, once passed for the patch's border in all strips."""
    values, sigma, sweep = strip_with_picture_beside(0, 1.0, 13 * LINE_MM)
    sweep = in_the_middle(sweep)
    read = [lambda first, stop: (values[first:stop], sigma[first:stop])]
    scene = frame_about_the_wedge()
    edges = find_edges_in_dn(scene, read, [sweep], CrossShape(0.12, 0.04, BLUR_MM, BLUR_MM), 1)
    off_mm = np.interp(edges.line, np.arange(N_LINES), sweep.y_line_mm) - edges.film_mm
    assert len(np.unique(edges.film_mm)) == PATCHES - 1
    assert np.abs(off_mm).max() < LINE_MM


@pytest.mark.parametrize(
    ("height_mm", "in_picture"), [(8.2, (True, True)), (8.0, (False, True)), (4.0, (False, False))]
)
def test_ends_of_the_wedge_lie_in_the_picture_where_the_format_goes_on_beside_them(height_mm, in_picture):
    """There is no unexposed film beside such an end, so its border with its known step gives no evidence."""
    scene = frame()
    scene.camera.format_mm = (5.0, height_mm)
    borders = wedges(scene)[0].borders
    assert (borders[0].in_picture, borders[-1].in_picture) == in_picture
    assert not any(border.in_picture for border in borders[1:-1])


def test_a_gap_to_the_picture_wider_than_a_patch_is_even_all_over():
    """If the unexposed film looks like the patch beside it, a piece of one patch height could lie anywhere in the
    gap."""
    wide = frame()
    wide.camera.format_mm = (5.0, -2 * (TOP_MM + PATCHES * PATCH_MM + 0.4))
    border = wedges(wide)[0].borders[-1]
    assert border.high_mm - border.at_mm == pytest.approx(0.4)
    wide.camera.format_mm = (5.0, 2.0)
    border = wedges(wide)[0].borders[-1]
    assert border.high_mm - border.at_mm == pytest.approx(2 * PATCH_MM)


@pytest.mark.parametrize(("n_samples", "enough"), [(5, True), (3, False)])
def test_groups_without_any_sample_make_no_profile(n_samples, enough):
    """Strips of a few samples would give means of no samples, NaN, which would spread."""
    values, sigma, whole = strip((0, 0), 1.0)
    tables = (whole.x_sample_mm[:n_samples], whole.x_line_mm, whole.y_line_mm, whole.y_sample_mm[:n_samples])
    sweep = StripSweep(*tables, whole.sigma_x_mm, whole.sigma_y_mm)
    found = make_profiles(0, values[:, :n_samples], sigma[:, :n_samples], sweep, (-9.0, 9.0), 0.02, 0.03)
    assert (found is not None) == enough


@pytest.mark.parametrize(("lost_of_five", "enough"), [(2, True), (3, False)])
def test_lines_of_which_most_samples_are_lost_make_no_profile_and_lost_ones_count_for_nothing(lost_of_five, enough):
    """The remaining samples of such a line may be a scratch."""
    values, sigma, sweep = strip((0, 0), 1.0)
    span, lost = (TOP_MM - 0.5, TOP_MM + 2.5), np.arange(N_SAMPLES) % 5 < lost_of_five
    whole = make_profiles(0, values.copy(), sigma.copy(), sweep, span, LINE_MM, 0.03)
    values[:, lost], sigma[:, lost] = 1e6, np.inf
    found = make_profiles(0, values, sigma, sweep, span, LINE_MM, 0.03)
    assert (found is not None) == enough
    if found is not None:
        low = TOP_MM + np.arange(PATCHES) * PATCH_MM
        np.testing.assert_allclose(found.mean(low, low + PATCH_MM)[0], whole.mean(low, low + PATCH_MM)[0], atol=0.03)


BLUR_MM = 0.006


def test_gaps_beside_a_patch_beyond_the_last_border_are_looked_at_where_they_are():
    """A search between usable borders would miss it, because this patch has none."""
    # the last patch stands beside the others' column and ends with the film: neither of its borders is looked at
    wide, last_mm = frame(), TOP_MM + (PATCHES - 1) * PATCH_MM
    patches = wide.film.wedge.patches
    for patch in patches:
        patch.across_mm = (-0.4, -0.02)
    patches[-1].across_mm = (0.02, 0.4)
    wide.camera.format_mm = (5.0, -2 * (last_mm + PATCH_MM + 0.01))
    wide.scan = SimpleNamespace(line_mm=LINE_MM, tolerance_mm=0.1, first_center_mm=0.0, pitch_mm=0.44)
    values, sigma, sweep = strip((0, 0), 1.0)
    y_mm, x_mm = sweep.y_line_mm[:, None], sweep.x_sample_mm
    gap = np.clip(0.5 - (np.abs(x_mm + 0.01) - 0.03) / BLUR_MM, 0, 1)  # that of the last patch to its left neighbour
    values = values + 3 * gap * ((y_mm > last_mm) & (y_mm < last_mm + PATCH_MM))
    other = replace(sweep, x_sample_mm=x_mm + wide.scan.pitch_mm)
    edges = find_edges_in_dn(
        wide, [lambda first, stop: (values[first:stop], sigma[first:stop])] * 2, [sweep, other],
        CrossShape(0.12, 0.04, BLUR_MM, BLUR_MM), 1,
    )  # fmt: skip
    found_mm = np.interp(edges.line[(edges.axis == 0) & (edges.strip == 1)], np.arange(N_LINES), sweep.y_line_mm)
    assert np.any(np.abs(found_mm - last_mm - PATCH_MM / 2) < PATCH_MM / 2)


@pytest.mark.parametrize(("tolerance_mm", "is_found"), [(1.0, True), (0.1, False)])
def test_a_gap_farther_off_than_the_tolerance_is_none_however_little_is_known_of_the_sweep(tolerance_mm, is_found):
    """An undetermined sweep may have any sigma, and the search would extend to the next dark stroke."""
    scene, off_mm = frame(), 0.2
    scene.scan = SimpleNamespace(line_mm=LINE_MM, tolerance_mm=tolerance_mm, first_center_mm=-0.4, pitch_mm=0.84)
    values, sigma, sweep = strip((0, 0), 3.0)
    sweep = replace(sweep, sigma_x_mm=np.full(N_LINES, 100 * LINE_MM))
    gap = np.clip(0.5 - (np.abs(sweep.x_sample_mm - 0.02 - off_mm) - 0.02) / BLUR_MM, 0, 1)
    values = values + 3 * gap
    other = replace(sweep, x_sample_mm=sweep.x_sample_mm + 0.84)
    shape = CrossShape(0.12, 0.04, BLUR_MM, BLUR_MM)
    read = [lambda first, stop: (values[first:stop], sigma[first:stop])] * 2
    edges = find_edges_in_dn(scene, read, [sweep, other], shape, 1)
    assert np.any((edges.axis == 0) & (edges.strip == 0)) == is_found


def misread_wedge(tone):
    """Borders found in a strip whose densities are changed by `tone`: stated film y, error and variance, mm."""
    scene, rng = frame(), np.random.default_rng(4)
    scene.film.reseau = SimpleNamespace(sigma_mm=None)
    scene.scan = SimpleNamespace(line_mm=LINE_MM, tolerance_mm=0.1, first_center_mm=0.0, pitch_mm=0.9)
    _, _, sweep = strip((0, 0), 1.0)
    at_mm = TOP_MM + PATCH_MM * np.arange(PATCHES + 1)
    level = 10.0 ** -np.concatenate([[0.2], np.linspace(0.35, 2.0, PATCHES), [0.2]])
    light = level[0] + np.diff(level) @ ndtr((sweep.y_line_mm - at_mm[:, None]) / BLUR_MM)
    density = tone(-np.log10(light))[:, None] + rng.normal(0, 0.003, (N_LINES, N_SAMPLES))
    sigma = np.full(density.shape, 0.003)
    shape = CrossShape(0.12, 0.04, BLUR_MM, BLUR_MM)
    edges = find_edges(scene, [lambda first, stop: (density[first:stop], sigma[first:stop])], [sweep], shape, 1.0, 1)
    return edges.film_mm, np.interp(edges.line, np.arange(N_LINES), sweep.y_line_mm) - edges.film_mm, edges.variance


@pytest.mark.parametrize(
    "tone", [lambda d: 1.3 * d, lambda d: np.where(d < 0.35, 0.35 + 1.6 * (d - 0.35), d)], ids=["steeper", "no-patch"]
)
def test_what_a_tone_not_quite_right_shifts_a_border_by_is_in_what_its_groups_together_say(tone):
    """A tone wrong by little everywhere, or by much where film is clearer than any patch, beside the wedge's ends."""
    film_mm, off_mm, variance = misread_wedge(tone)
    z = []
    for at_mm in np.unique(film_mm):
        weight = np.where(film_mm == at_mm, 1 / variance, 0.0)
        z.append(weight @ off_mm / np.sqrt(weight.sum()))
    assert len(z) == PATCHES + 1
    assert np.abs(z).max() < 2.5
    assert np.sqrt(variance.min()) < 0.2 * BLUR_MM


BORDER = Feature(BLUR_MM, 0.0)


def printed(density, mixes):
    """Three strips' densities of a wedge of patches of some densities, at whose borders light to a power mixes; their
    frame, sweeps and the borders' film y."""
    scene, rng = frame(), np.random.default_rng(5)
    scene.film.reseau = SimpleNamespace(sigma_mm=None)
    scene.scan = SimpleNamespace(line_mm=LINE_MM, tolerance_mm=0.1, first_center_mm=0.0, pitch_mm=0.9)
    _, _, sweep = strip((0, 0), 1.0)
    at_mm = TOP_MM + PATCH_MM * np.arange(PATCHES + 1)
    level = 10.0 ** (-mixes * np.concatenate([[0.2], density, [0.2]]))
    light = level[0] + np.diff(level) @ ndtr((sweep.y_line_mm - at_mm[:, None]) / BLUR_MM)
    seen = -np.log10(light)[:, None] / mixes + rng.normal(0, 0.003, (3, N_LINES, N_SAMPLES))
    return seen, scene, [replace(sweep, x_sample_mm=sweep.x_sample_mm + k * 0.9) for k in range(3)], at_mm


def borders_in_light(seen, scene, sweeps):
    """What `find_edges` finds in densities taken for light."""
    shape, sigma = CrossShape(0.12, 0.04, BLUR_MM, BLUR_MM), np.full(seen[0].shape, 0.003)
    read = [lambda first, stop, values=values: (values[first:stop], sigma[first:stop]) for values in seen]
    edges = find_edges(scene, read, sweeps, shape, 1.0, 1)
    return edges, edge_observations(edges, Nominal(scene, tuple(sweeps), np.array([LINE_MM, LINE_MM])), shape)


def test_borders_are_looked_at_where_the_film_steps_as_in_most_strips():
    """A scratch over half the width of a patch in one strip has its own steps, and none where the patch ends."""
    density = np.linspace(0.35, 2.0, PATCHES)
    seen, scene, sweeps, at_mm = printed(density, 1.0)
    y_mm = sweeps[0].y_line_mm
    scratched = (y_mm > at_mm[3] + 2 * LINE_MM) & (y_mm < at_mm[4] - 2 * LINE_MM)
    seen[1][np.ix_(scratched, sweeps[0].x_sample_mm < 0)] -= 0.15
    edges, _ = borders_in_light(seen, scene, sweeps)
    assert [(edges.film_mm == mm).sum() for mm in at_mm] == [20 if i in (3, 4) else 24 for i in range(PATCHES + 1)]
    assert np.all(edges.sample[(edges.strip == 1) & np.isin(edges.film_mm, at_mm[3:5])] > N_SAMPLES / 2)
    rises = np.diff(np.concatenate([[0.2], density, [0.2]]))[np.searchsorted(at_mm, edges.film_mm)]
    np.testing.assert_allclose(edges.rise, rises, atol=0.01)


def test_borders_printed_in_density_lie_off_as_is_said_of_another_power():
    """Taken for light they lie up to half a px off; by how much, one power less explains."""
    seen, scene, sweeps, _ = printed(np.array([0.9, 0.4, 1.5, 1.1, 0.5, 1.7, 0.8, 1.2]), 1e-3)
    edges, observed = borders_in_light(seen, scene, sweeps)
    assert len(edges) > 200
    assert np.abs(observed.value[:, 1]).max() > 0.45
    np.testing.assert_allclose(observed.value[:, 1], -observed.per_power, atol=0.08)


@pytest.mark.parametrize("mixes", [0.3, 0.7, 1.0])
@pytest.mark.parametrize("rise", [-1.3, -0.4, 0.7, 1.3])
def test_a_border_taken_to_another_power_than_mixes_is_shifted_as_its_rise_says(rise, mixes):
    """The power is an unknown of the fit, with this first-order law; a wrong sign would double the error."""
    taken, t = 0.6, np.repeat(np.linspace(-0.1, 0.1, 201)[:, None], 8, axis=1)
    before, beyond = 10.0 ** (-0.4 * mixes), 10.0 ** (-(0.4 + rise) * mixes)
    density = -np.log10(before + (beyond - before) * ndtr(t / BLUR_MM)) / mixes
    found = fit_border(t, *mixed_value(density, np.full(t.shape, 0.01), taken), 0.08, Feature(BLUR_MM, 0.0))
    assert rise_of(found.level, found.step, taken) == pytest.approx(rise, rel=0.02)
    shift_mm = (taken - mixes) * shift_per_power(rise, BLUR_MM)
    assert found.shift_mm == pytest.approx(shift_mm, rel=0.15, abs=1e-6)


def edge(d):
    """A border blurred by the spot."""
    return ndtr(d / BLUR_MM)


@pytest.mark.parametrize("half_mm", [0.0, 0.02])
def test_a_features_profile_is_made_of_blurred_edges(half_mm):
    """Value and slope stand apart in compiled code: a slope that is not its own leaves fits turning for ever."""
    d, h = np.linspace(-0.06, 0.06, 101), 1e-6
    want = edge(d + half_mm) - edge(d - half_mm) if half_mm else edge(d)
    value, slope = np.array([profile(x, Feature(BLUR_MM, half_mm)) for x in d]).T
    np.testing.assert_allclose(value, want, atol=1e-11)
    ahead, behind = (np.array([profile(x + s, Feature(BLUR_MM, half_mm))[0] for x in d]) for s in (h, -h))
    np.testing.assert_allclose(slope, (ahead - behind) / (2 * h), atol=1e-4)


def test_a_border_is_found_at_the_bound_of_an_edge():
    """Where there are no marks, only borders give places along the film; their variances weight them against marks."""
    rng = np.random.default_rng(4)
    t = np.repeat((np.arange(-20, 21) * 0.0075)[:, None], 20, axis=1)
    errors, variances = [], []
    for _ in range(150):
        shift = rng.uniform(-0.004, 0.004)
        light = 0.3 + 0.2 * edge(t - shift) + rng.normal(0, 0.02, t.shape)
        found = fit_border(t, light, np.full(t.shape, 0.02), 0.15, BORDER)
        errors.append(found[0] - shift)
        variances.append(found[1])
    slope = 0.2 * (edge(t + 1e-6) - edge(t - 1e-6)) / 2e-6
    design = np.stack([np.ones(t.size), edge(t).ravel(), slope.ravel()], axis=1)
    bound = 0.02 * np.sqrt(np.linalg.inv(design.T @ design)[2, 2])
    # 150 numbers: their rms scatters by 5.8 %
    assert np.std(errors) < 1.1 * bound * (1 + 2 * 0.058)
    assert np.sqrt(np.mean(np.square(errors) / variances)) == pytest.approx(1.0, abs=0.2)


def test_a_border_without_a_step_is_none():
    """Beside a patch as dark as unexposed film nothing is visible, but noise always fits somewhere."""
    rng = np.random.default_rng(5)
    t = np.repeat((np.arange(-20, 21) * 0.0075)[:, None], 20, axis=1)
    light = 0.3 + rng.normal(0, 0.02, t.shape)
    assert fit_border(t, light, np.full(t.shape, 0.02), 0.15, BORDER) is None


@pytest.mark.parametrize(("lost", "is_seen"), [(8, True), (12, False)])
def test_a_border_with_less_than_half_its_samples_is_none(lost, is_seen):
    """The remaining samples may lie on one side of it."""
    rng = np.random.default_rng(8)
    t = np.repeat((np.arange(-20, 21) * 0.0075)[:, None], 20, axis=1)
    light, noise = 0.3 + 0.2 * edge(t) + rng.normal(0, 0.02, t.shape), np.full(t.shape, 0.02)
    noise[:, :lost] = np.inf
    assert (fit_border(t, light, noise, 0.15, BORDER) is not None) == is_seen


def test_a_gap_far_from_its_place_is_found_before_it_is_fitted():
    """Beyond three spot radii a fit has no gradient and stays where it starts."""
    rng = np.random.default_rng(6)
    t = np.repeat((np.arange(-40, 41) * 0.0075)[None, :], 12, axis=0)

    def gap(d):
        return edge(d + 0.02) - edge(d - 0.02)

    light = 0.1 + 0.5 * gap(t - 0.11) + rng.normal(0, 0.02, t.shape)
    start = search_border(t, light, np.full(t.shape, 0.02), Feature(BLUR_MM, 0.02), 0.1, 0.15)
    assert start == pytest.approx(0.11, abs=0.008)


@pytest.mark.parametrize("at_mm", [-0.27, 0.23])
def test_a_gap_too_near_the_strips_edge_for_its_flanks_is_not_taken_for_one_further_in(at_mm):
    """A single flank fits well at a place that is wrong by the gap's width."""
    rng = np.random.default_rng(7)
    t = np.repeat((np.arange(-40, 41) * 0.0075)[None, :], 12, axis=0)
    light = 0.1 + 0.5 * (edge(t - at_mm + 0.02) - edge(t - at_mm - 0.02)) + rng.normal(0, 0.02, t.shape)
    assert search_border(t, light, np.full(t.shape, 0.02), Feature(BLUR_MM, 0.02), 0.1, 0.25) is None


def test_samples_that_are_nan_have_no_signal_and_do_not_affect_others():
    """Light is relative to the median density; a single NaN could make that and all values NaN."""
    values, sigma = np.array([[0.3, np.nan, 1.7]]), np.full((1, 3), 0.01)
    some = np.array([True, False, True])
    for light, noise in (mixed_value(values, sigma, 1.0), light_of_dn(values, sigma)):
        assert np.isinf(noise[0, 1])
        assert np.all(np.isfinite(light[0, some]))
        assert np.all(np.isfinite(noise[0, some]))
    np.testing.assert_array_equal(
        mixed_value(values, sigma, 1.0)[0][0, some], mixed_value(values[:, some], sigma[:, some], 1.0)[0][0]
    )


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0])
def test_strokes_determine_the_power_of_light_that_the_spot_averages(power):
    """Borders measured with another power than that which the spot averages are shifted by a fraction of the spot."""
    rise = np.array([-1.4, -0.9, -0.6, 1.1])
    bends = []
    for r in rise:
        # what a half covered sample reads when light to this power is averaged
        rate = max(power, 1e-6) * np.log(10)
        read = -np.log(np.mean([1.0, np.exp(-rate * r)])) / rate
        bends.append(np.log(read / r / (1 - read / r)))
    found = mixing_exponent(rise, np.array(bends), np.full(4, 0.1))
    assert found == pytest.approx(power, abs=0.01)


@pytest.mark.parametrize("power", [0.0, 1.0])
def test_mixed_values_average_as_the_spot_does(power):
    """A border is fitted as a blurred step, which it is only in a quantity that the spot averages linearly."""
    density = np.array([0.3, 1.7])
    sigma = np.full(2, 0.01)
    value, _ = mixed_value(density, sigma, power)
    middle = 1.0 if power == 0 else -np.log10(0.5 * (10**-0.3 + 10**-1.7))
    both, _ = mixed_value(np.array([0.3, middle, 1.7]), np.full(3, 0.01), power)
    assert (both[1] - both[0]) / (both[2] - both[0]) == pytest.approx(0.5, abs=2e-3)
    assert value[0] > value[1]
