"""The shift curve: the engine speed at which drive and driven clutch balance.

At a shift position the drive clutch pushes with A w^2 - K (flyweights less spring); that thrust fixes
the tight tension. Engine torque fixes the belt pull, and tight tension less pull is the slack tension.
The driven clutch pushes with P + Q * pull (springs and torsion, plus torque ramp). The balance is the
speed at which this equals the thrust that the tensions need. Drive parts enter only through A and K,
driven parts only through P and Q: the exact search lives on that.

Axes: (..., branch, torque level, position); where inputs are varied, draws are the first of all. Branch 0 is the
upshift (drive sheave closing), branch 1 the backshift; friction in both actuators parts them: engine speed is a band.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from solver.arrays import Array, Number, per_draw, per_position
from solver.belt_grip import Grip, slack_tension
from solver.engine import EngineCurve
from solver.errors import require

__all__ = [
    "BACKSHIFT",
    "LOWEST",
    "UPSHIFT",
    "Balance",
    "DriveSide",
    "DrivenSide",
    "Status",
    "engagement_speed",
    "engine_speed",
    "least_tensions",
    "needed_drive_thrust",
    "slip_reserve",
]

UPSHIFT, BACKSHIFT = 0, 1

# A reserve beyond ten times the pull says no more than ten times: torque sensing alone holds the belt.
_RESERVE_CAP = 10.0
_SPEED_TOLERANCE = 1e-9  # of the peak-power speed; the step that gets there leaves its square
_ROUNDING = 1e-9  # of a thrust: far more than two ways of working it out differ by
_NEWTON_STEPS = 80
_HALVINGS = 55  # of a bracket of four times the peak-power speed: what is left is rounding
LOWEST = 0.05  # of the peak-power speed: no balance is looked for below
_LEAST_TENSION = 1e-30  # N, keeps pull / slack defined at zero torque


class Status(IntEnum):
    """What an engine speed of the balance stands on."""

    BALANCED = 0
    BELOW_CURVE = 1
    ABOVE_CURVE = 2
    BELT_SLIDES = 3


@dataclass(frozen=True)
class DriveSide:
    """Drive clutches, stacked over any leading axes.

    Attributes
    ----------
    thrust_per_speed2 : ndarray, shape (..., 2, n) [N s^2]
        A: flyweight thrust per squared engine speed on each branch, friction included.
    spring : ndarray, shape (..., n) [N]
        K: drive spring load.
    """

    thrust_per_speed2: Array
    spring: Array

    def __getitem__(self, chosen: Any) -> DriveSide:
        return DriveSide(self.thrust_per_speed2[chosen], self.spring[chosen])


@dataclass(frozen=True)
class DrivenSide:
    """Driven clutches, stacked over any leading axes.

    Attributes
    ----------
    fixed : ndarray, shape (..., 2, n) [N]
        P: thrust without belt pull, from the spring's push and its twist on the ramp.
    per_pull : ndarray, shape (..., 2, n) [-]
        Q: thrust per belt pull from the torque ramp.
    """

    fixed: Array
    per_pull: Array

    def __getitem__(self, chosen: Any) -> DrivenSide:
        return DrivenSide(self.fixed[chosen], self.per_pull[chosen])


@dataclass(frozen=True)
class Balance:
    """Result of `engine_speed`, every array of shape (..., 2, levels, n).

    Attributes
    ----------
    speed [rad/s], pull [N], tight_net [N], slack_net [N], drive_thrust [N], driven_thrust [N], torque [N m],
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
    levels: ArrayLike,
    ceiling: Number | None = None,
) -> Balance:
    """Engine speed at which both clutches balance, at every branch, torque level and position.

    Solves  h(t) + cos b/(2 mu) D - P - Q D = 0  for w with  t = (A w^2 - K) T1'/F1 - D,  D = level * T(w) / R1,
    h(t) = t (theta2 - (sin b/mu) ln(1 + D/t)) / (2 tan(b + rho)).  Newton's method kept inside a bracket, then
    halving for what still creeps: the left side is continuous, so a change of sign is always found. Within the slip
    limit it rises with w, so the root is single; far beyond it (status `BELT_SLIDES`) a sliding state may be returned
    where a balance exists too. Source: derived here from the thrust formulas of `belt_grip`.

    Parameters
    ----------
    drive : DriveSide
    driven : DrivenSide
        Leading axes broadcast against those of `drive`; the first one goes over draws, if belt, radius, engine or
        ceiling have them, and is of their size or 1.
    belt : Grip
    drive_radius : ndarray, shape (n,) or (d, n) [m]
    engine : EngineCurve
    levels : array_like, shape (m,) [-]
        Torque as a share of full-throttle torque.
    ceiling : float or ndarray, shape (d,), optional [rad/s]
        Where the clutches would slow the engine at this speed, the balance below it is taken, should there be several.

    Returns
    -------
    Balance
        Always finite; `status` says where a value stands on less than a balance.

    Raises
    ------
    PhysicalRangeError
        If a level is outside [0, 1].
    """
    rungs = np.asarray(levels, float)
    require((rungs >= 0) & (rungs <= 1), "levels", rungs, "-", "[0, 1]")
    gain = drive.thrust_per_speed2[..., :, None, :]
    spring = drive.spring[..., None, None, :]
    fixed = driven.fixed[..., :, None, :]
    share = driven.per_pull[..., :, None, :]
    ndim = max(gain.ndim, fixed.ndim)
    radius, belt, limit = (
        per_position(drive_radius, ndim),
        belt.aligned(ndim),
        per_draw(np.inf if ceiling is None else ceiling, ndim),
    )
    arm = rungs[:, None] / radius
    varied = (belt.tight_per_thrust, belt.wrap, belt.active, per_draw(engine.factor, ndim), limit)
    shape = np.broadcast_shapes(*(np.shape(v) for v in (gain, spring, fixed, share, arm, *varied)))
    gain, spring, fixed, share, arm = (np.broadcast_to(v, shape) for v in (gain, spring, fixed, share, arm))

    def imbalance(speed: Array) -> tuple[Array, Array]:
        """Thrust the driven clutch lacks at a speed [N], and its slope [N s/rad]."""
        torque, torque_slope = engine.torque_and_slope(speed)
        pull, pull_slope = arm * torque, arm * torque_slope
        slack = (gain * speed**2 - spring) * belt.tight_per_thrust - pull
        least = belt.least_slack * pull
        held = np.maximum(np.maximum(slack, least), _LEAST_TENSION)
        log_ratio = np.log1p(pull / held)
        by_slack = (belt.wrap - belt.active * (log_ratio - pull / (held + pull))) * belt.idle_thrust
        by_pull = belt.pull_thrust - share - belt.active * held / (held + pull) * belt.idle_thrust
        excess = (
            held * (belt.wrap - belt.active * log_ratio) * belt.idle_thrust
            + by_slack * (slack - held)  # tangent below the closed form's own limit
            + (belt.pull_thrust - share) * pull
            - fixed
        )
        return excess, by_slack * (2 * gain * speed * belt.tight_per_thrust - pull_slope) + by_pull * pull_slope

    target = engine.peak_power_speed
    low, high = np.full(shape, LOWEST * target), np.full(shape, 4.0 * target)
    if ceiling is not None:
        top = np.full(shape, limit)
        # A kit that just holds the limit by its thrusts must not pass it here for a rounding error.
        high = np.where(imbalance(top)[0] >= -_ROUNDING * (fixed + share * arm * engine.at(top)), top, high)
    speed, done = np.minimum(target, high), np.zeros(shape, bool)
    for _ in range(_NEWTON_STEPS):
        excess, slope = imbalance(speed)
        low = np.where(excess < 0, speed, low)
        high = np.where(excess < 0, high, speed)
        with np.errstate(divide="ignore", invalid="ignore"):
            newer = speed - excess / slope
        inside = (newer >= low) & (newer <= high)  # at the root itself Newton lands on an end
        newer = np.where(inside, newer, (low + high) / 2)
        newer = np.where(done, speed, newer)  # a result must not depend on what is balanced beside it
        done = np.abs(newer - speed) <= _SPEED_TOLERANCE * target
        speed = newer
        if done.all():
            break
    else:
        for _ in range(_HALVINGS):
            speed = np.where(done, speed, (low + high) / 2)
            lacking = imbalance(speed)[0] < 0
            low, high = np.where(lacking, speed, low), np.where(lacking, high, speed)

    torque = np.asarray(engine.at(speed) * rungs[:, None])
    pull = torque / radius
    thrust = gain * speed**2 - spring
    tight = thrust * belt.tight_per_thrust
    slack = tight - pull
    status = np.zeros(speed.shape, np.int8)
    status[speed < engine.speed[0]] = Status.BELOW_CURVE
    status[speed > engine.speed[-1]] = Status.ABOVE_CURVE
    status[slack < belt.least_slack * pull] = Status.BELT_SLIDES
    return Balance(speed, torque, pull, tight, slack, thrust, fixed + share * pull, status)


