"""Sparse rows of the sweep's design matrix, and sums over their products.

A strip's departure along either axis is linear in *terms*: a `few` smooth functions of the place, with an indicator for
each mark whose stated place is an unknown, and the uniform cubic B-splines of the line, of which a row has four. Both
axes use the same terms; `layout` assigns the unknowns. The fit only needs sums over the rows. They are taken here, in
compiled code, so that no matrix of evidence times unknowns is ever stored.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array

REACH = 4  # cubic B-splines that are not 0 at a place
AXES = ((0, 0), (0, 1), (1, 1))  # entries of an observation's information, by plane


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Terms of N places in one strip: `few` (N, f), and `weight` (N, REACH) of the splines from number `cell` (N,)
    on."""

    few: Array
    cell: NDArray[np.int64]
    weight: Array

    def __len__(self) -> int:
        return self.cell.size


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """A matrix over the terms of a left and a right strip, in P planes.

    `few` (P, f_left, f_right): few terms with few terms.
    `left` (P, splines, f_right), `right` (P, splines, f_left): that strip's splines with the other's few terms.
    `near` (P, splines, width): the left strip's splines with the right one's from spline `low` (splines,) on. A row has
        adjacent splines only, so this part is a band.
    """

    few: Array
    left: Array
    right: Array
    near: Array
    low: NDArray[np.int64]


def empty_products(planes: int, n_few: tuple[int, int], band: tuple[NDArray[np.int64], int]) -> Products:
    """Zeros for two strips with `n_few` (left, right) few terms; `band` is `low` and the width (`band_of`)."""
    low, width = band
    n, (n_left, n_right) = low.size, n_few
    return Products(
        np.zeros((planes, n_left, n_right)), np.zeros((planes, n, n_right)), np.zeros((planes, n, n_left)),
        np.zeros((planes, n, width)), low,
    )  # fmt: skip


def band_of(left: Rows, right: Rows, n_splines: int) -> tuple[NDArray[np.int64], int]:
    """For each spline of the left strip the first of the right strip's that occurs with it in a row (n_splines,), and
    the width of the band."""
    low, high = np.full(n_splines, n_splines), np.zeros(n_splines, np.int64)
    _widen(low, high, left.cell, left.weight, right.cell)
    width = max(int((high - low).max()), REACH)
    return np.minimum(low, n_splines - width), width


@njit(cache=True, nogil=True)
def _widen(low, high, cell_a, weight_a, cell_b):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Widen the band to include the splines of all rows, in place."""
    for n in range(cell_a.size):
        for c in range(REACH):
            if weight_a[n, c] != 0.0:
                low[cell_a[n] + c] = min(low[cell_a[n] + c], cell_b[n])
                high[cell_a[n] + c] = max(high[cell_a[n] + c], cell_b[n] + REACH)


@njit(cache=True, nogil=True)
def spline_weights(length: int, points: int, index: Array) -> tuple[NDArray[np.int64], Array]:
    """First spline (N,) and weights (N, REACH) of the uniform cubic B-splines at indices (N,) of 0 .. length-1.

    The splines have `points` knots from the first index to the last and are extrapolated linearly.
    """
    cell, weight = np.empty(index.size, np.int64), np.empty((index.size, REACH))
    step = (length - 1.0) / (points - 1)
    for n in range(index.size):
        inside = min(max(index[n], 0.0), length - 1.0)
        at = min(int(inside / step), points - 2)
        u, beyond = inside / step - at, (index[n] - inside) / step
        v = 1.0 - u
        cell[n] = at
        weight[n, 0] = v**3 / 6 - beyond * v**2 / 2
        weight[n, 1] = (3 * u**3 - 6 * u**2 + 4) / 6 + beyond * (3 * u**2 - 4 * u) / 2
        weight[n, 2] = (3 * v**3 - 6 * v**2 + 4) / 6 - beyond * (3 * v**2 - 4 * v) / 2
        weight[n, 3] = u**3 / 6 + beyond * u**2 / 2
    return cell, weight


@njit(cache=True, nogil=True)
def spline_values(cell: NDArray[np.int64], weight: Array, coefficients: Array) -> Array:
    """Values (N, m) of m curves with B-spline `coefficients` (points + 2, m), from `spline_weights`."""
    values = np.zeros((cell.size, coefficients.shape[1]))
    for n in range(cell.size):
        for j in range(REACH):
            for m in range(coefficients.shape[1]):
                values[n, m] += weight[n, j] * coefficients[cell[n] + j, m]
    return values


def add_products(sums: Products, left: Rows, right: Rows, information: Array) -> None:
    """Add the sums of terms times terms over N observations, weighted by their `information` (N, 2, 2), by plane.

    For a strip with itself, `left` and `right` are the same rows, and `sums.left` is used as `sums.right` too.
    """
    for plane, (i, j) in enumerate(AXES):
        factor = information[:, i, j]
        if np.any(factor):
            sums.few[plane] += (left.few * factor[:, None]).T @ right.few
    splines = sums.left, sums.right, sums.near, sums.low
    _add_splines(splines, _terms(left), _terms(right), information, right is left)


def _terms(rows: Rows) -> tuple[Array, NDArray[np.int64], Array]:
    """The arrays of rows, for compiled code."""
    return rows.few, rows.cell, rows.weight


@njit(cache=True, nogil=True)
def _add_splines(splines, left, right, information, is_same):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add splines times few terms and splines times splines, plane by plane; `of_right` unless `is_same` strip."""
    of_left, of_right, near, low = splines
    (few_a, cell_a, weight_a), (few_b, cell_b, weight_b) = left, right
    for plane in range(len(AXES)):
        i, j = plane // 2, (plane + 1) // 2  # AXES[plane]
        for n in range(cell_a.size):
            factor = information[n, i, j]
            for c in range(REACH if factor != 0.0 else 0):
                scaled, row = factor * weight_a[n, c], cell_a[n] + c
                if scaled != 0.0:  # splines with weight 0 may lie outside the band
                    first = cell_b[n] - low[row]
                    for d in range(REACH):
                        near[plane, row, first + d] += scaled * weight_b[n, d]
                    for d in range(few_b.shape[1]):
                        of_left[plane, row, d] += scaled * few_b[n, d]
                if not is_same:
                    scaled, row = factor * weight_b[n, c], cell_b[n] + c
                    for d in range(few_a.shape[1]):
                        of_right[plane, row, d] += scaled * few_a[n, d]


