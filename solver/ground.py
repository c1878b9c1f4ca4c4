"""The ground under the machine: resistance, adhesion, and the time spent at each shift position.

The time weights take the engine at its target speed, so they do not depend on the kit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Index
from solver.belt_path import ShiftPath
from solver.errors import PhysicalRangeError, require

__all__ = ["GRAVITY", "Duty", "Ground", "Vehicle", "duty", "resistance"]

GRAVITY = 9.80665  # m/s^2, standard acceleration (CGPM 1901)

# Belt efficiency while the time weights are worked out; rubber CVTs are put at 0.75 to 0.92 (from memory, no
# measured map was found). It moves run-up times only, not the balance.
_NOMINAL_BELT_EFFICIENCY = 0.87
# A run-up is counted up to the speed where the surplus falls to this acceleration.
_LEAST_ACCELERATION = 0.05  # m/s^2
_FINE = 600  # points of the fine grid over the shift


def resistance(
    mass: ArrayLike,
    rolling: ArrayLike,
    grade: ArrayLike,
    speed: ArrayLike,
    drag_area: ArrayLike,
    air_density: ArrayLike,
) -> Array:
    """Force that holds the vehicle back, m g (f cos t + sin t) + 1/2 rho Cd A v^2.

    Source: road-load equation of vehicle dynamics texts (Wong, Theory of Ground Vehicles); grade is rise over run,
    t = atan(grade).

    Parameters
    ----------
    mass : array_like [kg]
    rolling, grade : array_like [-]
    speed : array_like [m/s]
    drag_area : array_like [m^2]
    air_density : array_like [kg/m^3]

    Returns
    -------
    ndarray [N]

    Raises
    ------
    PhysicalRangeError
        If mass is not above zero or rolling, drag area or density is negative.

    Examples
    --------
    >>> round(float(resistance(700, 0.05, 0.30, 10, 1.2, 1.225)), 1)  # worked value, derived here
    2374.8
    """
    m, f, v = (np.asarray(a, float) for a in (mass, rolling, speed))
    area, rho = np.asarray(drag_area, float), np.asarray(air_density, float)
    require(m > 0, "mass", m, "kg", "> 0")
    require(f >= 0, "rolling", f, "-", ">= 0")
    require(area >= 0, "drag_area", area, "m^2", ">= 0")
    require(rho >= 0, "air_density", rho, "kg/m^3", ">= 0")
    slope = np.arctan(np.asarray(grade, float))
    return np.asarray(m * GRAVITY * (f * np.cos(slope) + np.sin(slope)) + 0.5 * rho * area * v**2)


@dataclass(frozen=True)
class Ground:
    """One kind of ground.

    Attributes
    ----------
    name : str
    share [-] : share of running time
    rolling, adhesion, grade [-]
    low_speed, high_speed [m/s] : range of road speed in use
    throttle [-] : torque asked for while running in the range, as a share of full-throttle torque
    load_changes [1/s] : times the load pulls the machine from the top of the range to its bottom and lets it go
    starts [1/s] : full-throttle run-ups from the lowest gear to the top of the range
    """

    name: str
    share: float
    rolling: float
    adhesion: float
    grade: float
    low_speed: float
    high_speed: float
    throttle: float
    load_changes: float
    starts: float


@dataclass(frozen=True)
class Vehicle:
    """What the driven shaft moves.

    Attributes
    ----------
    mass [kg], drag_area [m^2], wheel_radius [m]
    reduction [-] : turns of the driven shaft per turn of the wheel
    driveline_efficiency [-] : driven shaft to ground
    """

    mass: float
    drag_area: float
    wheel_radius: float
    reduction: float
    driveline_efficiency: float

    def road_speed(self, engine_speed: ArrayLike, ratio: ArrayLike) -> Array:
        """Road speed [m/s] at an engine speed [rad/s] and speed ratio [-], without slip."""
        return np.asarray(np.asarray(engine_speed) / (np.asarray(ratio) * self.reduction) * self.wheel_radius)


@dataclass(frozen=True)
class Duty:
    """Where the running time goes, with the engine at its target speed.

    Attributes
    ----------
    levels : ndarray, shape (m,) [-]
        Torque levels as shares of full-throttle torque.
    weights : ndarray, shape (grounds, 2, m, n) [-]
        Share of time on each ground, branch, level and position; sums to 1 over all.
    sweeps : ndarray, shape (n,) [1/s]
        How often load changes sweep the neighbourhood of each position; sums to full sweeps per second.
    traction_limited : ndarray, shape (grounds,) [-]
        Share of each ground's time in which the tyres slip before the torque asked for is reached.
    reach : ndarray, shape (grounds,) [m/s]
        Highest road speed each ground allows, at most the top of its range.
    """

    levels: Array
    weights: Array
    sweeps: Array
    traction_limited: Array
    reach: Array


def duty(
    grounds: Sequence[Ground],
    vehicle: Vehicle,
    path: ShiftPath,
    engine_power: float,
    target_speed: float,
    levels: ArrayLike,
    air_density: float,
) -> Duty:
    """Share of running time at each shift position, torque level and branch.

    Per ground and second: `starts` run-ups at full throttle from position 0 to the top of the range (upshift
    branch); `load_changes` cycles across the range at the ground's throttle (half backshift, half upshift); the
    rest steady, evenly over the speeds of the range, half on each branch. Where tyres slip first, torque is what
    adhesion carries. Time goes to the two neighbouring positions and torque levels in proportion.
    Source: derived here.

    Parameters
    ----------
    grounds : sequence of Ground
    vehicle : Vehicle
    path : ShiftPath
        Shape (n,), positions rising from 0 to 1.
    engine_power : float [W]
        At target speed, in the air of the site.
    target_speed : float [rad/s]
    levels : array_like, shape (m,) [-]
        Rising, the last 1.
    air_density : float [kg/m^3]

    Returns
    -------
    Duty

    Raises
    ------
    PhysicalRangeError
        If a ground's speed range lies outside the shift, or the machine cannot hold its lowest speed.
    """
    rungs = np.asarray(levels, float)
    require(np.diff(rungs) > 0, "step of torque levels", np.diff(rungs), "-", "> 0 (rising order)")
    require((rungs > 0) & (rungs <= 1), "torque level", rungs, "-", "(0, 1]")
    fine = np.linspace(0.0, 1.0, _FINE)
    ratio = np.interp(fine, path.position, path.ratio)
    speed = vehicle.road_speed(target_speed, ratio)
    pull = engine_power * _NOMINAL_BELT_EFFICIENCY * vehicle.driveline_efficiency / speed
    per_position = np.gradient(speed, fine)

    weights = np.zeros((len(grounds), 2, len(rungs), len(path.position)))
    sweeps = np.zeros(len(path.position))
    limited, reach = np.zeros(len(grounds)), np.zeros(len(grounds))
    for number, ground in enumerate(grounds):
        slope = np.arctan(ground.grade)
        holding = resistance(vehicle.mass, ground.rolling, ground.grade, speed, vehicle.drag_area, air_density)
        carried = ground.adhesion * vehicle.mass * GRAVITY * np.cos(slope) / pull  # as a torque level
        full, asked = np.minimum(1.0, carried), np.minimum(ground.throttle, carried)
        gains = (full * pull - holding) / vehicle.mass > _LEAST_ACCELERATION
        top = np.argmin(gains) if not gains.all() else _FINE
        within = (speed >= ground.low_speed) & (speed <= ground.high_speed) & (np.arange(_FINE) < top)
        if not within.any():
            raise PhysicalRangeError(_no_time(ground, speed, top))
        reach[number] = speed[within][-1]

        run_up = np.where(
            (speed <= ground.high_speed) & (np.arange(_FINE) < top),
            vehicle.mass * per_position / np.maximum(full * pull - holding, vehicle.mass * _LEAST_ACCELERATION),
            0.0,
        )
        surplus = np.maximum(asked * pull - holding, vehicle.mass * _LEAST_ACCELERATION)
        crossing = np.where(within, vehicle.mass * per_position / surplus, 0.0)
        steady = np.where(within, per_position, 0.0)
        starting = ground.starts * run_up / _FINE
        cycling = ground.load_changes * crossing / _FINE
        moving = starting.sum() + 2 * cycling.sum()
        if moving > 1:
            starting, cycling = starting / moving, cycling / moving
        resting = max(0.0, 1 - moving) * steady / steady.sum()

        deposits = [(0, full, starting), (0, asked, cycling + resting / 2), (1, asked, cycling + resting / 2)]
        for branch, level, time in deposits:
            weights[number, branch] += ground.share * _deposit(fine, level, time, path.position, rungs)
        slipping = starting[carried < 1].sum() + (2 * cycling + resting)[carried < ground.throttle].sum()
        limited[number] = slipping
        rate = ground.share * ground.load_changes / max(1.0, moving)
        sweeps += rate * _deposit(fine, np.ones(_FINE), within / _FINE, path.position, np.ones(1))[0]
    return Duty(rungs, weights / weights.sum(), sweeps, limited, reach)


def _deposit(position: Array, level: Array, amount: Array, positions: Array, levels: Array) -> Array:
    """Spread amounts at (position, level) linearly over the neighbouring grid nodes; shape (levels, positions)."""
    out = np.zeros((len(levels), len(positions)))
    column, right = _neighbours(position, positions)
    row, upper = _neighbours(level, levels)
    last_row, last_column = len(levels) - 1, len(positions) - 1
    for row_step, row_part in ((0, 1 - upper), (1, upper)):
        for column_step, column_part in ((0, 1 - right), (1, right)):
            rows, columns = (
                np.minimum(row + row_step, last_row),
                np.minimum(column + column_step, last_column),
            )
            np.add.at(out, (rows, columns), amount * row_part * column_part)
    return out


def _neighbours(value: Array, nodes: Array) -> tuple[Index, Array]:
    """Index of the node below each value, and the share that belongs to the node above."""
    if len(nodes) == 1:
        return np.zeros(len(value), np.intp), np.zeros(len(value))
    below = np.clip(np.searchsorted(nodes, value, side="right") - 1, 0, len(nodes) - 2)
    share = (value - nodes[below]) / (nodes[below + 1] - nodes[below])
    return below, np.clip(share, 0.0, 1.0)


def _no_time(ground: Ground, speed: Array, top: np.intp | int) -> str:
    kmh = 3.6
    low, high = ground.low_speed * kmh, ground.high_speed * kmh
    if ground.low_speed > speed[-1] or ground.high_speed < speed[0]:
        return (
            f"speed range {low:.3g} to {high:.3g} km/h of ground {ground.name!r} lies outside the shift, which runs "
            f"from {speed[0] * kmh:.3g} to {speed[-1] * kmh:.3g} km/h at target engine speed; change the range or the "
            "reduction"
        )
    fastest = speed[max(int(top) - 1, 0)] * kmh if top else 0.0
    return (
        f"ground {ground.name!r} cannot be held at {low:.3g} km/h: the machine reaches {fastest:.3g} km/h there; "
        "change its grade, rolling, adhesion or speed range"
    )
