"""Which strips are checked against their overlaps, and which evidence is left out meanwhile."""

from types import SimpleNamespace

import numpy as np
import pytest

from calib.sweep import few_marks
from calib.sweep.evidence import ARM, EDGE, Observations
from calib.sweep.tables import GOOD, MarkTable
from calib.sweep.ties import NO_TIES

PLACED = ("the sweeps with ties",)


def marks(counts: list[int]) -> MarkTable:
    """A table of good marks, `counts` of them by strip."""
    strip = np.repeat(np.arange(len(counts)), counts)
    zero = np.zeros(strip.size)
    named = dict.fromkeys(MarkTable.__dataclass_fields__, zero)
    named |= {"strip": strip, "mark": np.arange(strip.size), "used": np.ones(strip.size, bool)}
    return MarkTable(**named | {"reason": (GOOD,) * strip.size})  # type: ignore[arg-type]


def evidence(kind: int, strips: int) -> Observations:
    zero, pair = np.zeros(strips), np.zeros((strips, 2))
    return Observations(
        kind=np.full(strips, kind), a=np.arange(strips), line_a=zero, sample_a=zero, line_b=zero, sample_b=zero,
        value=pair, information=np.tile(np.eye(2), (strips, 1, 1)), mark=np.full(strips, -1), per_power=zero,
    )  # fmt: skip


def placed(monkeypatch: pytest.MonkeyPatch, counts: list[int], weight: float = 0.0):  # type: ignore[no-untyped-def]
    """The result for strips with `counts` marks, each of this robust weight, and what the fits and ties were given."""
    seen, n = SimpleNamespace(), len(counts)
    fitted = SimpleNamespace(sweeps=PLACED, fit=None)

    def fit_marks(nominal, table, threads):  # type: ignore[no-untyped-def]
        seen.left = table.strip[table.used].tolist()
        return fitted

    def fit_all(nominal, before, others, *rest):  # type: ignore[no-untyped-def]
        seen.arms = others[0].a[others[0].kind == ARM].tolist()
        seen.borders = others[0].a[others[0].kind == EDGE].tolist()
        return fitted

    def measure_ties(read, sweeps, px_mm, seams, *rest):  # type: ignore[no-untyped-def]
        seen.seams = seams
        return NO_TIES

    monkeypatch.setattr(few_marks, "fit_marks", fit_marks)
    monkeypatch.setattr(few_marks, "fit_all", fit_all)
    monkeypatch.setattr(few_marks, "measure_ties", measure_ties)
    monkeypatch.setattr(few_marks, "tie_observations", lambda *args: None)
    monkeypatch.setattr(few_marks.markevidence, "observations", lambda table, *rest: (table, None))
    monkeypatch.setattr(few_marks, "prediction_weights", lambda fit, table, threads: np.full(table.used.sum(), weight))
    frame = SimpleNamespace(strips=range(n), camera=SimpleNamespace(format_mm=(1.0, 1.0)))
    nominal = SimpleNamespace(frame=frame, px_mm=np.ones(2))
    found = SimpleNamespace(table=marks(counts), place_sigma_mm=0.0)
    known = [evidence(EDGE, n), evidence(ARM, n)]
    by_ties = few_marks.placed_by_ties(nominal, (), found, known, 1)  # type: ignore[arg-type]
    return by_ties, seen


def test_strips_with_one_or_two_marks_are_placed_without_these_and_their_arms(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are placed by the seams on both sides and all other evidence; three marks check each other."""
    by_ties, seen = placed(monkeypatch, [5, 5, 2, 5, 5, 1, 3, 0])
    assert by_ties == PLACED
    assert np.bincount(seen.left, minlength=8).tolist() == [5, 5, 0, 5, 5, 0, 3, 0]
    assert seen.seams == [1, 2, 4, 5]
    assert seen.arms == [0, 1, 3, 4, 6, 7]
    assert seen.borders == list(range(8))


def test_marks_that_agree_with_their_overlaps_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    by_ties, seen = placed(monkeypatch, [5, 1, 5], weight=0.9)
    assert by_ties is None
    assert seen.seams == [0, 1]


@pytest.mark.parametrize("counts", [[5, 4, 0], [1, 2, 2, 0]])
def test_nothing_is_fitted_if_no_strip_has_few_marks_or_all_have(
    monkeypatch: pytest.MonkeyPatch, counts: list[int]
) -> None:
    """If all strips have few marks, none can be checked against the others."""
    by_ties, seen = placed(monkeypatch, counts)
    assert by_ties is None
    assert not vars(seen)
