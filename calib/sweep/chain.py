"""Least squares with unknowns in a chain: each strip's unknowns meet its neighbours' and a few that all strips share.

The normal matrix is block-tridiagonal with a border, so elimination strip by strip is exact and cheap, and the parts
of its inverse that belong to one strip, to two neighbours or to the shared unknowns follow on the way back.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dtrtri

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
    """Solve bordered block-tridiagonal normal equations; LinAlgError if the matrix is not positive definite.

    A Cholesky factorisation by blocks. The blocks are small beside what calling LAPACK costs for each right side, so
    the factors of the diagonal are inverted once and then multiplied with.
    """
    count = len(normals.diagonal)
    rights = [np.column_stack([c, g]) for c, g in zip(normals.border, normals.right, strict=True)]
    meeting = [_rows_that_count(block) for block in normals.next_to]
    couplings = [block[rows] for block, rows in zip(normals.next_to, meeting, strict=True)]
    roots, halves = [], []
    pivot = normals.diagonal[0]
    for k in range(count):
        roots.append(_inverse_root(pivot))
        halves.append(roots[k] @ rights[k])
        if k + 1 < count:
            coupling = roots[k][:, meeting[k]] @ couplings[k]
            rights[k + 1] = rights[k + 1] - coupling.T @ halves[k]
            pivot = normals.diagonal[k + 1] - coupling.T @ coupling
    solved = [root.T @ half for root, half in zip(roots, halves, strict=True)]
    inverse = [root.T @ root for root in roots]
    inverse_next = [np.empty(0)] * (count - 1)
    for k in reversed(range(count - 1)):
        towards = inverse[k][:, meeting[k]]
        solved[k] = solved[k] - towards @ (couplings[k] @ solved[k + 1])
        inverse_next[k] = -towards @ (couplings[k] @ inverse[k + 1])
        inverse[k] -= (inverse_next[k] @ couplings[k].T) @ towards.T
    log_det = -2 * sum(float(np.log(np.diag(root)).sum()) for root in roots)
    return _with_border(normals, solved, halves, inverse, inverse_next, log_det)


def _rows_that_count(block: Array) -> NDArray[np.int64] | slice:
    """Rows that are not all zero: without ties few of a strip's unknowns meet the next strip's."""
    some = block.any(axis=1)
    return slice(None) if some.all() else np.flatnonzero(some)


def _inverse_root(matrix: Array) -> Array:
    """Lower triangular R, R^T R the inverse of a positive definite matrix."""
    factor, failed = dpotrf(matrix.T, lower=1, clean=1)  # transposed it is the same, in the order LAPACK reads
    if failed:
        raise np.linalg.LinAlgError("the normal equations are not positive definite")
    return np.asarray(dtrtri(factor, lower=1, overwrite_c=1)[0])


def _with_border(
    normals: ChainNormals,
    solved: list[Array],
    halves: list[Array],
    inverse: list[Array],
    inverse_next: list[Array],
    log_det: float,
) -> ChainSolution:
    """Join the shared unknowns to the chain solved for them (columns of `solved` and of `halves`, the right sides under
    the roots: the border's, then the data's; `log_det` of the chain alone)."""
    spread = [s[:, :-1] for s in solved]
    schur = normals.shared - sum(h[:, :-1].T @ h[:, :-1] for h in halves)
    right = normals.right_shared - sum(h[:, :-1].T @ h[:, -1] for h in halves)
    schur = (schur + schur.T) / 2
    cov_shared = np.asarray(np.linalg.inv(schur), np.float64)
    shared = cov_shared @ right
    for k, x in enumerate(spread):  # in place: these blocks are most of what a fit holds in memory
        gain = x @ cov_shared
        inverse[k] += gain @ x.T
        if k + 1 < len(spread):
            inverse_next[k] += gain @ spread[k + 1].T
    return ChainSolution(
        unknowns=[s[:, -1] - x @ shared for s, x in zip(solved, spread, strict=True)],
        shared=shared,
        cov=inverse,
        cov_next=inverse_next,
        cov_border=[-x @ cov_shared for x in spread],
        cov_shared=cov_shared,
        log_det=log_det + float(np.linalg.slogdet(schur)[1]),
    )
