"""Pulling away: what the belt can carry between engagement and lock-up, with both sheaves on their stops.

Below lock-up the belt slips on the drive sheave in the lowest gear: engine speed is where engine torque meets what
the belt carries, and the road catches up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize.elementwise import find_root

from solver.arrays import Array
from solver.balance import BACKSHIFT, UPSHIFT, DrivenSide, DriveSide
from solver.belt_grip import Grip
from solver.engine import EngineCurve

__all__ = ["stall_speed", "torque_capacity"]


def torque_capacity(speed: ArrayLike, drive: DriveSide, driven: DrivenSide, belt: Grip, drive_radius: float) -> Array:
    """Largest engine torque that the belt carries in the lowest gear at an engine speed.

    The drive sheave carries T1' (1 - 1/limit) R1 with T1' from the thrust A w^2 - K it has; the driven sheave
    P / (c - Q) R1 with c the thrust per pull at its limit. The smaller counts. Source: derived here from the slip
    limits of `belt_grip`.

    Parameters
    ----------
    speed : array_like [rad/s]
    drive : DriveSide
        One clutch, shapes (2, n) and (n,); position 0 is used.
    driven : DrivenSide
        One clutch, shapes (2, n).
    belt : Grip
    drive_radius : float [m]
        At position 0.

    Returns
    -------
    ndarray [N m]
        0 below engagement.
    """
    w = np.asarray(speed, float)
    thrust = np.maximum(drive.thrust_per_speed2[UPSHIFT, 0] * w**2 - drive.spring[0], 0.0)
    on_drive = thrust * belt.tight_per_thrust[0] * (1 - 1 / belt.drive_limit[0])
    lacking = float(belt.slip_thrust[0] - driven.per_pull[BACKSHIFT, 0])
    on_driven = driven.fixed[BACKSHIFT, 0] / lacking if lacking > 0 else np.inf
    return np.asarray(np.minimum(on_drive, np.where(thrust > 0, on_driven, 0.0)) * drive_radius)


def stall_speed(drive: DriveSide, driven: DrivenSide, belt: Grip, drive_radius: float, engine: EngineCurve) -> float:
    """Engine speed at full throttle with the machine held: where the belt's capacity meets engine torque.

    The lowest such speed: up to it the belt slips while pulling away; lock-up is where the road has caught up with it.
    Infinite if the belt never carries the engine's torque. Source: derived here from `torque_capacity`.

    Parameters
    ----------
    drive : DriveSide
    driven : DrivenSide
    belt : Grip
    drive_radius : float [m]
    engine : EngineCurve

    Returns
    -------
    float [rad/s]
    """

    def surplus(w: Array) -> Array:
        return np.asarray(torque_capacity(w, drive, driven, belt, drive_radius) - engine.at(w))

    start = float(np.sqrt(drive.spring[0] / drive.thrust_per_speed2[UPSHIFT, 0]))
    speeds = np.linspace(start, float(engine.speed[-1]), 400) if start < engine.speed[-1] else np.empty(0)
    carried = np.flatnonzero(surplus(speeds) >= 0)
    if not len(carried):
        return float("inf")
    first = int(carried[0])
    if first == 0:
        return start
    return float(find_root(surplus, (float(speeds[first - 1]), float(speeds[first]))).x)
