"""Pivoting flyweight arms of the drive clutch: roller contact, swung inertia, closing thrust.

Frame: an arm pivots on the moving sheave at radius r_p. Its angle q is measured from the outboard
axial direction towards larger radius. The roller sits on the spider; when the sheave closes by x,
the roller lies at outboard distance h0 + x from the pivot and at a fixed radius. The arm's outer
face presses the roller outboard, and the reaction closes the sheaves. In the arm's own frame the
face is a curve v(u), u from the pivot along the arm, v towards the roller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.optimize.elementwise import find_root

from solver.arrays import Array, Mask, Number, per_draw
from solver.errors import PhysicalRangeError, require

__all__ = ["ArmMotion", "arm_motion", "closing_thrust", "friction_gain", "inertia_slope"]


def closing_thrust(speed: ArrayLike, inertia_slope: ArrayLike) -> Array:
    """Closing thrust of swung masses, F = 1/2 w^2 dI/dx.

    Source: virtual work, derived here; exact for any frictionless linkage (the Hartnell governor of any textbook on
    theory of machines is a special case).

    Parameters
    ----------
    speed : array_like [rad/s]
    inertia_slope : array_like [kg m]
        dI/dx with I = sum m r^2 of all swung masses about the shaft, x the closing travel.

    Returns
    -------
    ndarray [N]

    Examples
    --------
    >>> slope = 2 * 0.180 * 0.045 * 0.8  # 2 m r dr/dx; worked value, derived here: 921 N at 3,600 rpm
    >>> round(float(closing_thrust(3600 * np.pi / 30, slope)), 0)
    921.0
    """
    return np.asarray(0.5 * np.asarray(speed, float) ** 2 * np.asarray(inertia_slope, float))


@dataclass(frozen=True)
class ArmMotion:
    """How one arm swings while the sheave closes, shape (n,) over travel, (d, n) where draws differ.

    Attributes
    ----------
    angle [rad] : arm angle q
    slope [rad/m] : dq/dx
    normal_axial [-], normal_lever [m] : outboard part of the contact normal, and its lever about the pivot
    tangent_axial [-], tangent_lever [m] : the same of the contact tangent (towards the arm's tip)
    along [m] : position u of the contact on the face
    """

    angle: Array
    slope: Array
    normal_axial: Array
    normal_lever: Array
    tangent_axial: Array
    tangent_lever: Array
    along: Array


def arm_motion(
    travel: ArrayLike,
    profile: ArrayLike,
    roller_radius: float,
    roller_outboard: Number,
    roller_height: Number,
) -> ArmMotion:
    """Contact of an arm with its roller over the closing travel.

    The roller's centre lies on the face offset by the roller radius; its distance from the pivot fixes the contact,
    and the arm angle follows from the polar angle. Source: derived here (offset curve of a cam face).

    Parameters
    ----------
    travel : array_like, shape (n,) or (d, n) [m]
    profile : array_like, shape (m, 2) [m]
        Points (u, v) of the face, u rising, at least 4; a cubic spline joins them.
    roller_radius : float [m]
    roller_outboard : float or ndarray, shape (d,) [m]
        Outboard distance h0 from pivot to roller centre at zero travel.
    roller_height : float or ndarray, shape (d,) [m]
        Radius of the roller centre less radius of the pivot.

    Returns
    -------
    ArmMotion

    Raises
    ------
    PhysicalRangeError
        If the roller cannot follow the face (undercut), leaves it at an end, or presses the wrong way.
    """
    out, height = np.atleast_1d(np.asarray(travel, float)) + per_draw(roller_outboard, 2), per_draw(roller_height, 2)
    points = np.asarray(profile, float)
    require(points.shape[0] >= 4, "number of profile points", points.shape[0], "-", "4 or more")
    require(np.diff(points[:, 0]) > 0, "profile step along the arm", np.diff(points[:, 0]), "m", "> 0 (u rising)")
    require(roller_radius > 0, "roller_radius", roller_radius, "m", "> 0")
    face = CubicSpline(points[:, 0], points[:, 1])
    start, end = float(points[0, 0]), float(points[-1, 0])

    def centre(u: Array) -> tuple[Array, Array]:
        tilt = face(u, 1)
        scale = roller_radius / np.sqrt(1 + tilt**2)
        return np.asarray(u - tilt * scale), np.asarray(face(u) + scale)

    fine = np.linspace(start, end, 400)
    bend = face(fine, 2) / (1 + face(fine, 1) ** 2) ** 1.5
    if np.any(bend * roller_radius >= 1):
        hollow = fine[int(np.argmax(bend))]
        raise PhysicalRangeError(
            f"roller_radius = {roller_radius * 1e3:.4g} mm does not fit the hollow of the face at "
            f"{hollow * 1e3:.4g} mm along the arm (radius {1e3 / bend.max():.4g} mm, undercut); change the "
            "profile or roller_radius"
        )
    reach = np.hypot(*centre(fine))
    if np.any(np.diff(reach) <= 0):
        raise PhysicalRangeError(
            "profile does not lead the roller steadily away from the pivot; change the profile points"
        )
    distance = np.hypot(out, height)

    def first_travel(where: Mask) -> float:
        return 1e3 * float(np.broadcast_to(np.asarray(travel, float), where.shape)[where][0])

    off = (distance < reach[0]) | (distance > reach[-1])
    if np.any(off):
        raise PhysicalRangeError(
            f"the roller leaves the face at travel {first_travel(off):.4g} mm: it needs a reach of "
            f"{float(distance[off][0]) * 1e3:.4g} mm, the face serves {reach[0] * 1e3:.4g} to "
            f"{reach[-1] * 1e3:.4g} mm; change the profile or the pivot"
        )

    def short_of(u: Array, wanted: Array) -> Array:
        return np.asarray(np.hypot(*centre(u)) - wanted)

    found = find_root(
        short_of,
        (np.full_like(distance, start), np.full_like(distance, end)),
        args=(distance,),
        tolerances={"xatol": 1e-14, "xrtol": 1e-14},
    )
    u = np.asarray(found.x)
    across, up = centre(u)
    angle = np.arctan2(height, out) - np.arctan2(up, across)
    tilt = face(u, 1)
    size = np.sqrt(1 + tilt**2)
    normal_u, normal_v = -tilt / size, 1 / size
    normal_axial = normal_u * np.cos(angle) - normal_v * np.sin(angle)
    normal_lever = u * normal_v - face(u) * normal_u
    wrong = (normal_axial <= 0) | (normal_lever <= 0)
    if np.any(wrong):
        raise PhysicalRangeError(
            f"the face does not push the roller outboard at travel {first_travel(wrong):.4g} mm, so the roller is "
            "not loaded there; change the profile"
        )
    return ArmMotion(
        angle=np.asarray(angle),
        slope=np.asarray(normal_axial / normal_lever),
        normal_axial=np.asarray(normal_axial),
        normal_lever=np.asarray(normal_lever),
        tangent_axial=np.asarray((np.cos(angle) - tilt * np.sin(angle)) / size),
        tangent_lever=np.asarray((u * tilt - face(u)) / size),
        along=u,
    )


def inertia_slope(motion: ArmMotion, pivot_radius: Number, mass: ArrayLike, reach: ArrayLike, lead: ArrayLike) -> Array:
    """dI/dx of point masses carried by one arm.

    r = r_p + l sin(q + psi), dI/dx = 2 m r l cos(q + psi) dq/dx for each mass. Source: derived here.

    Parameters
    ----------
    motion : ArmMotion
        Shape (n,) or (d, n) over travel.
    pivot_radius : float or ndarray, shape (d,) [m]
    mass : array_like, shape (k,) [kg]
    reach : array_like, shape (k,) [m]
        Distance l of each mass from the pivot.
    lead : array_like, shape (k,) [rad]
        Angle psi of each mass in the arm's frame.

    Returns
    -------
    ndarray, shape (n,) or (d, n) [kg m]
        For one arm; multiply by the number of arms.

    Raises
    ------
    PhysicalRangeError
        If a mass is negative or the pivot radius is not above zero.
    """
    m, length, psi = (np.atleast_1d(np.asarray(v, float)) for v in (mass, reach, lead))
    require(m >= 0, "mass", m, "kg", ">= 0")
    pivot = per_draw(pivot_radius, 3)
    require(pivot > 0, "pivot_radius", pivot, "m", "> 0")
    turned = motion.angle[..., None] + psi
    radius = pivot + length * np.sin(turned)
    return np.asarray(2 * motion.slope * np.sum(m * radius * length * np.cos(turned), axis=-1))


def friction_gain(motion: ArmMotion, friction: Number, closing: bool) -> Array:
    """Thrust with friction at the roller divided by thrust without.

    Coulomb friction along the face opposes the roller's way on the arm: towards the tip while the sheaves close,
    towards the pivot while they open. For a roller on a pin use mu_pin * pin radius / roller radius.
    Source: derived here from the force and moment balance of the arm.

    Parameters
    ----------
    motion : ArmMotion
    friction : float or ndarray, shape (d,) [-]
    closing : bool

    Returns
    -------
    ndarray, shape (n,) or (d, n) [-]
        Below 1 while the sheaves close, above 1 while they open.

    Raises
    ------
    PhysicalRangeError
        If friction is outside [0, 1] or large enough to jam the arm.
    """
    rubbing = per_draw(friction, 2)
    require((rubbing >= 0) & (rubbing <= 1), "friction", rubbing, "-", "[0, 1]")
    mu = rubbing if closing else -rubbing
    axial = motion.normal_axial - mu * motion.tangent_axial
    lever = motion.normal_lever - mu * motion.tangent_lever
    require((axial > 0) & (lever > 0), "friction", rubbing, "-", "what lets the arm slide on its roller")
    return np.asarray(axial / lever / motion.slope)
