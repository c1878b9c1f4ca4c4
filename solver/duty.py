"""Where the running time goes: the operating points that grounds ask for, and the share of time at each.

Time is counted with the engine at its target speed, so it does not depend on the kit. Torque is what each ground asks
for, or what its tyres carry, position by position.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from solver.arrays import Array, Index, Mask, Number, per_draw
from solver.belt_path import ShiftPath
from solver.engine import EngineCurve
from solver.errors import PhysicalRangeError, blame, refuse
from solver.grip import Grip
from solver.ground import GRAVITY, Ground, Vehicle, resistance
from solver.losses import BeltLosses, belt_loss
from solver.points import BACKSHIFT, UPSHIFT, Points

__all__ = ["Duty", "Surroundings", "duty"]

# A run-up is counted up to the speed where the surplus falls to this acceleration.
_LEAST_ACCELERATION = 0.05  # m/s^2
_FINE = 600  # cells of the fine grid over the shift
_SHIFT = (np.arange(_FINE) + 0.5) / _FINE
_MOST_HELD = 4.0  # times the pull at full torque: tyres that hold more do not limit anything there


@dataclass(frozen=True)
class Surroundings:
    """The drivetrain that the grounds are run with; numbers are floats or of shape (d,) over draws.

    Attributes
    ----------
    vehicle : Vehicle
    path : ShiftPath
    grip : Grip
    losses : BeltLosses
    engine : EngineCurve
        In the air of the site.
    target_speed [rad/s] : where a ground states none
    air_density [kg/m^3]
    """

    vehicle: Vehicle
    path: ShiftPath
    grip: Grip
    losses: BeltLosses
    engine: EngineCurve
    target_speed: Number
    air_density: Number


@dataclass(frozen=True)
class Duty:
    """Operating points and the time at each; draws, where they differ, are the first axis.

    Attributes
    ----------
    points : Points
        Those that carry time in some draw, ordered by branch and position.
    target_speed : ndarray, shape (j,) or (d, j) [rad/s]
        Engine speed that is wanted at each point.
    weights : ndarray, shape (grounds, j) or (d, grounds, j) [-]
        Share of time on each ground and point; sums to 1 over all.
    sweeps : ndarray, shape (j,) or (d, j) [1/s]
        How often load changes pass the neighbourhood of each point on its branch.
    traction_limited : ndarray, shape (grounds,) or (d, grounds) [-]
        Share of each ground's time in which the tyres slip before the torque asked for is reached.
    reach : ndarray, shape (grounds,) or (d, grounds) [m/s]
        Highest road speed each ground allows, at most the top of its range.
    asked : ndarray, shape (grounds,) or (d, grounds) [-]
        Share of the time that run-ups and load changes ask for; above 1 they are cut in proportion.
    """

    points: Points
    target_speed: Array
    weights: Array
    sweeps: Array
    traction_limited: Array
    reach: Array
    asked: Array


def duty(grounds: Sequence[Ground], around: Surroundings) -> Duty:
    """Share of running time at each operating point.

    Per ground and second: `starts` run-ups at full torque from position 0 to the top of the range (upshift);
    `load_changes` cycles across the range at the torque asked, backshift as long as upshift; the rest steady, evenly
    over the road speeds of the range, half on each branch. Where tyres slip first, belt pull is what adhesion carries,
    whatever the engine speed. Tractive force is that of the belt pull at target speed less the loss of a belt whose
    sheaves just do not slip. Time goes to the two neighbouring positions in proportion. Source: derived here.

    Parameters
    ----------
    grounds : sequence of Ground
    around : Surroundings

    Returns
    -------
    Duty

    Raises
    ------
    PhysicalRangeError
        If a ground's speed range lies outside the shift, or the machine cannot hold its lowest speed.
    """
    refusals: list[PhysicalRangeError] = []
    found: list[_Times] = []
    for number, ground in enumerate(grounds):
        with blame(f"grounds[{number}]", refusals):
            found.append(_times(ground, around))
    refuse(refusals)
    varied = (np.shape(part.time)[:-1] for times in found for part in times.parts)
    draws = np.broadcast_shapes(*varied, *(np.shape(ground.share) for ground in grounds))
    table = _Table(draws, len(grounds), around.path.position)
    for number, (ground, times) in enumerate(zip(grounds, found, strict=True)):
        for part in times.parts:
            table.add(number, ground, part)

    def each(name: str) -> Array:
        return np.stack([np.broadcast_to(getattr(times, name), draws) for times in found], axis=-1)

    return table.flat(traction_limited=each("traction_limited"), reach=each("reach"), asked=each("asked"))


@dataclass(frozen=True)
class _Part:
    """Time at one torque on one branch, over the fine grid, (_FINE,) or (d, _FINE); `held` is over the positions."""

    branch: int
    level: Number
    held: Array | None
    target: Number
    time: Array
    swept: Array


@dataclass(frozen=True)
class _Times:
    """Where the time on one ground goes; the numbers have shape () or (d,), see `Duty`."""

    parts: tuple[_Part, ...]
    traction_limited: Array
    reach: Array
    asked: Array


def _times(ground: Ground, around: Surroundings) -> _Times:
    rolling, adhesion, grade, low, high, mass = (
        per_draw(v, 2) for v in (ground.rolling, ground.adhesion, ground.grade, ground.low_speed, ground.high_speed,
                                 around.vehicle.mass)
    )  # fmt: skip
    target = ground.target(around.target_speed)
    traction = _Traction.on(ground, target, around)
    speed, step = traction.speed, np.gradient(traction.speed, _SHIFT, axis=-1)
    carried = adhesion * mass * GRAVITY * np.cos(np.arctan(grade))
    held = traction.pull_that_gives(carried)  # also beyond what the engine pulls: for the way between two positions
    limit = _between(_SHIFT, around.path.position, held)
    full_torque = per_draw(around.engine.at(np.asarray(target)), 2)
    full = full_torque / traction.fine.drive_radius
    asked = per_draw(ground.torque, 2) * full
    holding = resistance(mass, rolling, grade, speed, per_draw(around.vehicle.drag_area, 2),
                         per_draw(around.air_density, 2))  # fmt: skip
    spins, slides = limit < full, limit < asked
    surplus = traction.force(np.minimum(full, limit), traction.fine, speed) - holding
    least = mass * _LEAST_ACCELERATION
    width = step / _FINE
    reach = np.minimum(high, _top(speed, width, surplus - least))
    # Cells at the ends of a range count in part: whole or not at all, a narrow range would be a hundredth too long.
    gained = _part_below(reach, speed, width)
    within = np.maximum(gained - _part_below(low, speed, width), 0.0)
    if not within.any(axis=-1).all():
        raise PhysicalRangeError(_no_time(ground, speed, gained > 0, within > 0))
    run_up = gained * (mass * step / np.maximum(surplus, least)) / _FINE
    spare = traction.force(np.minimum(asked, limit), traction.fine, speed) - holding
    crossing = within * (mass * step / np.maximum(spare, least)) / _FINE
    steady = within * step
    starting, cycling = per_draw(ground.starts, 2) * run_up, per_draw(ground.load_changes, 2) * crossing
    moving = _total(starting) + 2 * _total(cycling)
    most = np.maximum(moving, 1.0)
    starting, cycling = starting / most, cycling / most
    running = cycling + np.maximum(1 - moving, 0.0) * steady / _total(steady) / 2
    held = np.minimum(held, full_torque / around.path.drive_radius)
    swept = per_draw(ground.load_changes, 2) / most * within / _FINE
    parts = [_Part(UPSHIFT, 1.0, None, target, starting * ~spins, 0.0 * starting),
             _Part(UPSHIFT, 0.0, held, target, starting * spins, 0.0 * starting)]  # fmt: skip
    for branch in (UPSHIFT, BACKSHIFT):
        parts.append(_Part(branch, ground.torque, None, target, running * ~slides, swept * ~slides))
        parts.append(_Part(branch, 0.0, held, target, running * slides, swept * slides))
    limited = np.where(spins, starting, 0.0) + np.where(slides, 2 * running, 0.0)
    return _Times(tuple(parts), limited.sum(axis=-1), reach[..., 0], moving[..., 0])


@dataclass(frozen=True)
class _Traction:
    """Tractive force of belt pulls with the engine at its target speed on one ground, over the fine grid `fine`."""

    around: Surroundings
    target: Number
    reduction: Number | None
    fine: ShiftPath
    speed: Array

    @staticmethod
    def on(ground: Ground, target: Number, around: Surroundings) -> _Traction:
        path = around.path
        # The drive radius is linear in position and the driven one nearly so: 1e-4 off between positions.
        fine = ShiftPath(**{f.name: _between(_SHIFT, path.position, getattr(path, f.name)) for f in fields(path)})
        speed = around.vehicle.road_speed(per_draw(target, 2), fine.ratio, ground.reduction)
        return _Traction(around, target, ground.reduction, fine, speed)

    def force(self, pull: Array, path: ShiftPath, speed: Array) -> Array:
        """Tractive force [N] of a belt pull at positions of a path, the belt's sheaves just not slipping."""
        around = self.around
        limit = _between(
            path.position, around.path.position, np.minimum(around.grip.drive_limit, around.grip.driven_limit)
        )
        belt_speed = per_draw(self.target, 2) * path.drive_radius
        draws = (np.shape(v) for v in (around.grip.seat, *vars(around.losses).values()))
        tight = pull * limit / (limit - 1)
        tight = np.broadcast_to(tight, np.broadcast_shapes(tight.shape, (*np.broadcast_shapes(*draws), 1)))
        lost = belt_loss(tight, tight - pull, belt_speed, path, around.grip.seat, around.losses)
        return np.asarray((pull * belt_speed - lost) * per_draw(around.vehicle.driveline_efficiency, 2) / speed)

    def pull_that_gives(self, force: Array) -> Array:
        """Belt pull [N] that gives a tractive force [N], at each shift position."""
        around, path = self.around, self.around.path
        speed = around.vehicle.road_speed(per_draw(self.target, 2), path.ratio, self.reduction)
        most = _MOST_HELD * per_draw(around.engine.at(np.asarray(self.target)), 2) / path.drive_radius
        wanted = np.broadcast_to(force, np.broadcast_shapes(force.shape, speed.shape, most.shape))
        most = np.broadcast_to(most, wanted.shape)

        def lacking(pull: Array) -> Array:
            return np.asarray(self.force(pull, path, speed) - wanted)

        enough = lacking(most) > 0
        low, high = np.zeros(wanted.shape), np.array(most)
        for _ in range(60):  # halving in step for all: the loss ties a row of positions together in one call
            middle = (low + high) / 2
            over = lacking(middle) > 0
            low, high = np.where(over, low, middle), np.where(over, middle, high)
        return np.where(enough, (low + high) / 2, most)


