"""Belt tensions, sheave thrusts and slip in closed form: the fast path of the balance.

Net tensions are T' = T - m v^2. Angles b are half groove angles. A rubber belt past the self-locking
limit (mu >= tan b) keeps its tight tension over the idle arc of the drive sheave and its slack
tension over the idle arc of the driven sheave; friction there points outward, which is what
`seating` scales: 1 = full flank friction, 0 = none. It is the largest modelling choice here.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Index, Mask, Number, per_draw, per_position, plain
from solver.belt_path import ShiftPath
from solver.belt_sliding import slip_ratio, table_arc
from solver.errors import require

__all__ = [
    "Grip",
    "centrifugal_tension",
    "drive_thrust",
    "driven_thrust",
    "eytelwein_ratio",
    "grip",
    "slack_tension",
    "slip_limit",
    "theory_over_closed",
]

# Largest useful ratio measured on any sheave: Childs and Cowburn, Proc. IMechE D 201 (1987), radius 51 mm, 180 deg.
_MEASURED_LIMIT = 21.0
_RUNNING_SHARE = 2 / 3  # of ln(slip limit): where belts with a reserve of some 20 to 50 % run
_LEAST_TENSION = 1e-30  # N, keeps pull / slack defined at zero tension


def centrifugal_tension(mass_per_length: ArrayLike, belt_speed: ArrayLike) -> Array:
    """Tension that only carries the belt round the sheaves, m v^2.

    Source: Shigley section 17-2.

    Parameters
    ----------
    mass_per_length : array_like [kg/m]
    belt_speed : array_like [m/s]

    Returns
    -------
    ndarray [N]

    Examples
    --------
    >>> round(float(centrifugal_tension(0.20, 15.0)), 6)  # Ojha and Michael, worked problem: 45 N
    45.0
    """
    return np.asarray(np.asarray(mass_per_length, float) * np.asarray(belt_speed, float) ** 2)


def eytelwein_ratio(wrap: ArrayLike, half_angle: ArrayLike, friction: ArrayLike) -> Array:
    """Net tension ratio of a wedge belt that slides purely along the groove, exp(mu theta / sin b).

    Source: Shigley Eq. 17-18; Euler and Eytelwein. With a real flank friction it overstates a CVT sheave many
    times over, because friction is also spent radially: use `slip_limit` for the limit.

    Parameters
    ----------
    wrap, half_angle : array_like [rad]
    friction : array_like [-]

    Returns
    -------
    ndarray [-]

    Raises
    ------
    PhysicalRangeError
        For a wrap outside (0, 360 deg], a half angle outside (0, 45 deg] or friction outside (0, 1.5].
    """
    theta, b, mu = _flanks(wrap, half_angle, friction)
    return np.asarray(np.exp(mu * theta / np.sin(b)))


def drive_thrust(
    tight_net: ArrayLike,
    wrap: ArrayLike,
    half_angle: ArrayLike,
    friction: ArrayLike,
    seating: ArrayLike = 1.0,
) -> Array:
    """Axial thrust on one side of the drive sheave, F1 = T1' theta1 / (2 tan(b + seating rho)).

    Source: derived here from the element equilibrium of a V-belt; the assumption that tension stays at its
    tight value is Kim and Lee's (KSME Journal, late 1980s; abstract).

    Parameters
    ----------
    tight_net : array_like [N]
        T1' = T1 - m v^2, not negative.
    wrap, half_angle : array_like [rad]
    friction, seating : array_like [-]

    Returns
    -------
    ndarray [N]
        Positive: closes the sheaves.

    Raises
    ------
    PhysicalRangeError
        For a net tension below zero (tension below the centrifugal part) or angles, friction out of range.

    Examples
    --------
    >>> b = np.radians(13)
    >>> round(float(drive_thrust(1000, np.radians(164.527), b, 0.35)), 0)  # worked chain, derived here: 2272.0
    2272.0
    """
    theta, b, mu = _flanks(wrap, half_angle, friction)
    tight = np.asarray(tight_net, float)
    require(tight >= 0, "tight_net", tight, "N", ">= 0 (belt tension not below m v^2)")
    return np.asarray(tight * theta / _seat(b, mu, seating))


def driven_thrust(
    tight_net: ArrayLike,
    slack_net: ArrayLike,
    wrap: ArrayLike,
    half_angle: ArrayLike,
    friction: ArrayLike,
    seating: ArrayLike = 1.0,
) -> Array:
    """Axial thrust that the driven sheave must hold for the given tensions.

    F2 = T2' (theta2 - theta_a) / (2 tan(b + seating rho)) + (T1' - T2') cos b / (2 mu),
    theta_a = (sin b / mu) ln(T1'/T2'). Source: derived here; idle and active arc as in Kim and Lee
    (KSME Journal, late 1980s; abstract).

    Parameters
    ----------
    tight_net, slack_net : array_like [N]
        Net tensions with T1' >= T2' > 0.
    wrap, half_angle : array_like [rad]
    friction, seating : array_like [-]

    Returns
    -------
    ndarray [N]

    Raises
    ------
    PhysicalRangeError
        If slack_net is not above zero or above tight_net, or the active arc passes the wrap (gross slip).

    Examples
    --------
    >>> b = np.radians(13)
    >>> round(float(driven_thrust(1000, 500, np.radians(195.473), b, 0.35)), 0)  # worked chain, derived here: 1869.4
    1869.0
    """
    theta, b, mu = _flanks(wrap, half_angle, friction)
    tight, slack = np.asarray(tight_net, float), np.asarray(slack_net, float)
    require(slack > 0, "slack_net", slack, "N", "> 0 (belt tension above m v^2)")
    require(tight >= slack, "tight_net", tight, "N", "at or above slack_net")
    active = np.sin(b) / mu * np.log(tight / slack)
    require(
        active <= theta,
        "active arc",
        active,
        "rad",
        "at or below the wrap (the belt slides on all of it)",
        "tension ratio, wrap or friction",
    )
    return np.asarray(slack * (theta - active) / _seat(b, mu, seating) + (tight - slack) * np.cos(b) / (2 * mu))


def slip_limit(
    wrap: ArrayLike,
    half_angle: ArrayLike,
    friction: ArrayLike,
    pulley: Literal["drive", "driven"] = "driven",
) -> Array:
    """Largest net tension ratio T1'/T2' that a sheave carries before the belt slides bodily.

    Source: derived here: the full sliding-angle theory (`belt_sliding.slip_ratio`), tabulated; never above 21, the
    largest useful ratio measured (Childs and Cowburn 1987).

    Parameters
    ----------
    wrap, half_angle : array_like [rad]
    friction : array_like [-]
    pulley : "drive" or "driven"

    Returns
    -------
    ndarray [-]

    Raises
    ------
    PhysicalRangeError
        For angles or friction out of range.

    Examples
    --------
    >>> print(round(float(slip_limit(np.pi, np.radians(13), 0.35)), 2))  # computed check table: 4.28
    4.27
    """
    theta, b, mu = _flanks(wrap, half_angle, friction)
    return np.minimum(slip_ratio(theta, b, mu, pulley), _MEASURED_LIMIT)


@dataclass(frozen=True)
class Grip:
    """The belt's coefficients at each shift position, shape (n,) each, (d, n) where draws differ.

    Attributes
    ----------
    tight_per_thrust [-] : T1' = tight_per_thrust * F1 on the drive sheave
    wrap [rad] : driven wrap theta2
    active : float or ndarray, shape (d,) [rad], sin b / mu, arc per unit of ln(T1'/T2')
    seat : float or ndarray, shape (d,) [-], 2 tan(b + seating rho)
    idle_thrust [-] : driven thrust per slack tension and radian of idle arc, 1 / seat
    pull_thrust [-] : driven thrust of the active arc per unit of belt pull, cos b / (2 mu)
    least_slack [-] : T2' / pull at which the closed form's active arc fills the wrap
    drive_limit, driven_limit [-] : slip limits of the two sheaves
    slip_thrust [-] : driven thrust per unit of belt pull at the driven slip limit
    """

    tight_per_thrust: Array
    wrap: Array
    active: Number
    seat: Number
    idle_thrust: Array
    pull_thrust: Array
    least_slack: Array
    drive_limit: Array
    driven_limit: Array
    slip_thrust: Array

    def at(self, chosen: Mask | Index) -> Grip:
        """The coefficients at chosen positions, by mask or by number [-]."""
        return replace(self, **{name: getattr(self, name)[..., chosen] for name in self._over_positions()})

    def aligned(self, ndim: int) -> Grip:
        """The same coefficients shaped to meet arrays of `ndim` [-] axes, draws first and positions last."""
        over = self._over_positions()
        return Grip(
            **{
                f.name: (per_position if f.name in over else per_draw)(getattr(self, f.name), ndim)
                for f in fields(self)
            }
        )

    def _over_positions(self) -> set[str]:
        return {f.name for f in fields(self)} - {"active", "seat"}


def grip(
    path: ShiftPath, half_angle: Number, friction: Number, seating: Number = 1.0, *, corrected: bool = False
) -> Grip:
    """Collect the belt's coefficients over a shift path.

    Source: derived here from `drive_thrust`, `driven_thrust` and `slip_limit`. Corrected coefficients scale the
    closed forms to the full sliding-angle theory at a running tension ratio, two thirds of the way (in the logarithm)
    to the driven slip limit; they need full seating and a belt within the theory's table.

    Parameters
    ----------
    path : ShiftPath
    half_angle : float or ndarray, shape (d,) [rad]
    friction, seating : float or ndarray, shape (d,) [-]
    corrected : bool
        Scale the closed forms to the full theory.

    Returns
    -------
    Grip

    Raises
    ------
    PhysicalRangeError
        For angles or friction out of range, or a correction outside the table or with partial seating.
    """
    b, mu, share = (per_draw(v, 2) for v in (half_angle, friction, seating))
    _flanks(path.driven_wrap, b, mu)
    seat, active = _seat(b, mu, share), np.sin(b) / mu
    limit = slip_limit(path.driven_wrap, b, mu)
    drive_factor, driven_factor = np.ones_like(limit), np.ones_like(limit)
    if corrected:
        require(share == 1, "seating", share, "-", "1, which the full theory implies")
        drive_factor, driven_factor = theory_over_closed(limit**_RUNNING_SHARE, path, half_angle, friction)
    idle_thrust = driven_factor / seat
    pull_thrust = driven_factor * np.cos(b) / (2 * mu)
    idle = np.maximum(path.driven_wrap - active * np.log(limit), 0.0)
    return Grip(
        tight_per_thrust=np.asarray(seat / path.drive_wrap / drive_factor),
        wrap=path.driven_wrap,
        active=_of_draw(active),
        seat=_of_draw(seat),
        idle_thrust=idle_thrust,
        pull_thrust=np.asarray(pull_thrust),
        least_slack=np.asarray(1 / np.expm1(path.driven_wrap / active)),
        drive_limit=slip_limit(path.drive_wrap, b, mu, "drive"),
        driven_limit=limit,
        slip_thrust=np.asarray(idle * idle_thrust / (limit - 1) + pull_thrust),
    )


def theory_over_closed(ratio: ArrayLike, path: ShiftPath, half_angle: Number, friction: Number) -> tuple[Array, Array]:
    """Thrust of the full sliding-angle theory over the closed forms, on drive and driven sheave.

    Source: derived here from `belt_sliding.table_arc` and the closed forms of this file at full seating.

    Parameters
    ----------
    ratio : array_like, shape (..., n) [-]
        Net tension ratio at each position, above 1 and below the sheave's slip limit.
    path : ShiftPath
    half_angle : float or ndarray, shape (d,) [rad]
    friction : float or ndarray, shape (d,) [-]

    Returns
    -------
    tuple of two ndarrays, shape (..., n) [-]

    Raises
    ------
    PhysicalRangeError
        Outside the table of the full theory.
    """
    strain, b, mu = np.asarray(ratio, float), per_draw(half_angle, 2), per_draw(friction, 2)
    seat = 2 * np.tan(b + np.arctan(mu))
    arc, thrust = table_arc(strain, b, mu, "drive")
    drive = ((path.drive_wrap - arc) / seat + thrust) * seat / path.drive_wrap
    arc, thrust = table_arc(strain, b, mu, "driven")
    full = (path.driven_wrap - arc) / seat + thrust
    active = np.sin(b) / mu * np.log(strain)
    closed = (path.driven_wrap - active) / seat + (strain - 1) * np.cos(b) / (2 * mu)
    return np.asarray(drive), np.asarray(full / closed)


def slack_tension(thrust: ArrayLike, pull: ArrayLike, belt: Grip) -> Array:
    """Net slack tension that a driven thrust holds at a belt pull: inverse of `driven_thrust`.

    Newton's method from the right on a convex, rising function, so it cannot overshoot. Where the thrust is too
    small even for the closed form (active arc = wrap) the function is continued by its tangent, which keeps the
    result continuous; such states have a negative slip reserve. Source: derived here.

    Parameters
    ----------
    thrust, pull : array_like, shape (..., n) [N]
        Last axis over shift position; the first one over draws, if the belt has them.
    belt : Grip

    Returns
    -------
    ndarray [N]
    """
    thrust, pull = np.broadcast_arrays(np.asarray(thrust, float), np.asarray(pull, float))
    belt = belt.aligned(thrust.ndim)
    idle = (thrust - belt.pull_thrust * pull) / belt.idle_thrust
    least = belt.least_slack * pull
    # ln(1+z) <= z bounds the root from above; where idle < 0 the tangent at `least` is the answer at once.
    slack = np.maximum((idle + belt.active * pull) / belt.wrap, least)
    done = np.zeros(slack.shape, bool)
    for _ in range(60):
        some = np.maximum(slack, _LEAST_TENSION)
        log_ratio = np.log1p(pull / some)
        held = slack * (belt.wrap - belt.active * log_ratio)
        rate = belt.wrap - belt.active * (log_ratio - pull / (some + pull))
        step = np.where(done, 0.0, (held - idle) / rate)  # a result must not depend on what is solved beside it
        slack = np.maximum(slack - step, least)
        done = np.abs(step) <= 1e-13 * (slack + pull)
        if done.all():
            break
    slope = belt.active * pull / np.maximum(least + pull, _LEAST_TENSION)
    below = least + idle / np.where(slope > 0, slope, belt.wrap)
    return np.asarray(np.where(idle < 0, below, slack))


def _flanks(wrap: ArrayLike, half_angle: ArrayLike, friction: ArrayLike) -> tuple[Array, Array, Array]:
    theta, b, mu = (np.asarray(v, float) for v in (wrap, half_angle, friction))
    require((theta > 0) & (theta <= 2 * np.pi), "wrap", theta, "rad", "(0, 6.283]")
    require((b > 0) & (b <= np.pi / 4), "half_angle", b, "rad", "(0, 0.785] (half, not included, groove angle)")
    require((mu > 0) & (mu <= 1.5), "friction", mu, "-", "(0, 1.5]")
    return theta, b, mu


def _of_draw(values: Array) -> Number:
    """A coefficient without positions, shape () or (d, 1), as a float or as shape (d,)."""
    return plain(values[:, 0] if values.ndim else values)


def _seat(half_angle: Array, friction: Array, seating: ArrayLike) -> Array:
    share = np.asarray(seating, float)
    require((share >= 0) & (share <= 1), "seating", share, "-", "[0, 1]")
    return np.asarray(2 * np.tan(half_angle + share * np.arctan(friction)))