@njit(cache=True, nogil=True)
def add_to_splines(out, cell, weight, factor):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add the spline weights of N rows times `factor` (N, 2) to `out` (n_splines, 2)."""
    for n in range(cell.size):
        for c in range(REACH):
            out[cell[n] + c, 0] += factor[n, 0] * weight[n, c]
            out[cell[n] + c, 1] += factor[n, 1] * weight[n, c]


def bilinear_forms(products: Products, plane: int, left: Rows, right: Rows) -> Array:
    """The bilinear forms (N,): left row times one plane of `products` times right row, for N observations."""
    p = products
    across, splines = left.few @ p.few[plane], (p.left[plane], p.right[plane], p.near[plane], p.low)
    return np.asarray(_bilinear_forms(across, splines, _terms(left), _terms(right)))


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _bilinear_forms(across, splines, left, right):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The bilinear forms (N,) from their four parts; `across` (N, f_right): left few terms times `Products.few`."""
    of_left, of_right, near, low = splines
    (few_a, cell_a, weight_a), (few_b, cell_b, weight_b) = left, right
    out = np.empty(cell_a.size)
    for n in range(cell_a.size):
        total = 0.0
        a, b = cell_a[n], cell_b[n]
        for d in range(few_b.shape[1]):
            spline = 0.0
            for c in range(REACH):
                spline += weight_a[n, c] * of_left[a + c, d]
            total += (across[n, d] + spline) * few_b[n, d]
        for d in range(few_a.shape[1]):
            spline = 0.0
            for c in range(REACH):
                spline += weight_b[n, c] * of_right[b + c, d]
            total += spline * few_a[n, d]
        for c in range(REACH):
            for d in range(REACH if weight_a[n, c] != 0.0 else 0):
                total += weight_a[n, c] * weight_b[n, d] * near[a + c, b + d - low[a + c]]
        out[n] = total
    return out


@njit(cache=True, nogil=True)
def band_product(near, low, full):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The product (splines, m) of a band (`Products.near`, `low`) with a full matrix."""
    out = np.zeros((low.size, full.shape[1]))
    for i in range(low.size):
        for j in range(near.shape[1]):
            if near[i, j] != 0.0:
                for m in range(full.shape[1]):
                    out[i, m] += near[i, j] * full[low[i] + j, m]
    return out


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def band_of_product(near, low, left, right):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill the band `near` of the product of `left` (splines, m) with the transpose of `right` (splines, m)."""
    for i in range(low.size):
        for j in range(near.shape[1]):
            total = 0.0
            for m in range(left.shape[1]):
                total += left[i, m] * right[low[i] + j, m]
            near[i, j] = total
