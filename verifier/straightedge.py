"""A straightedge laid over a profile: the largest gap beneath it between the two points it rests on.

The edge (3 m in EN 13036-7) may lie anywhere along the profile; in each place it rests on two high points, and the gap
is measured between them, at right angles to the edge, which at these slopes is the height itself. Ends that stand free
are not counted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STRAIGHTEDGE_MM = 3000.0
"""Length of the straightedge of EN 13036-7."""


def straightedge_gap(position_mm: Array, height_mm: Array, length_mm: float = STRAIGHTEDGE_MM) -> Array:
    """Largest gap [mm] under a straightedge anywhere on a profile, shape (D,).

    Args:
        position_mm: positions along the profile, strictly rising, shape (N,).
        height_mm: heights at them, one profile a row, shape (D, N).
        length_mm: length of the straightedge.

    Any two points no further apart than the edge is long carry it if no point between them is higher than the line
    through them. Heights 0, 0, -1, -4, -1, 0, 0 mm at 0 to 3 m give 4 mm.
    """
    gap = np.zeros(len(height_mm))
    for i in range(len(position_mm) - 2):
        for j in range(i + 2, len(position_mm)):
            if position_mm[j] - position_mm[i] <= length_mm * (1.0 + 1e-9):
                np.maximum(gap, _gap_between(position_mm, height_mm, i, j), out=gap)
    return gap


def _gap_between(position_mm: Array, height_mm: Array, i: int, j: int) -> Array:
    """Largest gap under the line through points i and j; 0 where a point between them stands above it."""
    share = (position_mm[i + 1 : j] - position_mm[i]) / (position_mm[j] - position_mm[i])
    line = height_mm[:, [i]] * (1.0 - share) + height_mm[:, [j]] * share
    below = line - height_mm[:, i + 1 : j]
    return np.asarray(np.where((below >= 0.0).all(axis=1), below.max(axis=1), 0.0))
