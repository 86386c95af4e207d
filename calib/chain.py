"""Least squares with unknowns in a chain: those of each strip are coupled to its neighbours' and to shared unknowns.

The normal matrix is block-tridiagonal with a border, so elimination strip by strip is exact and cheap, and the blocks
of its inverse for one strip, two neighbours or the shared unknowns follow by back substitution. It proceeds from both
ends to the middle: the two halves are independent, so each can have its own thread.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from calib.coordinates import Array
from calib.definite import inverse_root
from calib.ordered import shared_out

SHARED_ROWS = 96  # average rows of a block, from which on the halves get their own threads


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
class ChainEstimate:
    """Unknowns by strip, shared unknowns, and the logarithm of the normal matrix's determinant."""

    unknowns: list[Array]
    shared: Array
    log_det: float


@dataclass(frozen=True, slots=True, eq=False)
class ChainVariances(ChainEstimate):
    """The estimate with the variances of all unknowns, by strip and shared."""

    variance: list[Array]
    variance_shared: Array


@dataclass(frozen=True, slots=True, eq=False)
class ChainSolution(ChainVariances):
    """The estimate with blocks of its covariance, shaped as in the normal equations; `cov_next` may be empty."""

    cov: list[Array]
    cov_next: list[Array]
    cov_border: list[Array]
    cov_shared: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Half:
    """Half of the strips, eliminated in order, each into the next and the last into the middle one.

    For each strip: the root of the inverse of its pivot, and the products of that root with its coupling to the next
    strip (`towards`, None if it is zero) and with its right sides (`halves`: the columns of the border, then the data).
    `off_block` and `off_right` are what the last strip subtracts from the middle strip's block and right sides.
    """

    strips: Sequence[int]
    roots: list[Array]
    towards: list[Array | None]
    halves: list[Array]
    off_block: Array
    off_right: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Factored:
    """Both halves and the middle strip, eliminated, with the solution for the shared unknowns."""

    parts: list[_Half]
    root: Array
    half: Array
    shared: Array
    cov_shared: Array
    log_det: float


def estimate_chain(normals: ChainNormals, threads: int = 1) -> ChainEstimate:
    """The unknowns without covariances, which is faster; errors as `solve_chain`."""
    threads = _worth(normals, threads)
    factored = _factored(normals, threads)
    solved = _solved(factored, len(normals.diagonal), threads)
    return ChainEstimate(_unknowns(solved, factored.shared), factored.shared, factored.log_det)


def variances_chain(normals: ChainNormals, threads: int = 1) -> ChainVariances:
    """The unknowns and their variances, without covariances; errors as `solve_chain`."""
    count, threads = len(normals.diagonal), _worth(normals, threads)
    factored = _factored(normals, threads)
    solved = _solved(factored, count, threads)
    middle = factored.root.T @ factored.root
    variance = [np.diag(middle).copy()] * count

    def invert(part: _Half) -> None:
        after = middle
        for k, root, ahead in zip(reversed(part.strips), reversed(part.roots), reversed(part.towards), strict=True):
            after, _ = _inverse_block(root, ahead, after)
            variance[k] = np.diag(after).copy()

    shared_out(invert, factored.parts, threads)
    return ChainVariances(
        unknowns=_unknowns(solved, factored.shared),
        shared=factored.shared,
        log_det=factored.log_det,
        variance=[
            own + np.einsum("np,np->n", x[:, :-1] @ factored.cov_shared, x[:, :-1])
            for own, x in zip(variance, solved, strict=True)
        ],
        variance_shared=np.diag(factored.cov_shared),
    )


def solve_chain(normals: ChainNormals, threads: int = 1, neighbours: bool = True) -> ChainSolution:
    """Solve bordered block-tridiagonal normal equations; covariances of neighbouring strips only with `neighbours`.

    A Cholesky factorisation by blocks. Blocks are so small that calls of LAPACK for each right side would dominate, so
    the factors of the diagonal are inverted once and then multiplied. The result does not depend on `threads`.
    Raises LinAlgError if the matrix is not nearly positive definite (`definite.inverse_root`).
    """
    count, threads = len(normals.diagonal), _worth(normals, threads)
    factored = _factored(normals, threads)
    solved = _solved(factored, count, threads)
    cov, cov_next = [np.empty(0)] * count, [np.empty(0)] * (count - 1 if neighbours else 0)
    cov[_middle(count)] = factored.root.T @ factored.root
    shared_out(partial(_invert, cov, cov_next), factored.parts, threads)
    gains = [x[:, :-1] @ factored.cov_shared for x in solved]

    def join_shared(k: int) -> None:
        cov[k] += gains[k] @ solved[k][:, :-1].T  # in place: these blocks take most of a fit's memory
        if k < len(cov_next):
            cov_next[k] += gains[k] @ solved[k + 1][:, :-1].T

    shared_out(join_shared, range(count), threads)
    return ChainSolution(
        unknowns=_unknowns(solved, factored.shared),
        shared=factored.shared,
        log_det=factored.log_det,
        variance=[np.diag(block) for block in cov],
        variance_shared=np.diag(factored.cov_shared),
        cov=cov,
        cov_next=cov_next,
        cov_border=[-gain for gain in gains],
        cov_shared=factored.cov_shared,
    )


