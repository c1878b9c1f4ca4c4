"""What the belt makes of driven builds, at the target engine speed: spring loss, margin, heat, wear; speed limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from search.points import DutyPoints, duty_points, limit_points
from search.stage import Stage
from search.workers import parallel_slices
from solver import balance
from solver.balance import DrivenSide
from solver.belt_grip import centrifugal_tension
from solver.belt_life import belt_temperature, conductance, fatigue_rate, slip_wear_rate, warmth
from solver.drivetrain import Drivetrain
from solver.grip import drive_need, slack_tension
from solver.losses import belt_loss, slip_power
from solver.side_load import side_load

__all__ = [
    "BeltState",
    "belt_state",
    "belt_terms",
    "heat_by_ground",
    "least_tensions",
    "most_needed_at_limit",
    "wear_rates",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_BUILDS = 1_000  # driven builds worked on at once; about what stays in cache


def most_needed_at_limit(drivetrain: Drivetrain, side: DrivenSide) -> Array:
    """Most drive thrust needed at the speed limit at any torque judged there, shape (n, positions) [N].

    Infinite where the belt slides so hard that its slack side would be pushed: then no thrust holds the engine. (Short
    of that friction opposes the shift, so that the backshift needs no more than the upshift.)
    """
    points = limit_points(drivetrain)
    belt = drivetrain.grip.at(points)
    pull = points.pull(float(drivetrain.engine.at(drivetrain.speed_limit)), drivetrain.path.drive_radius)
    first = np.searchsorted(points.position, np.arange(len(drivetrain.path.position)))
    most = np.zeros((len(side.fixed), len(first)))

    def work(rows: slice) -> None:
        here = side[rows].at(points)
        slack = slack_tension(here.fixed + here.per_pull * pull, pull, belt)
        needed = np.where(slack < 0, np.inf, drive_need(slack, pull, belt)[0])
        most[rows] = np.maximum.reduceat(needed, first, axis=-1)

    parallel_slices(work, len(most), _BUILDS)
    return most


@dataclass(frozen=True)
class BeltState:
    """The belt of driven builds at the duty points and target engine speeds, shape (k, j).

    Attributes
    ----------
    pull : ndarray, shape (j,) [N]
    tight, slack : ndarray [N]
        Net tensions.
    lost : ndarray [W]
        Belt loss.
    on_drive, on_driven, in_tension : ndarray [-]
        Reserves to slip on either sheave, and to the belt's rated tension.
    """

    pull: Array
    tight: Array
    slack: Array
    lost: Array
    on_drive: Array
    on_driven: Array
    in_tension: Array

    @property
    def margin(self) -> Array:
        """The least of the three reserves."""
        return np.minimum(np.minimum(self.on_drive, self.on_driven), self.in_tension)


def belt_state(drivetrain: Drivetrain, duty: DutyPoints, side: DrivenSide) -> BeltState:
    """Tensions, loss and reserves of driven builds, over branches and positions, at the duty points."""
    belt, here, pull = drivetrain.inputs.belt, side.at(duty.points), duty.pull(duty.target)
    tight, slack = balance.tensions(here, pull, duty.grip)
    reserves = balance.slip_reserves(here, pull, tight, duty.grip)
    turning = centrifugal_tension(belt.mass_per_length, duty.belt_speed)
    return BeltState(
        pull=pull,
        tight=tight,
        slack=slack,
        lost=belt_loss(tight, slack, duty.belt_speed, duty.path, duty.grip.seat, drivetrain.losses),
        on_drive=reserves.drive,
        on_driven=reserves.driven,
        in_tension=belt.max_tension / (tight + turning) - 1,
    )


def heat_by_ground(drivetrain: Drivetrain, duty: DutyPoints, lost: Array) -> tuple[Array, Array]:
    """Mean belt loss [W] and steady belt temperature [K] on each ground, shape (k, grounds), of losses (k, j) [W]."""
    inputs = drivetrain.inputs
    heat = _summed(lost, duty.by_ground / duty.by_ground.sum(axis=1, keepdims=True))
    targets = [ground.target(drivetrain.target_speed) for ground in inputs.grounds]
    cooling, air = inputs.cooling, inputs.site.temperature
    conducts = [float(conductance(cooling.belt, target, cooling.at_speed)) for target in targets]
    warm = [belt_temperature(one, air, conducts[number]) for number, one in enumerate(heat.T)]
    return heat, np.stack(warm, axis=-1)


def belt_terms(stage: Stage, side: DrivenSide, per_pull: Array, helix_of: Index) -> tuple[Array, Array, Array]:
    """Spring loss by way of tensions [W], belt margin [-] and temperature on the hottest ground [K] of driven builds.

    The loss is that of the belt, and of the bushes in each load change, above what the least tensions would cost. Those
    depend on the torque ramp alone, `per_pull` of each helix, so they are found once a helix.
    """
    drivetrain = stage.drivetrain
    duty = duty_points(drivetrain)
    pull, grip = duty.pull(duty.target), duty.grip
    least = least_tensions(stage, duty, DrivenSide(per_pull, per_pull))
    lowest = belt_loss(*least, duty.belt_speed, duty.path, grip.seat, drivetrain.losses)
    drive_rubs, driven_rubs = _rubbing(drivetrain, duty)

    def loads(slack: Array) -> tuple[Array, Array]:
        return side_load(slack, pull, grip.drive_spread), side_load(slack, pull, grip.driven_spread)

    least_loads = loads(least[1])
    loss, margin, warmest = (np.zeros(len(helix_of)) for _ in range(3))

    def work(rows: slice) -> None:
        state, helix = belt_state(drivetrain, duty, side[rows]), helix_of[rows]
        above = [np.maximum(one - of[helix], 0.0) for one, of in zip(loads(state.slack), least_loads, strict=True)]
        excess = np.maximum(state.lost - lowest[helix], 0.0) * duty.weights
        loss[rows] = (excess + above[0] * drive_rubs + above[1] * driven_rubs).sum(axis=-1)
        margin[rows] = state.margin.min(axis=-1)
        warmest[rows] = heat_by_ground(drivetrain, duty, state.lost)[1].max(axis=-1)

    parallel_slices(work, len(helix_of), _BUILDS)
    return loss, margin, warmest


def least_tensions(stage: Stage, duty: DutyPoints, side: DrivenSide) -> tuple[Array, Array]:
    """Least net tensions that each driven build's ramp allows at the duty points, shape (k, j) [N]."""
    pull = duty.pull(duty.target)
    return balance.least_tensions(side.at(duty.points), pull, stage.request.wanted_margin, duty.grip)