def needed_drive_thrust(driven: DrivenSide, pull: ArrayLike, belt: Grip) -> Array:
    """Thrust that the drive clutch must give to balance a driven clutch at a belt pull.

    F1 = T1' theta1 / (2 tan(b + rho)). Source: derived here from `belt_grip.slack_tension`.

    Parameters
    ----------
    driven : DrivenSide
        Shape (..., 2, n).
    pull : array_like, shape (..., 2, m, n) or broadcastable [N]
    belt : Grip

    Returns
    -------
    ndarray, shape (..., 2, m, n) [N]
    """
    d = np.asarray(pull, float)
    thrust = driven.fixed[..., :, None, :] + driven.per_pull[..., :, None, :] * d
    return np.asarray((slack_tension(thrust, d, belt) + d) / per_position(belt.tight_per_thrust, thrust.ndim))


def engagement_speed(drive: DriveSide) -> Array:
    """Engine speed at which the flyweights first exceed the drive spring at zero travel, sqrt(K/A).

    Source: derived here. The arrays' first position must be shift position 0; closing branch.

    Parameters
    ----------
    drive : DriveSide

    Returns
    -------
    ndarray, shape (...) [rad/s]
    """
    return np.asarray(np.sqrt(drive.spring[..., 0] / drive.thrust_per_speed2[..., UPSHIFT, 0]))