def _worth(normals: ChainNormals, threads: int) -> int:
    """The number of threads to use: 1 for small blocks, which gain nothing from threads."""
    return threads if sum(map(len, normals.diagonal)) >= SHARED_ROWS * len(normals.diagonal) else 1


def _middle(count: int) -> int:
    """The strip where both halves meet; independent of the number of threads, so that results are."""
    return count // 2


def _factored(normals: ChainNormals, threads: int) -> _Factored:
    """Eliminate all strips, then solve for the shared unknowns."""
    count = len(normals.diagonal)
    middle = _middle(count)
    halves = [range(middle), range(count - 1, middle, -1)]
    parts = shared_out(lambda strips: _eliminated(normals, strips, middle), halves, threads)
    root = inverse_root(normals.diagonal[middle] - parts[0].off_block - parts[1].off_block)
    half = root @ (_right_sides(normals, middle) - parts[0].off_right - parts[1].off_right)
    everywhere = [*parts[0].halves, half, *parts[1].halves]
    schur = normals.shared - sum(h[:, :-1].T @ h[:, :-1] for h in everywhere)
    right = normals.right_shared - sum(h[:, :-1].T @ h[:, -1] for h in everywhere)
    last = inverse_root(schur)
    cov_shared = last.T @ last
    roots = [*parts[0].roots, root, *parts[1].roots, last]
    log_det = -2 * sum(float(np.log(np.diag(r)).sum()) for r in roots)
    return _Factored(parts, root, half, cov_shared @ right, cov_shared, log_det)


def _eliminated(normals: ChainNormals, strips: Sequence[int], middle: int) -> _Half:
    """Eliminate strips in the given order, the last into the `middle` one."""
    roots, towards, halves = [], [], []
    off_block: Array = np.zeros(1)
    off_right: Array = np.zeros(1)
    for k, after in pairwise([*strips, middle]):
        root = inverse_root(normals.diagonal[k] - off_block)
        half = root @ (_right_sides(normals, k) - off_right)
        ahead = _under_root(root, normals.next_to[k] if after > k else normals.next_to[after].T)
        if ahead is None:
            off_block, off_right = np.zeros(1), np.zeros(1)
        else:
            off_block, off_right = ahead.T @ ahead, ahead.T @ half
        roots.append(root)
        towards.append(ahead)
        halves.append(half)
    return _Half(strips, roots, towards, halves, off_block, off_right)


def _right_sides(normals: ChainNormals, strip: int) -> Array:
    """A strip's part of the border with its right-hand side as the last column."""
    return np.column_stack([normals.border[strip], normals.right[strip]])


def _under_root(root: Array, coupling: Array) -> Array | None:
    """The product of a lower triangular root with a strip's coupling to the next; None if the coupling is zero.

    Without ties most rows of the coupling are zero, which are skipped.
    """
    some = coupling.any(axis=1)
    if not some.all():
        return root[:, some] @ coupling[some] if some.any() else None
    half = len(root) // 2
    return np.concatenate([root[:half, :half] @ coupling[:half], root[half:] @ coupling])


def _times_root(root: Array, block: Array) -> Array:
    """The product of the transpose of a lower triangular root with a block."""
    half = len(root) // 2
    return np.concatenate([root[:, :half].T @ block, root[half:, half:].T @ block[half:]])


def _solved(factored: _Factored, count: int, threads: int) -> list[Array]:
    """Solutions for all right sides, by strip."""
    solved = [np.empty(0)] * count
    solved[_middle(count)] = factored.root.T @ factored.half

    def back(part: _Half) -> None:
        after = solved[_middle(count)]
        for i in reversed(range(len(part.strips))):
            ahead = part.towards[i]
            after = part.roots[i].T @ (part.halves[i] if ahead is None else part.halves[i] - ahead @ after)
            solved[part.strips[i]] = after

    shared_out(back, factored.parts, threads)
    return solved


def _unknowns(solved: list[Array], shared: Array) -> list[Array]:
    """The unknowns of the strips, given the shared ones."""
    return [s[:, -1] - s[:, :-1] @ shared for s in solved]


def _invert(cov: list[Array], cov_next: list[Array], part: _Half) -> None:
    """Set the blocks of the chain's inverse for the strips of a half, from the middle outwards, and those of neighbours
    unless `cov_next` is empty.

    The half's couplings and roots are released one by one, because they are as large as the results.
    """
    after = _middle(len(cov))
    for k in reversed(part.strips):
        cov[k], across = _inverse_block(part.roots.pop(), part.towards.pop(), cov[after])
        if cov_next:
            cov_next[min(k, after)] = across if after > k else np.ascontiguousarray(across.T)
        after = k


def _inverse_block(root: Array, ahead: Array | None, after: Array) -> tuple[Array, Array]:
    """A strip's block of the chain's inverse, and the block with the next strip, given that strip's own block."""
    own = root.T @ root
    if ahead is None:
        return own, np.zeros((len(root), len(after)))
    gain = _times_root(root, ahead)
    across = -gain @ after
    own -= across @ gain.T
    return own, across
