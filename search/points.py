"""The duty points that carry time: what bounds and terms are summed over."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.workers import parallel_slices
from solver import balance
from solver.balance import DrivenSide
from solver.belt_grip import Grip
from solver.belt_path import ShiftPath
from solver.drivetrain import Drivetrain

__all__ = ["DutyPoints", "duty_points"]

Array = NDArray[np.float64]

_VALUES = 60_000  # duty points of driven builds worked on at once; about what stays in cache


@dataclass(frozen=True)
class DutyPoints:
    """Torque levels and positions in which the machine spends time; the rest is cut away.

    Attributes
    ----------
    positions : ndarray of bool, shape (n,)
        Which positions are kept.
    levels : ndarray, shape (m,) [-]
    weights : ndarray, shape (2, m, n) [-]
        Share of time, over all grounds.
    used : ndarray of bool, shape (2, m, n)
        Duty points with weight.
    path : ShiftPath
    grip : Grip
    """

    positions: NDArray[np.bool_]
    levels: Array
    weights: Array
    used: NDArray[np.bool_] = field(repr=False)
    path: ShiftPath = field(repr=False)
    grip: Grip = field(repr=False)

    @property
    def share(self) -> Array:
        """Weight of each duty point, shape (j,)."""
        return self.weights[self.used]

    def pull(self, torque: Any) -> Array:
        """Belt pull at a full-throttle torque (scalar, or over branch, level, position) [N]."""
        return np.asarray(self.levels[:, None] * torque / self.path.drive_radius)

    def spread(self, values: Array) -> Array:
        """Values of the duty points, shape (j,), on the grid of branch, level and position; zero elsewhere."""
        grid = np.zeros(self.used.shape)
        grid[self.used] = values
        return grid

    def per_branch(self, values: Array) -> Array:
        """Values over (..., branch, position) at each duty point, shape (..., j)."""
        branch, _, position = np.nonzero(self.used)
        return values[..., branch, position]

    def needed(self, side: DrivenSide, pull: Array) -> Array:
        """Drive thrust that driven builds need at the duty points, shape (m, j) [N]."""
        side = side[..., self.positions]
        out = np.empty((len(side.fixed), int(self.used.sum())))

        def work(rows: slice) -> None:
            out[rows] = balance.needed_drive_thrust(side[rows], pull, self.grip)[:, self.used]

        parallel_slices(work, len(out), max(1, _VALUES // self.used.size))
        return out


def duty_points(drivetrain: Drivetrain) -> DutyPoints:
    """The part of a duty that carries time."""
    weights = drivetrain.duty.weights.sum(axis=0)
    used = weights > 0
    positions, rungs = used.any(axis=(0, 1)), used.any(axis=(0, 2))
    return DutyPoints(
        positions=positions,
        levels=drivetrain.duty.levels[rungs],
        weights=weights[:, rungs][..., positions],
        used=used[:, rungs][..., positions],
        path=drivetrain.path.at(positions),
        grip=drivetrain.grip.at(positions),
    )
