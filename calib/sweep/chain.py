"""Least squares with unknowns in a chain: each strip's unknowns meet its neighbours' and a few that all strips share.

The normal matrix is block-tridiagonal with a border, so elimination strip by strip is exact and cheap, and the parts
of its inverse that belong to one strip, to two neighbours or to the shared unknowns follow on the way back.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class ChainNormals:
    """Normal equations: `diagonal[k]` (n_k, n_k), `next_to[k]` (n_k, n_k+1), `border[k]` (n_k, m), `shared` (m, m)."""

    diagonal: list[Array]
    next_to: list[Array]
    border: list[Array]
    shared: Array
    right: list[Array]
    right_shared: Array


@dataclass(frozen=True, slots=True, eq=False)
class ChainSolution:
    """Unknowns and the blocks of their covariance, shaped like the normal equations' blocks; and the logarithm of the
    normal matrix's determinant."""

    unknowns: list[Array]
    shared: Array
    cov: list[Array]
    cov_next: list[Array]
    cov_border: list[Array]
    cov_shared: Array
    log_det: float


def solve_chain(normals: ChainNormals) -> ChainSolution:
    """Solve bordered block-tridiagonal normal equations; the matrix must be positive definite."""
    count = len(normals.diagonal)
    rights = [np.column_stack([c, g]) for c, g in zip(normals.border, normals.right, strict=True)]
    factors, gains = [], []
    pivot = normals.diagonal[0]
    for k in range(count):
        factors.append(cho_factor(pivot, lower=True))
        if k + 1 < count:
            gains.append(cho_solve(factors[k], normals.next_to[k]))
            rights[k + 1] = rights[k + 1] - gains[k].T @ rights[k]
            pivot = normals.diagonal[k + 1] - normals.next_to[k].T @ gains[k]
    solved = [np.empty(0)] * count
    inverse = [np.empty(0)] * count
    inverse_next = [np.empty(0)] * (count - 1)
    for k in reversed(range(count)):
        solved[k] = cho_solve(factors[k], rights[k])
        inverse[k] = cho_solve(factors[k], np.eye(len(rights[k])))
        if k + 1 < count:
            solved[k] = solved[k] - gains[k] @ solved[k + 1]
            inverse_next[k] = -gains[k] @ inverse[k + 1]
            inverse[k] = inverse[k] - inverse_next[k] @ gains[k].T
    log_det = 2 * sum(float(np.log(np.diag(factor)).sum()) for factor, _ in factors)
    return _with_border(normals, solved, inverse, inverse_next, log_det)


def _with_border(
    normals: ChainNormals, solved: list[Array], inverse: list[Array], inverse_next: list[Array], log_det: float
) -> ChainSolution:
    """Join the shared unknowns to the chain solved for them (columns of `solved`: the border's, then the data's;
    `log_det` of the chain alone)."""
    spread = [s[:, :-1] for s in solved]
    schur = normals.shared - sum(c.T @ x for c, x in zip(normals.border, spread, strict=True))
    right = normals.right_shared - sum(c.T @ s[:, -1] for c, s in zip(normals.border, solved, strict=True))
    schur = (schur + schur.T) / 2
    cov_shared = np.asarray(np.linalg.inv(schur), np.float64)
    shared = cov_shared @ right
    return ChainSolution(
        unknowns=[s[:, -1] - x @ shared for s, x in zip(solved, spread, strict=True)],
        shared=shared,
        cov=[v + x @ cov_shared @ x.T for v, x in zip(inverse, spread, strict=True)],
        cov_next=[v + spread[k] @ cov_shared @ spread[k + 1].T for k, v in enumerate(inverse_next)],
        cov_border=[-x @ cov_shared for x in spread],
        cov_shared=cov_shared,
        log_det=log_det + float(np.linalg.slogdet(schur)[1]),
    )