class _Table:
    """Time of all grounds at each torque, branch and position, torques that are the same put together."""

    def __init__(self, draws: tuple[int, ...], grounds: int, positions: Array) -> None:
        self.draws, self.grounds, self.positions = draws, grounds, positions
        self.rows: dict[tuple[object, ...], tuple[_Part, Array, Array]] = {}

    def add(self, number: int, ground: Ground, part: _Part) -> None:
        """Spread the time of a part linearly over the neighbouring positions."""
        torque = np.asarray(part.level if part.held is None else part.held, float)
        key = part.held is None, torque.tobytes(), np.asarray(part.target, float).tobytes()
        if key not in self.rows:
            shape = 2, len(self.positions)
            self.rows[key] = part, np.zeros((*self.draws, self.grounds, *shape)), np.zeros((*self.draws, *shape))
        _, weights, sweeps = self.rows[key]
        share = per_draw(ground.share, 2)
        weights[..., number, part.branch, :] += self._spread(share * part.time)
        sweeps[..., part.branch, :] += self._spread(share * part.swept)

    def _spread(self, amount: Array) -> Array:
        below, above = _neighbours(_SHIFT, self.positions)
        matrix = np.zeros((_FINE, len(self.positions)))
        rows = np.arange(_FINE)
        matrix[rows, below] = 1 - above
        matrix[rows, below + 1] += above
        return np.asarray(amount @ matrix)

    def flat(self, *, traction_limited: Array, reach: Array, asked: Array) -> Duty:
        """The points that carry time, and what is said of them."""
        parts = [part for part, _, _ in self.rows.values()]
        weights = np.stack([weights for _, weights, _ in self.rows.values()], axis=-1)  # ..., ground, branch, s, torque
        sweeps = np.stack([sweeps for _, _, sweeps in self.rows.values()], axis=-1)
        used = (weights > 0).reshape(-1, *weights.shape[-3:]).any(axis=0)
        branch, position, row = np.nonzero(used)
        total = weights.reshape(*self.draws, -1).sum(axis=-1)

        def at(values: list[Array]) -> Array:
            """Numbers of each torque, over draws or over draws and positions, at the points."""
            draws = np.broadcast_shapes(*(v.shape[: v.ndim - 1] for v in values))
            wide = np.stack([np.broadcast_to(v, (*draws, len(self.positions))) for v in values], axis=-2)
            return wide[..., row, position]

        return Duty(
            points=Points(
                branch=branch,
                position=position,
                level=at([per_draw(part.level, 2).reshape(*np.shape(part.level), 1) for part in parts]),
                held=at([np.zeros(1) if part.held is None else part.held for part in parts]),
            ),
            target_speed=at([np.asarray(part.target, float).reshape(*np.shape(part.target), 1) for part in parts]),
            weights=weights[..., branch, position, row] / per_draw(total, weights.ndim - 2),
            sweeps=sweeps[..., branch, position, row],
            traction_limited=traction_limited,
            reach=reach,
            asked=asked,
        )


