"""A few lines that a strip lacks or shows twice, told by its ties and placed by its edges; a wander is none."""

import numpy as np
import pytest

from calib.sweep.lag_steps import lag_steps
from calib.sweep.lags import Lags, LagStep
from calib.sweep.model import StripSweep
from calib.sweep.step_place import placed
from calib.sweep.strip_edges import EdgeProfiles
from calib.sweep.ties import Ties

N, MM, STRIPS, AT = 1500, 0.005, 5, 740
SIGMA = 0.06


def sweep(turned: bool) -> StripSweep:
    """A strip that stands straight, but for a skew of its samples by a line."""
    along, across, skew = np.arange(N) * MM, np.arange(300) * MM, np.linspace(0, MM, 300)
    sure = np.full(N, 1e-4)
    return StripSweep(across, np.zeros(N), along[::-1] if turned else along, skew, sure, sure)


def ties(wander, turned: int, outlier: bool = False) -> tuple[Ties, list[StripSweep]]:  # type: ignore[no-untyped-def]
    """Ties of five strips, of which each shows on a line of its what the first would show `wander` lines farther on."""
    rng = np.random.default_rng(5)
    sweeps = [sweep(k == turned) for k in range(STRIPS)]
    columns = []
    for k in range(STRIPS - 1):
        line = np.sort(rng.uniform(30, N - 30, 40))
        film = line + wander(k, line)
        every = np.arange(N)
        there = np.interp(film, every + wander(k + 1, every), every) + 250 / 299  # as both are skewed
        there += rng.normal(0, SIGMA, 40) + (4.0 * (np.arange(40) == 20) if outlier and k == 2 else 0.0)
        here_line, there_line = (N - 1 - x if i == turned else x for i, x in ((k, line), (k + 1, there)))
        columns.append((np.full(40, k), here_line, np.full(40, 270.0), there_line, np.full(40, 20.0)))
    strip, line, sample, line_right, sample_right = (np.concatenate(part) for part in zip(*columns, strict=True))
    cov = np.tile(np.eye(2) * SIGMA**2, (strip.size, 1, 1))
    return Ties(strip, line, sample, line_right, sample_right, np.zeros((strip.size, 2)), cov, {}), sweeps


def wandering(missing: int, strip: int = 2):  # type: ignore[no-untyped-def]
    return lambda k, line: 5 * np.sin(line / 260 + 2 * k) + (missing * (line >= AT) if k == strip else 0.0)


@pytest.mark.parametrize("missing", [3, -5, 20])
@pytest.mark.parametrize("turned", [-1, 2])
def test_ties_tell_that_a_strip_lacks_a_few_lines_or_shows_them_twice(missing: int, turned: int) -> None:
    """Three missing lines drew a strip's places half a px off, and 600 values of a map silently wrong."""
    (step,) = lag_steps(*ties(wandering(missing), turned), MM)
    assert step.strip == 2
    assert step.low < AT < step.high
    assert abs(step.lines - missing) < 4 * step.sigma < 2.5
    assert [lags.neighbour for lags in step.sides] == [1, 3]


def test_strips_that_wander_and_ties_that_err_show_no_jump() -> None:
    assert lag_steps(*ties(wandering(0), -1), MM) == ()
    assert lag_steps(*ties(wandering(0), -1, outlier=True), MM) == ()  # one neighbour alone says it


def edges(own_lines: np.ndarray, lines: float) -> tuple[LagStep, dict[int, EdgeProfiles]]:
    """What a strip and its neighbours show, where it shows so many lines of the film one after the other."""
    rng = np.random.default_rng(3)
    film = np.convolve(rng.normal(0, 400, N + 100), np.ones(5) / 2, "same")
    gone = np.zeros((2, N), np.bool_)
    shown = {1: np.arange(N), 2: own_lines[:N], 3: np.arange(N)}
    profiles = {
        k: EdgeProfiles(
            np.tile(np.interp(at, np.arange(N + 100), film), (2, 1)) + rng.normal(0, 20, (2, N)), gone, 20.0
        )
        for k, at in shown.items()
    }
    line = np.array([560.0, 600, 640, 680, 800, 840, 880, 920])
    lag = np.interp(line, np.arange(N), own_lines[:N] - np.arange(N))
    sides = tuple(Lags(k, line, lag, np.full(8, 0.05)) for k in (1, 3))
    return LagStep(2, 690, 790, lines, 0.3, sides, 0.01), profiles


@pytest.mark.parametrize("missing", [3, 20, -4])
def test_the_edges_tell_the_line_and_how_many_are_missing(missing: int) -> None:
    own = np.arange(N + 100) + 2 * np.sin(np.arange(N + 100) / 200)
    found = placed(*edges(np.concatenate([own[:AT], own[AT + missing :]]), missing + 0.4))
    assert found is not None
    assert (found.strip, found.missing, found.beside) == (2, missing, (1, 3))
    assert AT - 6 <= found.stop <= AT <= found.start <= AT + 6


def test_a_strip_that_wanders_quickly_is_not_parted() -> None:
    """As far as three lines within fifty: the lags between are seen, which no jump has."""
    own = np.arange(N + 100) + 1.5 * (1 + np.tanh((np.arange(N + 100) - AT) / 25))
    assert placed(*edges(own, 3.0)) is None
