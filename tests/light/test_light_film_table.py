"""A table over the film: within its tolerance where it interpolates, the function itself elsewhere."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.coordinates import Array, FilmPoints
from calib.light.film_table import TOLERANCE, film_table

FORMAT = (60.0, 55.0)


def places(seed: int, n: int = 3000) -> FilmPoints:
    chance = np.random.default_rng(seed)
    return FilmPoints(*(chance.uniform(-side / 2, side / 2, n) for side in FORMAT))


@given(st.floats(20.0, 900.0), st.floats(-5.0, 5.0))
@settings(max_examples=20, deadline=None)
def test_a_falloff_is_interpolated_to_the_tolerance_for_any_lens(focal_mm: float, x0: float) -> None:
    def falloff(film: FilmPoints) -> Array:
        return (1 + ((film.x_mm - x0) ** 2 + film.y_mm**2) / focal_mm**2) ** 2.0

    film = places(1)
    assert np.abs(film_table(falloff, FORMAT).at(film) / falloff(film) - 1).max() < TOLERANCE / 2


def test_where_the_function_ends_it_is_evaluated_itself() -> None:
    """A lens that becomes dark: the factor rises without limit, and is undefined beyond."""

    def factor(film: FilmPoints) -> Array:
        light = 1 - (film.x_mm**2 + film.y_mm**2) / 25.0**2
        return 1 / np.where(light > 0, light, np.nan)

    film = places(2)
    found, true = film_table(factor, FORMAT).at(film), factor(film)
    assert np.array_equal(np.isnan(found), np.isnan(true))
    assert np.nanmax(np.abs(found / true - 1)) < TOLERANCE
    assert np.isnan(found).any()


def test_nan_places_give_nan_and_places_beyond_the_format_the_function() -> None:
    table = film_table(lambda film: 1.0 + film.x_mm / 1000, FORMAT)
    found = table.at(FilmPoints(np.array([[np.nan, 90.0]]), np.array([[0.0, 0.0]])))
    assert found.shape == (1, 2)
    assert np.isnan(found[0, 0])
    assert found[0, 1] == pytest.approx(1.09)