def _part_below(bound: Array, speed: Array, width: Array) -> Array:
    """Part of each cell of the fine grid that lies below a road speed, 0 to 1."""
    return np.clip((bound - speed) / width + 0.5, 0.0, 1.0)


def _top(speed: Array, width: Array, surplus: Array) -> Array:
    """Road speed at which a surplus over the fine grid first ends, its axis kept: between two cells read linearly."""
    speed, width, surplus = np.broadcast_arrays(speed, width, surplus)
    lost = ~np.logical_and.accumulate(surplus > 0, axis=-1)
    first = np.argmax(lost, axis=-1, keepdims=True)
    sides = np.maximum(first - 1, 0), first
    (slower, faster), (left, lack) = ([np.take_along_axis(v, n, axis=-1) for n in sides] for v in (speed, surplus))
    begin, end = speed[..., :1] - width[..., :1] / 2, speed[..., -1:] + width[..., -1:] / 2
    between = slower + (faster - slower) * left / np.where(first > 0, left - lack, 1.0)
    return np.where(lost.any(axis=-1, keepdims=True), np.where(first > 0, between, begin), end)


def _between(wanted: Array, positions: Array, values: Array) -> Array:
    """Values over shift positions, (n,) or (d, n), read linearly at wanted ones."""
    rows = np.array([np.interp(wanted, positions, row) for row in np.atleast_2d(values)])
    return rows.reshape(*values.shape[:-1], len(wanted))


def _total(amount: Array) -> Array:
    """Sum over the fine grid, its axis kept."""
    return np.asarray(amount.sum(axis=-1, keepdims=True))


def _neighbours(value: Array, nodes: Array) -> tuple[Index, Array]:
    """Index of the node below each value, and the share that belongs to the node above."""
    below = np.clip(np.searchsorted(nodes, value, side="right") - 1, 0, len(nodes) - 2)
    return below, np.clip((value - nodes[below]) / (nodes[below + 1] - nodes[below]), 0.0, 1.0)


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
            "range, its gear range or the reduction"
        )
    fastest = speed[top - 1] * kmh if top else 0.0
    return (
        f"ground {ground.name!r} cannot be held at {low * kmh:.3g} km/h: the machine reaches {fastest:.3g} km/h there; "
        "change its grade, rolling, adhesion, speed range or gear range"
    )
