"""Belt tensions, sheave thrusts and slip of one sheave in closed form; `solver.grip` joins them over the shift.

Net tensions are T' = T - m v^2. Angles b are half groove angles. A rubber belt past the self-locking
limit (mu >= tan b) keeps its tight tension over the idle arc of the drive sheave and its slack
tension over the idle arc of the driven sheave; friction there points outward, which is what
`seating` scales: 1 = full flank friction, 0 = none. It is the largest modelling choice here.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number, per_draw
from solver.belt_path import ShiftPath
from solver.belt_sliding import slip_ratio, table_arc
from solver.errors import require

__all__ = [
    "centrifugal_tension",
    "check_flanks",
    "drive_thrust",
    "driven_thrust",
    "eytelwein_ratio",
    "seat_of",
    "slip_limit",
    "theory_over_closed",
]

# Largest useful ratio measured on any sheave: Childs and Cowburn, Proc. IMechE D 201 (1987), radius 51 mm, 180 deg.
_MEASURED_LIMIT = 21.0
_FLAT = 1.5  # rad, of half angle and friction angle: beyond, no tension presses the belt in


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
    theta, b, mu = check_flanks(wrap, half_angle, friction)
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
    theta, b, mu = check_flanks(wrap, half_angle, friction)
    tight = np.asarray(tight_net, float)
    require(tight >= 0, "tight_net", tight, "N", ">= 0 (belt tension not below m v^2)")
    return np.asarray(tight * theta / seat_of(b, mu, seating))


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
    theta, b, mu = check_flanks(wrap, half_angle, friction)
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
    return np.asarray(slack * (theta - active) / seat_of(b, mu, seating) + (tight - slack) * np.cos(b) / (2 * mu))


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
    theta, b, mu = check_flanks(wrap, half_angle, friction)
    return np.minimum(slip_ratio(theta, b, mu, pulley), _MEASURED_LIMIT)


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


def check_flanks(wrap: ArrayLike, half_angle: ArrayLike, friction: ArrayLike) -> tuple[Array, Array, Array]:
    """Wrap, half angle and flank friction as arrays, if a V-belt can have them.

    Source: ranges chosen here.

    Parameters
    ----------
    wrap, half_angle : array_like [rad]
    friction : array_like [-]

    Returns
    -------
    tuple of three ndarrays [rad] [rad] [-]

    Raises
    ------
    PhysicalRangeError
        For a wrap outside (0, 360 deg], a half angle outside (0, 45 deg] or friction outside (0, 1.5].
    """
    theta, b, mu = (np.asarray(v, float) for v in (wrap, half_angle, friction))
    require((theta > 0) & (theta <= 2 * np.pi), "wrap", theta, "rad", "(0, 6.283]")
    require((b > 0) & (b <= np.pi / 4), "half_angle", b, "rad", "(0, 0.785] (half, not included, groove angle)")
    require((mu > 0) & (mu <= 1.5), "friction", mu, "-", "(0, 1.5]")
    return theta, b, mu


def seat_of(half_angle: Array, friction: Array, seating: ArrayLike) -> Array:
    """What an idle arc makes of tension: thrust = T' theta / seat, seat = 2 tan(b + seating rho).

    Source: derived here, see `drive_thrust`.

    Parameters
    ----------
    half_angle : ndarray [rad]
    friction : ndarray [-]
    seating : array_like [-]

    Returns
    -------
    ndarray [-]

    Raises
    ------
    PhysicalRangeError
        For seating outside [0, 1], or flanks on which a belt would not wedge.
    """
    share = np.asarray(seating, float)
    require((share >= 0) & (share <= 1), "seating", share, "-", "[0, 1]")
    lean = half_angle + share * np.arctan(friction)
    change = "the groove's half_angle, or friction and seating of the belt"
    require(lean < _FLAT, "half_angle plus friction angle", lean, "rad", "below 1.5 (86 deg)", change)
    return np.asarray(2 * np.tan(lean))