def _rubbing(drivetrain: Drivetrain, duty: DutyPoints) -> tuple[Array, Array]:
    """Power rubbed away in the bushes of both clutches by load changes, per side load, shape (j,) each [m/s]."""
    path, position = drivetrain.path, duty.points.position
    travels = path.drive_travel, path.driven_travel
    ways = [np.gradient(travel, path.position)[position] for travel in travels]
    bushes = duty.grip.drive_bush, duty.grip.driven_bush
    drive, driven = (duty.sweeps * np.abs(bush) * way for bush, way in zip(bushes, ways, strict=True))
    return drive, driven


def wear_rates(drivetrain: Drivetrain, side: DrivenSide) -> tuple[Array, Array]:
    """Belt fatigue and slip wear of driven builds over the duty, shape (k,) each; only ratios mean anything."""
    duty, belt = duty_points(drivetrain), drivetrain.inputs.belt
    state = belt_state(drivetrain, duty, side)
    tension = state.tight + centrifugal_tension(belt.mass_per_length, duty.belt_speed)
    fatigue = fatigue_rate(tension, duty.belt_speed, belt.max_tension)
    heated = warmth(heat_by_ground(drivetrain, duty, state.lost)[1])
    slipping = slip_power(state.tight, state.slack, duty.belt_speed, duty.path, duty.grip.seat, drivetrain.losses)
    worn = slip_wear_rate(slipping, np.minimum(state.on_drive, state.on_driven))
    return (_summed(fatigue, duty.by_ground) * heated).sum(axis=-1), (worn * duty.weights).sum(axis=-1)


def _summed(values: Array, weights: Array) -> Array:
    """Values of builds (k, j) weighted for each ground (grounds, j) and summed, shape (k, grounds).

    Not by matrices: their last digits would depend on what is summed beside them.
    """
    return np.stack([(values * row).sum(axis=-1) for row in weights], axis=-1)
