"""Boxes of fixed thrust and ramp that together hold every driven build, at each branch and position."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.workers import parallel
from solver.balance import DrivenSide

__all__ = ["boxes"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_FINEST = 64  # cells along each of fixed thrust and ramp, to begin with


def boxes(side: DrivenSide, most: int) -> tuple[DrivenSide, DrivenSide]:
    """Least and largest corners of boxes that hold all driven builds.

    Builds are sorted into cells of equal step in the logarithms of fixed thrust and ramp, and neighbouring cells are
    joined until no more than `most` hold a build. The corners are the extremes of the builds in a cell, so how the
    cells are laid decides how close the boxes are, not whether they hold every build.

    Parameters
    ----------
    side : DrivenSide
        m builds, shape (m, 2, n).
    most : int
        Boxes at each branch and position, at most; at least 1.

    Returns
    -------
    tuple of two DrivenSides
        Shape (b, 2, n), the last box repeated where there are fewer.
    """
    shape = side.fixed.shape[1:]
    fixed, ramp = (each.reshape(len(each), -1).T for each in (side.fixed, side.per_pull))
    found = list(parallel(lambda column: _column(fixed[column], ramp[column], most), len(fixed)))
    wide = max(one.shape[1] for one in found)
    padded = np.stack([np.pad(one, ((0, 0), (0, wide - one.shape[1])), mode="edge") for one in found], axis=2)
    low_fixed, low_ramp, high_fixed, high_ramp = padded.reshape(4, wide, *shape)
    return DrivenSide(low_fixed, low_ramp), DrivenSide(high_fixed, high_ramp)


def _column(fixed: Array, ramp: Array, most: int) -> Array:
    """Boxes of one branch and position: least fixed thrust and ramp, largest fixed thrust and ramp, shape (4, b)."""
    across, along = _steps(fixed, ramp)
    code = across * _FINEST + along
    held = (np.bincount(code, minlength=_FINEST**2) > 0).reshape(_FINEST, _FINEST)
    joined, axis = [0, 0], 0
    while held.sum() > most:
        held = held[::2] | held[1::2] if axis == 0 else held[:, ::2] | held[:, 1::2]
        joined[axis] += 1
        axis = 1 - axis
    code = (across >> joined[0]) * held.shape[1] + (along >> joined[1])
    box = (np.cumsum(held.ravel()) - 1)[code]
    ends = np.full((4, int(held.sum())), np.inf)
    ends[2:] = -np.inf
    for row, (pick, values) in enumerate(
        ((np.minimum, fixed), (np.minimum, ramp), (np.maximum, fixed), (np.maximum, ramp))
    ):
        pick.at(ends[row], box, values)
    return ends


def _steps(fixed: Array, ramp: Array) -> tuple[Index, Index]:
    """Number of the cell of each build along fixed thrust and along ramp; both have the same logarithmic step."""
    scaled = [np.log1p(np.maximum(each, 0.0) / (float(np.abs(each).mean()) or 1.0)) for each in (fixed, ramp)]
    step = max(float(np.ptp(each)) for each in scaled) * (1 + 1e-9) / _FINEST or 1.0
    first, second = (((each - each.min()) / step).astype(np.intp) for each in scaled)
    return np.minimum(first, _FINEST - 1), np.minimum(second, _FINEST - 1)
