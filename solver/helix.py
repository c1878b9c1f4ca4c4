"""The torque ramp (helix) of the driven clutch: thrust from torque, twist, friction, torsion spring.

The helix angle is measured from the plane of rotation: small = fine thread = more thrust per
torque. Where an angle is quoted from the shaft axis, use 90 deg minus it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number, per_draw
from solver.errors import PhysicalRangeError, require

__all__ = ["Ramp", "ramp", "ramp_thrust", "sheave_rotation"]


def ramp_thrust(
    torque: ArrayLike,
    radius: ArrayLike,
    angle: ArrayLike,
    friction: ArrayLike = 0.0,
    closing: bool | None = None,
) -> Array:
    """Axial thrust of a torque ramp, T / (r tan(a -+ rho)).

    Source: power-screw mechanics (Shigley section 8-2) read backwards. While the sheaves are opened (upshift) friction
    adds to the thrust, tan(a - rho); while they close (backshift) it takes from it, tan(a + rho).

    Parameters
    ----------
    torque : array_like [N m]
    radius : array_like [m]
    angle : array_like [rad]
        From the plane of rotation.
    friction : array_like [-]
    closing : bool or None
        True: sheaves close; False: sheaves are opened; None: no friction.

    Returns
    -------
    ndarray [N]

    Raises
    ------
    PhysicalRangeError
        If radius or angle are out of range, or the ramp locks itself (tan a <= mu while opened).

    Examples
    --------
    >>> t = ramp_thrust(42.5 / 2, 0.045, np.radians(40), 0.1, closing=False)  # derived here, table value 692.5 N
    >>> print(round(float(t), 1))
    692.5
    """
    t, r, a, mu = (np.asarray(v, float) for v in (torque, radius, angle, friction))
    require(r > 0, "radius", r, "m", "> 0")
    require((a > 0) & (a < np.pi / 2), "angle", a, "rad", "(0, 1.571) from the plane of rotation")
    require((mu >= 0) & (mu <= 1), "friction", mu, "-", "[0, 1]")
    if closing is None:
        return np.asarray(t / (r * np.tan(a)))
    rho = np.arctan(mu)
    if closing:
        require(a + rho < np.pi / 2, "angle", a, "rad", "below 90 deg less the friction angle")
        return np.asarray(t / (r * np.tan(a + rho)))
    if np.any(a <= rho):
        locked, angle_of_friction = (float(v[a <= rho].flat[0]) for v in np.broadcast_arrays(a, rho))
        raise PhysicalRangeError(
            f"angle = {np.degrees(locked):.4g} deg locks the ramp: it slides only above "
            f"{np.degrees(angle_of_friction):.4g} deg at friction {np.tan(angle_of_friction):.3g}; "
            "change angle or friction"
        )
    return np.asarray(t / (r * np.tan(a - rho)))


def sheave_rotation(travel: ArrayLike, angle_at: ArrayLike, angle: ArrayLike, radius: float) -> Array:
    """Rotation of the moving sheave along its ramp, integral of dx / (r tan a) from zero travel.

    Between the given points the angle runs linearly, beyond them it stays; each row of travels stands alone.
    Source: derived here from the ramp's kinematics; on a piece where a = a0 + c x the integral is
    ln(sin a1 / sin a0) / (c r), exactly.

    Parameters
    ----------
    travel : array_like, shape (), (n,) or (d, n) [m]
        Not negative.
    angle_at : array_like, shape (n,) [m]
        Travels at which the angle is known, rising.
    angle : array_like, shape (n,) [rad]
    radius : float [m]

    Returns
    -------
    ndarray [rad]

    Raises
    ------
    PhysicalRangeError
        If a travel is negative or an angle is outside (0, 90 deg).
    """
    x = np.asarray(travel, float)
    a, at = np.atleast_1d(np.asarray(angle, float)), np.atleast_1d(np.asarray(angle_at, float))
    require(x >= 0, "travel", x, "m", ">= 0")
    require((a > 0) & (a < np.pi / 2), "angle", a, "rad", "(0, 1.571) from the plane of rotation")
    rows = np.atleast_1d(x)
    bends = np.broadcast_to(np.append(at[at > 0], 0.0), (*rows.shape[:-1], 1 + int((at > 0).sum())))
    places = np.concatenate([rows, bends], axis=-1)
    order = np.argsort(places, axis=-1)
    nodes = np.take_along_axis(places, order, axis=-1)
    here = np.interp(nodes, at, a)
    change, step = np.diff(here), np.diff(nodes)
    flat = np.abs(change) < 1e-7
    with np.errstate(divide="ignore", invalid="ignore"):
        bent = np.diff(np.log(np.sin(here))) / change
    pieces = np.where(flat, 1 / np.tan((here[..., 1:] + here[..., :-1]) / 2), bent) * step / radius
    turned = np.zeros(places.shape)
    np.put_along_axis(turned, order[..., 1:], np.cumsum(pieces, axis=-1), axis=-1)
    return turned[..., : rows.shape[-1]].reshape(x.shape)


@dataclass(frozen=True)
class Ramp:
    """A helix over the driven travel, shape (n,) over shift position; draws, where they differ, are the first axis.

    Attributes
    ----------
    rotation [rad] : rotation of the moving sheave since zero travel
    thrust_per_torque : ndarray, shape (2, n) or (d, 2, n) [1/m]
        Thrust per ramp torque: branch 0 upshift (sheaves opened), branch 1 backshift (sheaves closing).
    """

    rotation: Array
    thrust_per_torque: Array


def ramp(travel: ArrayLike, angle_at: ArrayLike, angle: ArrayLike, radius: float, friction: Number) -> Ramp:
    """Evaluate a helix over the driven travel on both friction branches.

    Source: derived here from `ramp_thrust` and `sheave_rotation`.

    Parameters
    ----------
    travel : array_like, shape (n,) or (d, n) [m]
    angle_at : array_like, shape (m,) [m]
    angle : array_like, shape (m,) [rad]
    radius : float [m]
    friction : float or ndarray, shape (d,) [-]

    Returns
    -------
    Ramp

    Raises
    ------
    PhysicalRangeError
        As for `ramp_thrust` (self-locking ramps are refused) and `sheave_rotation`.
    """
    x = np.atleast_1d(np.asarray(travel, float))
    here = np.interp(x, np.asarray(angle_at, float), np.asarray(angle, float))
    branches = [ramp_thrust(1.0, radius, here, per_draw(friction, 2), closing) for closing in (False, True)]
    return Ramp(
        rotation=sheave_rotation(x, angle_at, angle, radius),
        thrust_per_torque=np.stack(branches, axis=-2),
    )
