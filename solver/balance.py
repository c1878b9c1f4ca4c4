"""The shift curve: the engine speed at which drive and driven clutch balance.

At a shift position the drive clutch pushes with A w^2 - K (flyweights less spring); with the belt pull that fixes the
tensions. Engine torque fixes the belt pull, or tyres that slip do. The driven clutch pushes with P + Q * pull (springs
and torsion, plus torque ramp). The balance is the speed at which this equals the thrust that the tensions need. Drive
parts enter only through A and K, driven parts only through P and Q: the exact search lives on that.

Axes: (..., operating point); where inputs are varied, draws are the first of all. Friction in both clutches parts
upshift and backshift: engine speed is a band.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from solver.arrays import Array, Mask, Number, per_draw, per_position
from solver.engine import EngineCurve
from solver.grip import Grip, drive_need, held_thrust, slack_of_drive, slack_tension
from solver.points import UPSHIFT, Points

__all__ = [
    "LOWEST",
    "Balance",
    "DriveSide",
    "DrivenSide",
    "Reserves",
    "Status",
    "engagement_speed",
    "engine_speed",
    "least_tensions",
    "needed_drive_thrust",
    "slip_reserves",
    "tensions",
]

# A reserve beyond ten times the pull says no more than ten times: torque sensing alone holds the belt.
_RESERVE_CAP = 10.0
_SPEED_TOLERANCE = 1e-9  # of the peak-power speed; the step that gets there leaves its square
_ROUNDING = 1e-9  # of a thrust: far more than two ways of working it out differ by
_NEWTON_STEPS = 80
_FIRST_STEPS = 5  # of them with all states; most have settled then
_HALVINGS = 55  # of a bracket of four times the peak-power speed: what is left is rounding
LOWEST = 0.05  # of the peak-power speed: no balance is looked for below


class Status(IntEnum):
    """What an engine speed of the balance stands on."""

    BALANCED = 0
    BELOW_CURVE = 1
    ABOVE_CURVE = 2
    BELT_SLIDES = 3


@dataclass(frozen=True)
class DriveSide:
    """Drive clutches, stacked over any leading axes, over branches and positions or brought to points.

    Attributes
    ----------
    thrust_per_speed2 : ndarray, shape (..., 2, n) or (..., j) [N s^2]
        A: flyweight thrust per squared engine speed, friction of the arms included.
    spring : ndarray, shape (..., n) or (..., j) [N]
        K: drive spring load.
    """

    thrust_per_speed2: Array
    spring: Array

    def __getitem__(self, chosen: Any) -> DriveSide:
        return DriveSide(self.thrust_per_speed2[chosen], self.spring[chosen])

    def at(self, points: Points) -> DriveSide:
        """The clutches at operating points."""
        spring = self.spring[..., points.position]
        return DriveSide(self.thrust_per_speed2[..., points.branch, points.position], spring)


@dataclass(frozen=True)
class DrivenSide:
    """Driven clutches, stacked over any leading axes, over branches and positions or brought to points.

    Attributes
    ----------
    fixed : ndarray, shape (..., 2, n) or (..., j) [N]
        P: thrust without belt pull, from the spring's push and its twist on the ramp.
    per_pull : ndarray, shape (..., 2, n) or (..., j) [-]
        Q: thrust per belt pull from the torque ramp.
    """

    fixed: Array
    per_pull: Array

    def __getitem__(self, chosen: Any) -> DrivenSide:
        return DrivenSide(self.fixed[chosen], self.per_pull[chosen])

    def at(self, points: Points) -> DrivenSide:
        """The clutches at operating points."""
        where = (..., points.branch, points.position)
        return DrivenSide(self.fixed[where], self.per_pull[where])


@dataclass(frozen=True)
class Balance:
    """Result of `engine_speed`, every array of shape (..., j).

    Attributes
    ----------
    speed [rad/s], torque [N m], pull [N], tight_net [N], slack_net [N]
    drive_thrust, driven_thrust [N] : of the parts
    status : `Status` codes
    """

    speed: Array
    torque: Array
    pull: Array
    tight_net: Array
    slack_net: Array
    drive_thrust: Array
    driven_thrust: Array
    status: NDArray[np.int8]

    @property
    def carried(self) -> tuple[Array, Array]:
        """Tight and slack net tension [N] [N], never below zero: a belt does not push."""
        return np.maximum(self.tight_net, 0.0), np.maximum(self.slack_net, 0.0)


def engine_speed(
    drive: DriveSide,
    driven: DrivenSide,
    belt: Grip,
    drive_radius: Array,
    engine: EngineCurve,
    points: Points,
    ceiling: Number | None = None,
) -> Balance:
    """Engine speed at which both clutches balance, at every operating point.

    Solves  H(t, D) - P - Q D = 0  for w, with t the slack tension that the drive clutch's thrust A w^2 - K gives
    (`grip.slack_of_drive`), H the thrust that holds it (`grip.held_thrust`) and D = level * T(w) / R1 + held. Newton's
    method kept inside a bracket, then halving for what still creeps: the left side is continuous, so a change of sign
    is always found. Within the slip limit it rises with w, so the root is single; far beyond it (status
    `BELT_SLIDES`) a sliding state may be returned where a balance exists too. Source: derived here.

    Parameters
    ----------
    drive : DriveSide
        At the points, shape (..., j).
    driven : DrivenSide
        At the points. Leading axes broadcast against those of `drive`; the first one goes over draws, if belt, radius,
        points, engine or ceiling have them, and is of their size or 1.
    belt : Grip
        At the points.
    drive_radius : ndarray, shape (n,) or (d, n) [m]
        At each shift position.
    engine : EngineCurve
    points : Points
    ceiling : float or ndarray, shape (d,), optional [rad/s]
        Where the clutches would slow the engine at this speed, the balance below it is taken, should there be several.

    Returns
    -------
    Balance
        Always finite; `status` says where a value stands on less than a balance.
    """
    ndim = max(drive.thrust_per_speed2.ndim, drive.spring.ndim, driven.fixed.ndim, driven.per_pull.ndim)
    radius = per_position(drive_radius[..., points.position], ndim)
    arm, held = per_position(points.level, ndim) / radius, per_position(points.held, ndim)
    belt, limit = belt.aligned(ndim), per_draw(np.inf if ceiling is None else ceiling, ndim)
    sides = drive.thrust_per_speed2, drive.spring, driven.fixed, driven.per_pull
    varied = arm, held, belt.wrap, np.asarray(belt.active), per_draw(engine.factor, ndim), limit
    shape = np.broadcast_shapes(*(v.shape for v in (*sides, *varied)))
    gain, spring, fixed, share = (np.broadcast_to(v, shape) for v in sides)
    states = _States(gain, spring, fixed, share, arm, held, belt, engine)

    target = engine.peak_power_speed
    low, high = np.full(shape, LOWEST * target), np.full(shape, 4.0 * target)
    if ceiling is not None:
        top = np.full(shape, limit)
        # A kit that just holds the limit by its thrusts must not pass it here for a rounding error.
        needs = fixed + share * (arm * engine.at(top) + held)
        high = np.where(states.imbalance(top)[0] >= -_ROUNDING * needs, top, high)
    first = min(_FIRST_STEPS, _NEWTON_STEPS)
    speed, low, high, done = _newton(states, np.minimum(target, high), low, high, np.zeros(shape, bool), first)
    if np.ndim(engine.factor):  # draws tie a state to its row
        speed = _settled(states, speed, low, high, done, _NEWTON_STEPS - first)
    elif not done.all():
        left = ~done  # few creep on: they go on by themselves
        speed[left] = _settled(states.only(left), speed[left], low[left], high[left], done[left], _NEWTON_STEPS - first)

    pull = np.asarray(arm * engine.at(speed) + held)
    thrust = gain * speed**2 - spring
    slack, _, _ = slack_of_drive(thrust, pull, belt)
    status = np.zeros(speed.shape, np.int8)
    status[speed < engine.speed[0]] = Status.BELOW_CURVE
    status[speed > engine.speed[-1]] = Status.ABOVE_CURVE
    status[slack < belt.least_slack * pull] = Status.BELT_SLIDES
    return Balance(speed, pull * radius, pull, slack + pull, slack, thrust, fixed + share * pull, status)


@dataclass(frozen=True)
class _States:
    """What is balanced: sides, belt pull per full torque and held, belt, engine; all of one shape, or broadcasting."""

    gain: Array
    spring: Array
    fixed: Array
    share: Array
    arm: Array
    held: Array
    belt: Grip
    engine: EngineCurve

    def imbalance(self, speed: Array) -> tuple[Array, Array]:
        """Thrust the driven clutch lacks at a speed [N], and its slope [N s/rad]."""
        torque, torque_slope = self.engine.torque_and_slope(speed)
        pull, pull_slope = self.arm * torque + self.held, self.arm * torque_slope
        pushing = self.gain * speed
        slack, by_thrust, by_pull = slack_of_drive(pushing * speed - self.spring, pull, self.belt)
        holds, held_by_slack, held_by_pull = held_thrust(slack, pull, self.belt)
        slack_slope = by_thrust * (2 * pushing) + by_pull * pull_slope
        lacks = holds - self.fixed - self.share * pull
        return lacks, held_by_slack * slack_slope + (held_by_pull - self.share) * pull_slope

    def only(self, chosen: Mask) -> _States:
        """Some of the states, as a row."""

        def picked(values: Number) -> Array:
            return np.broadcast_to(values, chosen.shape)[chosen]

        belt = Grip(**{f.name: picked(getattr(self.belt, f.name)) for f in fields(Grip)})
        sides = {name: picked(getattr(self, name)) for name in ("gain", "spring", "fixed", "share", "arm", "held")}
        return _States(**sides, belt=belt, engine=self.engine)


def _newton(
    states: _States, speed: Array, low: Array, high: Array, done: Mask, steps: int
) -> tuple[Array, Array, Array, Mask]:
    """Newton's method inside a bracket: speeds, the bracket that is left, and what has converged."""
    small = _SPEED_TOLERANCE * states.engine.peak_power_speed
    for _ in range(steps):
        if done.all():
            break
        excess, slope = states.imbalance(speed)
        low = np.where(excess < 0, speed, low)
        high = np.where(excess < 0, high, speed)
        with np.errstate(divide="ignore", invalid="ignore"):
            newer = speed - excess / slope
        inside = (newer >= low) & (newer <= high)  # at the root itself Newton lands on an end
        newer = np.where(inside, newer, (low + high) / 2)
        newer = np.where(done, speed, newer)  # a result must not depend on what is balanced beside it
        done = np.abs(newer - speed) <= small
        speed = newer
    return speed, low, high, done


