"""Pulling away in the lowest gear, from engagement to lock-up: what the belt carries, how long it slips, how much heat.

Both sheaves stand on their stops. Until the road has caught up the belt slips bodily on the drive sheave, and friction
lies along the groove; once speeds are equal it has to grip, and friction is also spent radially. One kit on one ground:
plain numbers. What happens once the sheaves shift stands in `balance`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from solver.arrays import Array
from solver.engine import EngineCurve
from solver.errors import require
from solver.ground import GRAVITY, resistance

__all__ = [
    "Launch",
    "LowGear",
    "StartGround",
    "cone_pull",
    "gripping_torque",
    "launch",
    "slipping_torque",
    "take_up_speed",
]

_RIGHT_ANGLE = np.pi / 2
_ROUNDING = 1e-9  # of a torque: far more than two ways to the same limit of the driven sheave differ by


@dataclass(frozen=True)
class LowGear:
    """What decides what one kit carries with both sheaves on their stops.

    Attributes
    ----------
    thrust_per_speed2 [N s^2], spring [N] : A and K at no travel, A on the upshift; the drive clutch gives A w^2 - K
    fixed [N], per_pull [-] : P and Q of the driven clutch, which gives P + Q D
    slip_thrust [-] : driven thrust per belt pull at which the driven sheave slips
    tight_per_thrust [-] : tight net tension per drive thrust of a belt that grips
    drive_limit [-] : largest T1'/T2' of the drive sheave with a belt that grips
    half_angle [rad] : of the groove
    kinetic_friction [-] : of the flanks while they slip
    drive_radius [m]
    ratio [-] : driven radius over drive radius

    Raises
    ------
    PhysicalRangeError
        For a number that no clutch and belt can have.
    """

    thrust_per_speed2: float
    spring: float
    fixed: float
    per_pull: float
    slip_thrust: float
    tight_per_thrust: float
    drive_limit: float
    half_angle: float
    kinetic_friction: float
    drive_radius: float
    ratio: float

    def __post_init__(self) -> None:
        require(self.thrust_per_speed2 > 0, "thrust_per_speed2", self.thrust_per_speed2, "N s^2", "> 0")
        require(self.spring >= 0, "spring", self.spring, "N", ">= 0")
        require(self.fixed >= 0, "fixed", self.fixed, "N", ">= 0")
        require(self.tight_per_thrust > 0, "tight_per_thrust", self.tight_per_thrust, "-", "> 0")
        require(self.drive_limit >= 1, "drive_limit", self.drive_limit, "-", ">= 1")
        require(0 < self.half_angle <= _RIGHT_ANGLE / 2, "half_angle", self.half_angle, "rad", "(0, 0.785] (45 deg)")
        require(self.kinetic_friction > 0, "kinetic_friction", self.kinetic_friction, "-", "> 0")
        require(self.drive_radius > 0, "drive_radius", self.drive_radius, "m", "> 0")
        require(self.ratio > 0, "ratio", self.ratio, "-", "> 0")

    @property
    def engagement(self) -> float:
        """Engine speed [rad/s] above which the drive clutch closes on the belt, sqrt(K / A)."""
        return float(np.sqrt(self.spring / self.thrust_per_speed2))


@dataclass(frozen=True)
class StartGround:
    """A vehicle at rest on the ground where it starts.

    Attributes
    ----------
    mass [kg], drag_area [m^2], wheel_radius [m]
    reduction [-] : turns of the driven shaft per turn of the wheel
    driveline_efficiency [-] : driven shaft to ground
    rolling, grade, adhesion [-]
    air_density [kg/m^3]

    Raises
    ------
    PhysicalRangeError
        For a number that no vehicle or ground can have.
    """

    mass: float
    drag_area: float
    wheel_radius: float
    reduction: float
    driveline_efficiency: float
    rolling: float
    grade: float
    adhesion: float
    air_density: float

    def __post_init__(self) -> None:
        self.holding_back(0.0)
        require(self.wheel_radius > 0, "wheel_radius", self.wheel_radius, "m", "> 0")
        require(self.reduction > 0, "reduction", self.reduction, "-", "> 0")
        efficiency = self.driveline_efficiency
        require(0 < efficiency <= 1, "driveline_efficiency", efficiency, "-", "(0, 1]")
        require(self.adhesion > 0, "adhesion", self.adhesion, "-", "> 0")

    def holding_back(self, speed: float) -> float:
        """Resistance [N] at a road speed [m/s]."""
        return float(resistance(self.mass, self.rolling, self.grade, speed, self.drag_area, self.air_density))

    @property
    def adhesion_force(self) -> float:
        """Driving force [N] at which the tyres slip, all wheels driven."""
        return float(self.adhesion * self.mass * GRAVITY * np.cos(np.arctan(self.grade)))


@dataclass(frozen=True)
class Launch:
    """A start from rest up to lock-up, and what the belt does then.

    Attributes
    ----------
    take_up_speed [rad/s] : at which the engine sits while the road catches up; infinite if the belt never carries it
    torque [N m] : that the belt carries meanwhile, at the engine; 0 if take-up is infinite
    lock_up_speed [m/s] : road speed at which belt and drive sheave would be equally fast
    time [s] : from rest to lock-up; infinite if lock-up is not reached
    slip_heat [J] : that the slipping belt makes until then; infinite if lock-up is not reached
    moves : whether the pull exceeds what holds the vehicle back, all the way to lock-up
    tyres_slip : whether the tyres slip before the torque asked for is reached, so that adhesion holds the torque
    slips_on : whether the belt goes on slipping after lock-up: gripping, it carries less than that torque there
    grips_at [rad/s] : lowest engine speed from take-up on at which a belt that grips carries the engine; infinite if
        there is none
    """

    take_up_speed: float
    torque: float
    lock_up_speed: float
    time: float
    slip_heat: float
    moves: bool
    tyres_slip: bool
    slips_on: bool
    grips_at: float


def cone_pull(thrust: ArrayLike, half_angle: ArrayLike, friction: ArrayLike) -> Array:
    """Belt pull of a sheave on which the belt slips bodily along the groove, 2 mu F / cos b.

    Each flank takes the thrust F. Friction along the groove has no part along the shaft, so F = N cos b with N the
    normal force of a flank; two flanks rub with mu N each. The hub on which the belt rests, or its tension, holds the
    belt radially, whatever that takes; friction on the hub itself is left out.
    Source: derived here; it is the cone clutch of Shigley ch. 16 (from memory), T = F f (D + d) / (4 sin a), with the
    cone's half angle a = 90 deg - b, twice for two flanks.

    Parameters
    ----------
    thrust : array_like [N]
        On one half of the sheave, not negative.
    half_angle : array_like [rad]
    friction : array_like [-]
        Kinetic.

    Returns
    -------
    ndarray [N]

    Raises
    ------
    PhysicalRangeError
        For a thrust or friction below zero, or a half angle outside [0, 90 deg).

    Examples
    --------
    >>> round(float(cone_pull(1.0, np.radians(13), 0.35)), 3)  # worked value, derived here
    0.718
    """
    force, b, mu = (np.asarray(a, float) for a in (thrust, half_angle, friction))
    require(force >= 0, "thrust", force, "N", ">= 0")
    require((b >= 0) & (b < _RIGHT_ANGLE), "half_angle", b, "rad", "[0, 1.571) (90 deg)")
    require(mu >= 0, "friction", mu, "-", ">= 0")
    return _along_groove(force, b, mu)


def slipping_torque(speed: ArrayLike, gear: LowGear) -> Array:
    """Engine torque that the belt carries while it slips on the drive sheave.

    The drive sheave carries `cone_pull` of its thrust A w^2 - K, the driven sheave P / (c - Q) with c its thrust per
    pull at the slip limit (any pull where Q reaches c); the smaller counts. Source: derived here.

    Parameters
    ----------
    speed : array_like [rad/s]
    gear : LowGear

    Returns
    -------
    ndarray [N m]
        0 below engagement.
    """
    pull = _along_groove(_drive_thrust(speed, gear), gear.half_angle, gear.kinetic_friction)
    return np.asarray(np.minimum(pull, _driven_pull(gear)) * gear.drive_radius)


def gripping_torque(speed: ArrayLike, gear: LowGear) -> Array:
    """Engine torque that the belt carries in the lowest gear without slipping.

    The drive sheave carries T1' (1 - 1/limit) with T1' the tight net tension that its thrust A w^2 - K holds in a belt
    that grips, the driven sheave as in `slipping_torque`. Source: derived here from the slip limits of `belt_grip`.

    Parameters
    ----------
    speed : array_like [rad/s]
    gear : LowGear

    Returns
    -------
    ndarray [N m]
        0 below engagement.
    """
    pull = _drive_thrust(speed, gear) * gear.tight_per_thrust * (1 - 1 / gear.drive_limit)
    return np.asarray(np.minimum(pull, _driven_pull(gear)) * gear.drive_radius)


def take_up_speed(gear: LowGear, engine: EngineCurve, share: float = 1.0, most: float = np.inf) -> float:
    """Lowest engine speed at which the slipping belt carries the engine: it sits there while the road catches up.

    The meeting of `slipping_torque` with a share of full torque, up to the last dyno point. The engine's own inertia is
    left out: it is at this speed at once. Source: derived here.

    Parameters
    ----------
    gear : LowGear
    engine : EngineCurve
    share : float [-]
        Of full-throttle torque, (0, 1].
    most : float [N m]
        Largest torque that is asked of the belt, where tyres would slip beyond.

    Returns
    -------
    float [rad/s]
        Infinite if the belt never carries the engine.

    Raises
    ------
    PhysicalRangeError
        If the share is outside (0, 1] or the largest torque is not above zero.
    """
    require(0 < share <= 1, "share", share, "-", "(0, 1]")
    require(most > 0, "most", most, "N m", "> 0")
    return _meeting(lambda w: slipping_torque(w, gear) - _asked(w, engine, share, most), gear.engagement, engine)


def launch(gear: LowGear, start: StartGround, engine: EngineCurve, share: float = 1.0) -> Launch:
    """A start from rest at one share of full torque.

    The engine sits at take-up speed with the torque there; slip speed is w - i w2 with w2 of the driven shaft. The
    vehicle gains speed by E - c v^2: E the wheel force less rolling and grade, c v^2 drag. With V = lock-up speed,
    x^2 = c V^2 / E and m V / E the time without drag, integrating over road speed gives

        time = (m V / E) artanh(x) / x,   heat = torque w (m V / E) [artanh(x) / x + ln(1 - x^2) / (2 x^2)],

    half of the engine's work where there is no drag. Where tyres slip first, adhesion holds the torque of the belt, and
    the engine sits where the belt carries that. Belt losses, creep and the inertia of engine, sheaves and wheels are
    left out. Source: derived here.

    Parameters
    ----------
    gear : LowGear
    start : StartGround
    engine : EngineCurve
    share : float [-]
        Of full-throttle torque, (0, 1].

    Returns
    -------
    Launch

    Raises
    ------
    PhysicalRangeError
        If the share is outside (0, 1].
    """
    force_per_torque = gear.ratio * start.reduction * start.driveline_efficiency / start.wheel_radius
    most = start.adhesion_force / force_per_torque
    speed = take_up_speed(gear, engine, share, most)
    if not np.isfinite(speed):
        inf, grips_at = float("inf"), _grips_at(gear.engagement, gear, engine, share, most)
        return Launch(inf, 0.0, inf, inf, inf, moves=False, tyres_slip=False, slips_on=True, grips_at=grips_at)
    torque = float(_asked(speed, engine, share, most))
    lock_up = speed * start.wheel_radius / (gear.ratio * start.reduction)
    time, heat = _until_lock_up(start, torque * force_per_torque, lock_up, torque * speed)
    slips_on = bool(gripping_torque(speed, gear) < torque * (1 - _ROUNDING))
    grips_at = _grips_at(speed, gear, engine, share, most) if slips_on else speed
    return Launch(
        take_up_speed=speed,
        torque=torque,
        lock_up_speed=lock_up,
        time=time,
        slip_heat=heat,
        moves=bool(np.isfinite(time)),
        tyres_slip=bool(share * engine.at(speed) > most),
        slips_on=slips_on,
        grips_at=grips_at,
    )


def _grips_at(speed: float, gear: LowGear, engine: EngineCurve, share: float, most: float) -> float:
    """Lowest engine speed from a speed on at which a belt that grips carries the engine."""
    return _meeting(lambda w: gripping_torque(w, gear) - _asked(w, engine, share, most), speed, engine)


def _along_groove(thrust: ArrayLike, half_angle: ArrayLike, friction: ArrayLike) -> Array:
    return np.asarray(2 * np.asarray(friction) * thrust / np.cos(half_angle))


def _drive_thrust(speed: ArrayLike, gear: LowGear) -> Array:
    return np.maximum(gear.thrust_per_speed2 * np.asarray(speed, float) ** 2 - gear.spring, 0.0)


def _driven_pull(gear: LowGear) -> float:
    lacking = gear.slip_thrust - gear.per_pull
    return gear.fixed / lacking if lacking > 0 else float("inf")


def _asked(speed: ArrayLike, engine: EngineCurve, share: float, most: float) -> Array:
    return np.minimum(share * engine.at(speed), most)


def _meeting(surplus: Callable[[ArrayLike], Array], low: float, engine: EngineCurve) -> float:
    """Lowest engine speed up to the last dyno point at which a surplus of torque, negative at `low`, no longer is."""
    speeds = engine.nodes(low, float(engine.speed[-1]))  # between them torque is a straight line
    carried = np.flatnonzero(surplus(speeds) >= 0)
    if not len(carried):
        return float("inf")
    first = int(carried[0])
    return float(brentq(lambda w: float(surplus(w)), speeds[first - 1], speeds[first]))


def _until_lock_up(start: StartGround, traction: float, lock_up: float, power: float) -> tuple[float, float]:
    """Time and slip heat from rest to lock-up speed; infinite where the traction does not reach it."""
    standing = start.holding_back(0.0)
    surplus = traction - standing
    drag = start.holding_back(lock_up) - standing
    if surplus <= 0 or surplus <= drag:
        return float("inf"), float("inf")
    undragged = start.mass * lock_up / surplus
    x2 = drag / surplus
    x = np.sqrt(x2)
    stretch, moved = (np.arctanh(x) / x, -np.log1p(-x2) / (2 * x2)) if x2 > 0 else (1.0, 0.5)
    return float(undragged * stretch), float(power * undragged * (stretch - moved))
