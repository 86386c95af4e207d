"""Rows of the sweep's design taken to a strip's joint terms one by one: where they are fewer than the splines, the
sums over splines, most of which no row touches, would cost more.
"""

from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.sweep.layout import Columns, Layout
from calib.sweep.rows import Rows, spline_values

JointRows = tuple[Array, Array]
"""Rows (N, few terms + unknowns of the wander) in a strip's joint terms, by axis."""


def joint_rows(layout: Layout, strip: int, rows: Rows) -> JointRows:
    """Rows of a strip in its joint terms."""
    x, y = (np.hstack([rows.few, spline_values(rows.cell, rows.weight, modes)]) for modes in layout.wander[strip])
    return x, y


@dataclass(frozen=True, slots=True, eq=False)
class FewRows:
    """Evidence in a strip, the same left and right, or in two, with its `information` (N, 2, 2) as it is to count."""

    left: JointRows
    right: JointRows
    information: Array

    def sums(self, here: Columns, there: Columns) -> Array:
        """Sums over the joint terms of the left strip times those of the right; and a row and a column of zeros."""
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
