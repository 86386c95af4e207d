"""Collects all evidence on a frame's tone, strip by strip: known film, and the overlap with the next strip."""

from collections.abc import Sequence

import numpy as np

from calib.ordered import shared_out
from calib.tone.adjust import Evidence, evidence_of
from calib.tone.cells import Cells, joined, select
from calib.tone.evidence import (
    OVERLAP_KIND,
    OverlapValues,
    errors_of,
    first_placing,
    kinds_of,
    known_side,
    known_values,
    overlap_sides,
    unscratched,
)
from calib.tone.frame_survey import FrameSurvey
from calib.tone.known_film import KnownFilm
from calib.tone.overlap import OverlapCells
from calib.tone.placing import Curves
from calib.tone.strokes import whole_strokes
from calib.tone.survey import StripSurvey


def frame_evidence(curves: Curves, known: KnownFilm, surveyed: FrameSurvey, threads: int) -> list[Evidence]:
    """Rows of all strips that are not lost: known film with strokes first, then overlaps."""

    def of_strip(survey: StripSurvey) -> Evidence | None:
        spoilt = np.append(survey.spoilt | ~np.isfinite(known.patch_density), False)
        label = np.where(survey.cells.label < known.n_patches, survey.cells.label, known.n_patches)
        cells = select(survey.cells, ~spoilt[label])
        first, n_samples = curves.first[survey.index], curves.layout.n_samples
        found = [select(cells, unscratched(first, cells, n_samples, known.fog_guess))]
        if known.stroke_density is not None:
            found.append(whole_strokes(first, survey.stroke_cells, survey.strokes.mark))
        some = [cells for cells in found if cells.dn.size]
        return _of_known_film(curves, known, survey.index, some) if some else None

    whole = [survey for survey in surveyed.surveys if not survey.is_lost]
    seams = enumerate(surveyed.overlaps)
    overlaps = [_of_overlap(curves, strip, shared) for strip, shared in seams if shared is not None]
    return [each for each in shared_out(of_strip, whole, threads) if each is not None] + overlaps


def _of_known_film(curves: Curves, known: KnownFilm, strip: int, parts: Sequence[Cells]) -> Evidence:
    """Evidence of cells of known density; each part is placed on its own at first."""
    first = [first_placing(curves.first[strip], cells, curves.layout.n_samples) for cells in parts]
    cells = joined(parts)
    values = known_values(curves, known, strip, cells)
    sides = (known_side(curves, strip, cells, values.measured),)
    error = errors_of(curves.layout, cells)
    return evidence_of(curves, sides, kinds_of(cells), error, values.at, (np.concatenate(first),))


def _of_overlap(curves: Curves, strip: int, shared: OverlapCells) -> Evidence:
    kind = np.full(shared.sigma.size, OVERLAP_KIND, dtype=np.int8)
    both, values = (shared.density, shared.next_density), OverlapValues(shared)
    return evidence_of(curves, overlap_sides(curves, strip, shared), kind, None, values.at, both)