def slip_reserve(driven: DrivenSide, pull: ArrayLike, tight_net: ArrayLike, belt: Grip) -> Array:
    """Belt pull at which a sheave would slip, over the pull, less 1.

    The driven thrust P + Q D grows with pull; the driven sheave slips where it falls to what the limit ratio
    needs. The drive sheave slips where T1' with the thrust it has falls to D / (1 - 1/limit). Source: derived here.

    Parameters
    ----------
    driven : DrivenSide
        Shape (..., 2, n).
    pull, tight_net : array_like, shape (..., 2, m, n) or broadcastable [N]
    belt : Grip

    Returns
    -------
    ndarray, shape (..., 2, m, n) [-]
        The smaller of both sheaves, at most 10.
    """
    d, tight, share = np.asarray(pull, float), np.asarray(tight_net, float), driven.per_pull[..., :, None, :]
    belt = belt.aligned(share.ndim)
    lacking = belt.slip_thrust - share
    with np.errstate(divide="ignore", invalid="ignore"):
        on_driven = np.where(lacking > 0, driven.fixed[..., :, None, :] / (lacking * d), np.inf)
        on_drive = tight * (1 - 1 / belt.drive_limit) / d
    return np.asarray(np.minimum(np.minimum(on_driven, on_drive) - 1, _RESERVE_CAP))


def least_tensions(driven: DrivenSide, pull: ArrayLike, reserve: Number, belt: Grip) -> tuple[Array, Array]:
    """Net tensions at which the wanted slip reserve would just be met with the same torque ramp and lighter springs.

    Source: derived here from `slip_reserve`.

    Parameters
    ----------
    driven : DrivenSide
        Shape (..., 2, n); only `per_pull` is used.
    pull : array_like, shape (..., 2, m, n) or broadcastable [N]
    reserve : float or ndarray, shape (d,) [-]
    belt : Grip

    Returns
    -------
    tuple of two ndarrays [N]
        Tight and slack net tension.
    """
    d = np.asarray(pull, float)
    share = driven.per_pull[..., :, None, :]
    belt, wanted = belt.aligned(share.ndim), 1 + per_draw(reserve, share.ndim)
    thrust = np.maximum(belt.slip_thrust - share, 0.0) * wanted * d + share * d
    tight = np.maximum(slack_tension(thrust, d, belt) + d, wanted * d / (1 - 1 / belt.drive_limit))
    return np.asarray(tight), np.asarray(tight - d)
