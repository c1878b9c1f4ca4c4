"""The ground under the machine: resistance, adhesion, and the time spent at each shift position.

The time weights take the engine at its target speed, so they do not depend on the kit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Index, Mask, Number, per_draw
from solver.belt_path import ShiftPath
from solver.errors import PhysicalRangeError, blame, refuse, require

__all__ = ["GRAVITY", "Duty", "Ground", "Vehicle", "duty", "resistance"]

GRAVITY = 9.80665  # m/s^2, standard acceleration (CGPM 1901)

# Belt efficiency while the time weights are worked out; rubber CVTs are put at 0.75 to 0.92 (from memory, no
# measured map was found). It moves run-up times only, not the balance.
_NOMINAL_BELT_EFFICIENCY = 0.87
# A run-up is counted up to the speed where the surplus falls to this acceleration.
_LEAST_ACCELERATION = 0.05  # m/s^2
_FINE = 600  # points of the fine grid over the shift
_SHIFT = np.linspace(0.0, 1.0, _FINE)


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
    """One kind of ground, each number a float or of shape (d,) over draws.

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
    share: Number
    rolling: Number
    adhesion: Number
    grade: Number
    low_speed: Number
    high_speed: Number
    throttle: Number
    load_changes: Number
    starts: Number


@dataclass(frozen=True)
class Vehicle:
    """What the driven shaft moves, each number a float or of shape (d,) over draws.

    Attributes
    ----------
    mass [kg], drag_area [m^2], wheel_radius [m]
    reduction [-] : turns of the driven shaft per turn of the wheel
    driveline_efficiency [-] : driven shaft to ground
    """

    mass: Number
    drag_area: Number
    wheel_radius: Number
    reduction: Number
    driveline_efficiency: Number

    def road_speed(self, engine_speed: ArrayLike, ratio: ArrayLike) -> Array:
        """Road speed [m/s] at an engine speed [rad/s] and speed ratio [-], without slip.

        Draws are the first axis of several; a single axis goes over positions.
        """
        speed, geared = np.asarray(engine_speed, float), np.asarray(ratio, float)
        ndim = max(speed.ndim, geared.ndim)
        ndim = 2 if ndim == 1 else ndim
        return np.asarray(speed / (geared * per_draw(self.reduction, ndim)) * per_draw(self.wheel_radius, ndim))


