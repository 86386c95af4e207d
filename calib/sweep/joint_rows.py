"""Transforms rows of the sweep's design to a strip's joint terms, one by one.

If rows are fewer than the splines, this costs less than sums over splines, most of which no row touches.
"""

from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.sweep.layout import Columns, Layout
from calib.sweep.rows import Rows, spline_values

JointRows = tuple[Array, Array]
"""Rows (N, few terms + unknowns of the wander) in a strip's joint terms, for x and for y."""


def joint_rows(layout: Layout, strip: int, rows: Rows) -> JointRows:
    """A strip's rows in its joint terms, by axis."""
    x, y = (np.hstack([rows.few, spline_values(rows.cell, rows.weight, modes)]) for modes in layout.wander[strip])
    return x, y


@dataclass(frozen=True, slots=True, eq=False)
class FewRows:
    """Rows of observations in one strip (`left` and `right` the same object) or in two, with the weighted
    `information` (N, 2, 2)."""

    left: JointRows
    right: JointRows
    information: Array

    def sums(self, here: Columns, there: Columns) -> Array:
        """Weighted sums of products of the left strip's joint terms with the right one's, with a last row and column
        of zeros: (n_joint + 1, n_joint + 1)."""
        joint = np.zeros((here.n_joint + 1, there.n_joint + 1))
        for i, left in enumerate(self.left):
            for j, right in enumerate(self.right):
                if self.left is self.right and i > j:
                    joint[here.half(i), here.half(j)] = joint[here.half(j), here.half(i)].T
                    continue
                factor = self.information[:, i, j]
                seen = np.flatnonzero(factor)
                joint[here.half(i), there.half(j)] = (left[seen] * factor[seen, None]).T @ right[seen]
        return joint
