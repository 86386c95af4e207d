"""The tables of a strip: what is worked out at nodes is as good as worked out everywhere, and held where none is."""

from dataclasses import replace

import numpy as np
import pytest
from frames import fit, fit_of_made, made, sweeps_of

from calib.tone import tables
from calib.tone.dropout_search import find_dropouts
from calib.tone.estimate import draft_tone
from calib.tone.tables import _between, _node_step


def test_between_nodes_a_table_is_straight() -> None:
    """A straight line stays one, up to the last node."""
    at = np.arange(0, 64)
    found = _between(3.0 + 0.5 * at[::8], 8)
    np.testing.assert_array_equal(found[:57], (3.0 + 0.5 * at)[:57])
    np.testing.assert_array_equal(found[56:], found[56])
    np.testing.assert_array_equal(_between(at, 1), at)


@pytest.mark.parametrize("gain", [0.5, 200.0, -4095.0, 5e4, -1e9])
@pytest.mark.parametrize("n_dn", [256, 65536])
def test_whole_steps_make_a_table(gain: float, n_dn: int) -> None:
    """They are no longer than a small part of the curve's gain, but for one DN."""
    step = _node_step(gain, n_dn)
    assert n_dn % step == 0
    assert step == 1 or step <= abs(gain) / tables.FINEST_NODES


def test_tables_made_at_nodes_are_those_made_at_every_dn(monkeypatch: pytest.MonkeyPatch) -> None:
    """To a small part of what they tell the errors to be: noise, its bias and the curves' sigma bend slowly."""
    frame, truth = made()
    quick = fit(frame, truth)
    assert any(_node_step(np.ptp(tone.dn_span), 65536) > 1 for tone in quick.strips)
    monkeypatch.setattr(tables, "FINEST_NODES", 1e9)
    for one, two in zip(quick.strips, fit(frame, truth).strips, strict=True):
        assert (np.abs(one.density_of_dn - two.density_of_dn) < 0.015 * two.curve_sigma).all()
        np.testing.assert_allclose(one.noise_density, two.noise_density, rtol=0.015)
        np.testing.assert_allclose(one.curve_sigma, two.curve_sigma, rtol=0.015)


def test_tables_are_held_beyond_their_span() -> None:
    """No tone can be had there, and none is made up."""
    for tone in fit_of_made().strips:
        first, last = tone.dn_span
        assert 0 < first < last < tone.density_of_dn.size - 1
        for table in (tone.density_of_dn, tone.noise_density, tone.curve_sigma):
            assert (table[:first] == table[first]).all()
            assert (table[last:] == table[last]).all()
            assert table[first] != table[first + (last - first) // 2]


def test_a_draft_shows_film_beyond_its_patches_without_banding() -> None:
    """Sky beside the Moon is lighter than all patches: held at the end of the table, less the banding, it was nothing
    but the banding, which stands still while strips wander; ties and strokes of it put a limb's strip 4 px off at ten
    sigma. Here the wedge lacks its lightest patches, and nothing is said of the strokes."""
    frame, truth = made()
    patches = tuple(patch for patch in frame.film.wedge.patches if patch.value > 0.8)
    film = frame.film
    wedge = film.wedge.model_copy(update={"patches": patches})
    reseau = film.reseau.model_copy(update={"density": None})
    frame = replace(frame, film=film.model_copy(update={"wedge": wedge, "reseau": reseau}))
    dropouts = [find_dropouts(strip, frame.scan.saturation) for strip in frame.strips]
    draft = draft_tone(frame, sweeps_of(frame, truth), dropouts)
    lightest, banding = min(patch.value for patch in patches), 0.1
    sky = np.linspace(lightest - 0.49, lightest - 0.43, 20)
    for tone, truly in zip(draft.strips, truth.strips, strict=True):
        seen = np.arange(tone.density_of_dn.size)
        light, dark = (
            np.interp(sky + off, *_rising(truly.video.density_of(seen), seen)) for off in (-banding / 2, banding / 2)
        )
        rise = tone.density_of_dn[dark.astype(int)] - tone.density_of_dn[light.astype(int)]
        np.testing.assert_allclose(rise, banding, rtol=0.25)


def _rising(density: np.ndarray, dn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """DN by density, as interpolation wants it."""
    known = np.isfinite(density)
    order = np.argsort(density[known])
    return density[known][order], dn[known][order]
