"""The operating points of a duty, with all that a balance or a bound needs there brought to them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from search.workers import parallel_slices
from solver import balance
from solver.balance import DrivenSide
from solver.belt_path import ShiftPath
from solver.drivetrain import Drivetrain
from solver.engine import EngineCurve
from solver.grip import Grip
from solver.points import UPSHIFT, Points, along

__all__ = ["DutyPoints", "duty_points", "limit_points", "position_sweeps"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_VALUES = 60_000  # duty points of driven builds worked on at once; about what stays in cache


@dataclass(frozen=True)
class DutyPoints:
    """Where the machine spends its time, every array with the points as its last axis.

    Attributes
    ----------
    points : Points
    target : ndarray, shape (j,) [rad/s]
        Engine speed wanted there.
    weights : ndarray, shape (j,) [-]
        Share of time, over all grounds.
    by_ground : ndarray, shape (grounds, j) [-]
        Share of time on each ground.
    sweeps : ndarray, shape (j,) [1/s]
        Load changes that pass.
    path : ShiftPath
    grip : Grip
    engine : EngineCurve
    """

    points: Points
    target: Array
    weights: Array
    by_ground: Array = field(repr=False)
    sweeps: Array = field(repr=False)
    path: ShiftPath = field(repr=False)
    grip: Grip = field(repr=False)
    engine: EngineCurve = field(repr=False)

    def __len__(self) -> int:
        return len(self.points)

    def pull(self, speed: Array) -> Array:
        """Belt pull at an engine speed, shape (..., j) [N]."""
        return np.asarray(self.points.level * self.engine.at(speed) / self.path.drive_radius + self.points.held)

    def heaviest(self, share: float) -> DutyPoints:
        """The fewest points that carry a share of the time [-], in their order."""
        order = np.argsort(-self.weights, kind="stable")
        enough = int(np.searchsorted(np.cumsum(self.weights[order]), share * self.weights.sum())) + 1
        kept = np.sort(order[:enough])
        whole, of_points = self.points, ("target", "weights", "sweeps")
        return replace(
            self,
            points=Points(whole.branch[kept], whole.position[kept], whole.level[kept], whole.held[kept]),
            by_ground=self.by_ground[:, kept],
            path=self.path.at(kept),
            grip=self.grip.of(kept),
            **{name: getattr(self, name)[kept] for name in of_points},
        )

    @cached_property
    def pushes(self) -> tuple[Index, Index]:
        """Branches and positions at which there are points, each pair once, shape (p,) each."""
        return self._pushes[0], self._pushes[1]

    @cached_property
    def push(self) -> Index:
        """Number of each point's branch and position among the pushes, shape (j,)."""
        return self._pushes[2]

    @cached_property
    def _pushes(self) -> tuple[Index, Index, Index]:
        pairs, number = np.unique(np.stack([self.points.branch, self.points.position]), axis=1, return_inverse=True)
        return pairs[0], pairs[1], number.reshape(-1)

    @property
    def belt_speed(self) -> Array:
        """Belt speed at the target engine speed, shape (j,) [m/s]."""
        return np.asarray(self.target * self.path.drive_radius)

    def needed(self, side: DrivenSide, pull: Array) -> Array:
        """Drive thrust that driven builds, over branches and positions, need at the points, shape (m, j) [N]."""
        out = np.empty((len(side.fixed), len(self)))

        def work(rows: slice) -> None:
            out[rows] = balance.needed_drive_thrust(side[rows].at(self.points), pull, self.grip)

        parallel_slices(work, len(out), max(1, _VALUES // len(self)))
        return out


def duty_points(drivetrain: Drivetrain) -> DutyPoints:
    """The points of a duty, with path and belt brought to them."""
    duty = drivetrain.duty
    return DutyPoints(
        points=duty.points,
        target=duty.target_speed,
        weights=duty.weights.sum(axis=0),
        by_ground=duty.weights,
        sweeps=duty.sweeps,
        path=drivetrain.path.at(duty.points.position),
        grip=drivetrain.grip.at(duty.points),
        engine=drivetrain.engine,
    )


def position_sweeps(drivetrain: Drivetrain) -> Array:
    """Load changes that pass the neighbourhood of each shift position, once each way, shape (n,) [1/s]."""
    duty = drivetrain.duty
    upshift = np.where(duty.points.branch == UPSHIFT, duty.sweeps, 0.0)
    return np.asarray(np.bincount(duty.points.position, upshift, minlength=len(drivetrain.path.position)), float)


def limit_points(drivetrain: Drivetrain) -> Points:
    """The points at which the speed limit is judged, by rising position: full torque, and every torque of the duty.

    All on the upshift, which is the faster branch.
    """
    duty, positions = drivetrain.duty.points, len(drivetrain.path.position)
    full = along(positions)
    level, held = (np.concatenate([getattr(full, name)[:positions], getattr(duty, name)]) for name in ("level", "held"))
    position = np.concatenate([full.position[:positions], duty.position])
    rows = np.unique(np.column_stack([position, level, held]), axis=0)
    return Points(np.full(len(rows), UPSHIFT), rows[:, 0].astype(np.intp), rows[:, 1], rows[:, 2])