def _settled(states: _States, speed: Array, low: Array, high: Array, done: Mask, steps: int) -> Array:
    """Speeds by Newton's method, and by halving what is left of a bracket where that does not settle them."""
    speed, low, high, done = _newton(states, speed, low, high, done, steps)
    for _ in range(0 if done.all() else _HALVINGS):
        speed = np.where(done, speed, (low + high) / 2)
        lacking = states.imbalance(speed)[0] < 0
        low, high = np.where(lacking, speed, low), np.where(lacking, high, speed)
    return speed


def tensions(driven: DrivenSide, pull: ArrayLike, belt: Grip) -> tuple[Array, Array]:
    """Net tensions that a driven clutch gives at a belt pull, never below zero.

    Source: derived here from `grip.slack_tension`.

    Parameters
    ----------
    driven : DrivenSide
        At the points, shape (..., j).
    pull : array_like, shape (..., j) or broadcastable [N]
    belt : Grip
        At the points.

    Returns
    -------
    tuple of two ndarrays, shape (..., j) [N]
        Tight and slack net tension.
    """
    d = np.asarray(pull, float)
    slack = np.maximum(slack_tension(driven.fixed + driven.per_pull * d, d, belt), 0.0)
    return np.asarray(slack + d), slack


def needed_drive_thrust(driven: DrivenSide, pull: ArrayLike, belt: Grip) -> Array:
    """Thrust that the drive clutch must give to balance a driven clutch at a belt pull.

    Source: derived here from `grip.slack_tension` and `grip.drive_need`.

    Parameters
    ----------
    driven : DrivenSide
        At the points, shape (..., j).
    pull : array_like, shape (..., j) or broadcastable [N]
    belt : Grip
        At the points.

    Returns
    -------
    ndarray, shape (..., j) [N]
    """
    d = np.asarray(pull, float)
    slack = slack_tension(driven.fixed + driven.per_pull * d, d, belt)
    return drive_need(slack, np.broadcast_to(d, slack.shape), belt.aligned(slack.ndim))[0]


