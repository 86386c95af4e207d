"""What the evidence says beyond the fit: of all kinds, scattered as their sigmas say, of the right sign."""

from dataclasses import replace

import numpy as np
import pytest
from frames import altered, fit, fit_of_made, made

from calib.tone.evidence import FOG_KIND, OVERLAP_KIND, PATCH_KIND, STROKE_KIND
from calib.tone.model import RESIDUAL_KINDS


def test_kinds_have_the_names_of_the_evidence() -> None:
    named = {RESIDUAL_KINDS[k]: k for k in (PATCH_KIND, FOG_KIND, STROKE_KIND, OVERLAP_KIND)}
    assert named == {"wedge patches": 0, "unexposed film": 1, "reseau strokes": 2, "overlaps": 3}
    assert len(RESIDUAL_KINDS) == len(named)


def test_residuals_scatter_as_their_sigmas_say() -> None:
    """68.3 % within 1 sigma, or a little more: each sample's banding takes up one in about fifteen of its cells."""
    found = fit_of_made().residuals
    for kind in range(len(RESIDUAL_KINDS)):
        z = found.residual_density[found.kind == kind] / found.sigma_density[found.kind == kind]
        assert z.size > 500
        assert abs(np.mean(z)) < 4 / np.sqrt(z.size)
        most = (
            0.9 if kind == STROKE_KIND else 0.78
        )  # strokes' sigmas hold what the blur may be, which here is as common
        assert 0.62 < np.mean(np.abs(z) < 1) < most
    assert np.all(found.sigma_density > 0)


def test_a_patch_with_a_smear_on_some_columns_reads_too_dense_there_by_the_smear() -> None:
    """Measured less fitted: the smear's DN times the curve's slope, less what the columns' banding takes."""
    frame, truth = made()
    y_mm, smear_dn = truth.layout.patches.y_mm[3], 900
    where = slice(20, 50)

    def smeared(strip: int, dn: np.ndarray) -> np.ndarray:
        if strip == 2:
            y = truth.strips[2].y_line_mm
            lines = (y > y_mm[0]) & (y < y_mm[1])
            dn[lines, where] = np.minimum(dn[lines, where].astype(int) + smear_dn, 65000)
        return dn

    clean, found = fit_of_made(), fit(altered(frame, smeared), truth)
    level = clean.patches.density[3]
    table = clean.strips[2].density_of_dn.astype(float)
    at = int(np.abs(table - level).argmin())
    smear = table[min(at + smear_dn, 65535)] - table[at]
    r = found.residuals
    here = (r.strip == 2) & (r.kind == PATCH_KIND) & (np.abs(r.density - level) < 0.1)
    high = np.sort(r.residual_density[here] * np.sign(smear))[-(where.stop - where.start) :]
    assert 0.6 * abs(smear) < np.median(high) < 1.5 * abs(smear)


def test_without_any_wedge_there_are_none_and_lengths_must_agree() -> None:
    frame, truth = made()
    none = fit(altered(frame, lambda _, dn: np.full_like(dn, 30000)), truth).residuals
    assert none.strip.size == 0
    with pytest.raises(ValueError, match="density must have shape"):
        replace(none, density=np.zeros(3))