@dataclass(frozen=True)
class Duty:
    """Where the running time goes, with the engine at its target speed; draws, where they differ, are the first axis.

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
    engine_power: Number,
    target_speed: Number,
    levels: ArrayLike,
    air_density: Number,
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
        Shape (n,) or (d, n), positions rising from 0 to 1.
    engine_power : float or ndarray, shape (d,) [W]
        At target speed, in the air of the site.
    target_speed : float or ndarray, shape (d,) [rad/s]
    levels : array_like, shape (m,) [-]
        Rising, the last 1.
    air_density : float or ndarray, shape (d,) [kg/m^3]

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
    run = _running(vehicle, path, engine_power, target_speed, air_density)
    draws = _draws(grounds, run)
    weights = np.zeros((*draws, len(grounds), 2, len(rungs), len(path.position)))
    sweeps = np.zeros((*draws, len(path.position)))
    limited, reach = np.zeros((*draws, len(grounds))), np.zeros((*draws, len(grounds)))
    refusals: list[PhysicalRangeError] = []
    for number, ground in enumerate(grounds):
        with blame(f"grounds[{number}]", refusals):
            times = _times(ground, run)
            for branch, level, time in times.deposits:
                amount = _deposit(_SHIFT, level, time, path.position, rungs)
                weights[..., number, branch, :, :] += per_draw(ground.share, 3) * amount
            swept = _deposit(_SHIFT, np.ones(_FINE), times.within / _FINE, path.position, np.ones(1))[..., 0, :]
            sweeps += per_draw(ground.share * ground.load_changes / times.moving, 2) * swept
            limited[..., number], reach[..., number] = times.slipping, times.reach
    refuse(refusals)
    total = weights.reshape(*draws, -1).sum(axis=-1)
    return Duty(rungs, weights / per_draw(total, weights.ndim), sweeps, limited, reach)


@dataclass(frozen=True)
class _Running:
    """The machine at target engine speed over a fine grid of the shift, shape (_FINE,) or (d, _FINE).

    `mass`, `drag_area` and `air_density` have shape () or (d, 1).
    """

    speed: Array
    speed_step: Array  # per shift position
    traction: Array
    mass: Array
    drag_area: Array
    air_density: Array


def _running(vehicle: Vehicle, path: ShiftPath, power: Number, target: Number, air_density: Number) -> _Running:
    ratio = np.array([np.interp(_SHIFT, path.position, row) for row in np.atleast_2d(path.ratio)])
    speed = vehicle.road_speed(per_draw(target, 2), ratio.reshape(*path.ratio.shape[:-1], _FINE))
    at_wheel = power * _NOMINAL_BELT_EFFICIENCY * vehicle.driveline_efficiency
    return _Running(
        speed=speed,
        speed_step=np.gradient(speed, _SHIFT, axis=-1),
        traction=per_draw(at_wheel, 2) / speed,
        mass=per_draw(vehicle.mass, 2),
        drag_area=per_draw(vehicle.drag_area, 2),
        air_density=per_draw(air_density, 2),
    )


def _draws(grounds: Sequence[Ground], run: _Running) -> tuple[int, ...]:
    """() or (d,): the leading shape of what is derived."""
    of_run = (getattr(run, f.name) for f in fields(run))
    of_grounds = (
        per_draw(getattr(ground, f.name), 2) for ground in grounds for f in fields(ground) if f.name != "name"
    )
    return np.broadcast_shapes(*(v.shape for v in (*of_run, *of_grounds)))[:-1]


@dataclass(frozen=True)
class _Times:
    """Where the time on one ground goes, shapes () or (d,), over the fine grid with one axis more.

    `moving` is the share of time in run-ups and cycles, at least 1: where they take more, all are cut in proportion.
    """

    deposits: tuple[tuple[int, Array, Array], ...]  # branch, torque level, time
    within: Mask
    moving: Array
    slipping: Array
    reach: Array


def _times(ground: Ground, run: _Running) -> _Times:
    rolling, adhesion, grade, throttle = (
        per_draw(v, 2) for v in (ground.rolling, ground.adhesion, ground.grade, ground.throttle)
    )
    low, high = per_draw(ground.low_speed, 2), per_draw(ground.high_speed, 2)
    least = run.mass * _LEAST_ACCELERATION
    holding = resistance(run.mass, rolling, grade, run.speed, run.drag_area, run.air_density)
    carried = adhesion * run.mass * GRAVITY * np.cos(np.arctan(grade)) / run.traction  # as a torque level
    full, asked = np.minimum(1.0, carried), np.minimum(throttle, carried)
    gains = (full * run.traction - holding) / run.mass > _LEAST_ACCELERATION
    gained = np.logical_and.accumulate(gains, axis=-1)
    within = (run.speed >= low) & (run.speed <= high) & gained
    if not within.any(axis=-1).all():
        raise PhysicalRangeError(_no_time(ground, run.speed, gained, within))
    last = _FINE - 1 - np.argmax(within[..., ::-1], axis=-1, keepdims=True)
    reach = np.take_along_axis(np.broadcast_to(run.speed, within.shape), last, axis=-1)[..., 0]

    run_up = np.where(
        (run.speed <= high) & gained,
        run.mass * run.speed_step / np.maximum(full * run.traction - holding, least),
        0.0,
    )
    surplus = np.maximum(asked * run.traction - holding, least)
    crossing = np.where(within, run.mass * run.speed_step / surplus, 0.0)
    steady = np.where(within, run.speed_step, 0.0)
    starting = per_draw(ground.starts, 2) * run_up / _FINE
    cycling = per_draw(ground.load_changes, 2) * crossing / _FINE
    moving = _total(starting) + 2 * _total(cycling)
    most = np.maximum(moving, 1.0)
    starting, cycling = starting / most, cycling / most
    resting = np.maximum(1 - moving, 0.0) * steady / _total(steady)
    slipping = np.where(carried < 1, starting, 0.0) + np.where(carried < throttle, 2 * cycling + resting, 0.0)
    return _Times(
        deposits=((0, full, starting), (0, asked, cycling + resting / 2), (1, asked, cycling + resting / 2)),
        within=within,
        moving=most[..., 0],
        slipping=slipping.sum(axis=-1),
        reach=reach,
    )


def _total(amount: Array) -> Array:
    """Sum over the fine grid, its axis kept."""
    return np.asarray(amount.sum(axis=-1, keepdims=True))


def _deposit(position: Array, level: Array, amount: Array, positions: Array, levels: Array) -> Array:
    """Spread amounts at (position, level) linearly over the neighbouring grid nodes.

    `level` and `amount` have shape (k,) or (d, k); the result (levels, positions) or (d, levels, positions).
    """
    draws = np.broadcast_shapes(level.shape, amount.shape)[:-1]
    out = np.zeros((*draws, len(levels), len(positions)))
    first = len(levels) * len(positions) * np.arange(math.prod(draws)).reshape(*draws, 1)  # node of each draw
    column, right = _neighbours(position, positions)
    row, upper = _neighbours(level, levels)
    last_row, last_column = len(levels) - 1, len(positions) - 1
    for row_step, row_part in ((0, 1 - upper), (1, upper)):
        for column_step, column_part in ((0, 1 - right), (1, right)):
            rows, columns = np.minimum(row + row_step, last_row), np.minimum(column + column_step, last_column)
            nodes = first + rows * len(positions) + columns
            part = np.broadcast_to(amount * row_part * column_part, nodes.shape)
            np.add.at(out.reshape(-1), nodes.ravel(), part.ravel())
    return out


def _neighbours(value: Array, nodes: Array) -> tuple[Index, Array]:
    """Index of the node below each value, and the share that belongs to the node above."""
    if len(nodes) == 1:
        return np.zeros(value.shape, np.intp), np.zeros(value.shape)
    below = np.clip(np.searchsorted(nodes, value, side="right") - 1, 0, len(nodes) - 2)
    share = (value - nodes[below]) / (nodes[below + 1] - nodes[below])
    return below, np.clip(share, 0.0, 1.0)


def _no_time(ground: Ground, speed: Array, gained: Mask, within: Mask) -> str:
    """Why no time is spent on a ground, in the words of the first draw that fails."""
    kmh, fails = 3.6, ~within.any(axis=-1)
    speed = np.broadcast_to(speed, within.shape)[fails][0]
    top = int(np.broadcast_to(gained, within.shape)[fails][0].sum())
    low, high = (float(np.broadcast_to(v, fails.shape)[fails][0]) for v in (ground.low_speed, ground.high_speed))
    if low > speed[-1] or high < speed[0]:
        return (
            f"speed range {low * kmh:.3g} to {high * kmh:.3g} km/h of ground {ground.name!r} lies outside the shift, "
            f"which runs from {speed[0] * kmh:.3g} to {speed[-1] * kmh:.3g} km/h at target engine speed; change the "
            "range or the reduction"
        )
    fastest = speed[top - 1] * kmh if top else 0.0
    return (
        f"ground {ground.name!r} cannot be held at {low * kmh:.3g} km/h: the machine reaches {fastest:.3g} km/h there; "
        "change its grade, rolling, adhesion or speed range"
    )