def engagement_speed(drive: DriveSide) -> Array:
    """Engine speed at which the flyweights first exceed the drive spring at zero travel, sqrt(K/A).

    Source: derived here. The arrays' first position must be shift position 0; closing branch.

    Parameters
    ----------
    drive : DriveSide
        Over branches and positions, shape (..., 2, n).

    Returns
    -------
    ndarray, shape (...) [rad/s]
    """
    return np.asarray(np.sqrt(drive.spring[..., 0] / drive.thrust_per_speed2[..., UPSHIFT, 0]))


@dataclass(frozen=True)
class Reserves:
    """What each sheave has in hand until the belt slips on it.

    Attributes
    ----------
    drive, driven : ndarray, shape (..., j) [-]
        Pull at which the sheave would slip, over the pull, less 1; at most 10.
    """

    drive: Array
    driven: Array

    @property
    def least(self) -> Array:
        """The smaller of both sheaves [-]."""
        return np.minimum(self.drive, self.driven)


def slip_reserves(driven: DrivenSide, pull: ArrayLike, tight_net: ArrayLike, belt: Grip) -> Reserves:
    """Belt pull at which each sheave would slip, over the pull, less 1.

    The driven thrust P + Q D grows with pull; the driven sheave slips where it falls to what the limit ratio
    needs. The drive sheave slips where T1' with the thrust it has falls to D / (1 - 1/limit). Source: derived here.

    Parameters
    ----------
    driven : DrivenSide
        At the points, shape (..., j).
    pull, tight_net : array_like, shape (..., j) or broadcastable [N]
    belt : Grip
        At the points.

    Returns
    -------
    Reserves
    """
    d, tight, share = np.asarray(pull, float), np.asarray(tight_net, float), driven.per_pull
    belt = belt.aligned(max(share.ndim, d.ndim))
    lacking = belt.slip_thrust - share
    with np.errstate(divide="ignore", invalid="ignore"):
        on_driven = np.where(lacking > 0, driven.fixed / (lacking * d), np.inf)
        on_drive = tight * (1 - 1 / belt.drive_limit) / d
    drive, driven_reserve = (np.asarray(np.minimum(each - 1, _RESERVE_CAP)) for each in (on_drive, on_driven))
    return Reserves(drive=drive, driven=driven_reserve)


def least_tensions(driven: DrivenSide, pull: ArrayLike, reserve: Number, belt: Grip) -> tuple[Array, Array]:
    """Net tensions at which the wanted slip reserve would just be met with the same torque ramp and lighter springs.

    Source: derived here from `slip_reserves`.

    Parameters
    ----------
    driven : DrivenSide
        At the points, shape (..., j); only `per_pull` is used.
    pull : array_like, shape (..., j) or broadcastable [N]
    reserve : float or ndarray, shape (d,) [-]
    belt : Grip
        At the points.

    Returns
    -------
    tuple of two ndarrays [N]
        Tight and slack net tension.
    """
    d, share = np.asarray(pull, float), driven.per_pull
    here, wanted = belt.aligned(share.ndim), 1 + per_draw(reserve, share.ndim)
    thrust = np.maximum(here.slip_thrust - share, 0.0) * wanted * d + share * d
    tight = np.maximum(slack_tension(thrust, d, belt) + d, wanted * d / (1 - 1 / here.drive_limit))
    return np.asarray(tight), np.asarray(tight - d)
