"""Pivoting flyweight arms of the drive clutch: roller contact, swung inertia, closing thrust, friction.

Frame: an arm pivots on the moving sheave at radius r_p. Its angle q is measured from the outboard
axial direction towards larger radius. The roller sits on the spider; when the sheave closes by x,
the roller lies at outboard distance h0 + x from the pivot and at a fixed radius. The arm's outer
face presses the roller outboard, and the reaction closes the sheaves. In the arm's own frame the
face is a curve v(u), u from the pivot along the arm, v towards the roller. An element of the arm at
(a, c) in that frame swings at radius r_p + p with p = a sin q + c cos q.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.optimize.elementwise import find_root

from solver.arm_bodies import Body
from solver.arrays import Array, Mask, Number, per_draw
from solver.errors import PhysicalRangeError, require

__all__ = [
    "ArmFriction",
    "ArmMotion",
    "arm_friction",
    "arm_motion",
    "centrifugal",
    "closing_thrust",
    "inertia_slope",
]


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


def inertia_slope(motion: ArmMotion, pivot_radius: Number, body: Body) -> Array:
    """dI/dx of bodies carried by one arm.

    I = m r_p^2 + 2 r_p m (a sin q + c cos q) + J_aa sin^2 q + J_cc cos^2 q + J_ac sin 2q with (a, c) the centre, and
    dI/dx = dI/dq dq/dx. Only J_aa - J_cc and J_ac count. Source: derived here.

    Parameters
    ----------
    motion : ArmMotion
        Shape (n,) or (d, n) over travel.
    pivot_radius : float or ndarray, shape (d,) [m]
    body : Body
        One, or k of them, which are added up.

    Returns
    -------
    ndarray, shape (n,) or (d, n) [kg m]
        For one arm; multiply by the number of arms.

    Raises
    ------
    PhysicalRangeError
        If the pivot radius is not above zero.
    """
    pivot = per_draw(pivot_radius, 3)
    require(pivot > 0, "pivot_radius", pivot, "m", "> 0")
    mass, along, across, j_along, j_across, j_product = _listed(body)
    q = motion.angle[..., None]
    swing = mass * (along * np.cos(q) - across * np.sin(q))
    per_angle = 2 * pivot * swing + (j_along - j_across) * np.sin(2 * q) + 2 * j_product * np.cos(2 * q)
    return np.asarray(motion.slope * np.sum(per_angle, axis=-1))


def centrifugal(motion: ArmMotion, pivot_radius: Number, body: Body) -> Array:
    """Centrifugal force of bodies carried by one arm, per squared speed: sum m r.

    Source: derived here.

    Parameters
    ----------
    motion : ArmMotion
        Shape (n,) or (d, n) over travel.
    pivot_radius : float or ndarray, shape (d,) [m]
    body : Body
        One, or k of them, which are added up.

    Returns
    -------
    ndarray, shape (n,) or (d, n) [kg m]
        For one arm; multiply by the number of arms.
    """
    mass, along, across, *_ = _listed(body)
    q = motion.angle[..., None]
    return np.asarray(np.sum(mass * (per_draw(pivot_radius, 3) + along * np.sin(q) + across * np.cos(q)), axis=-1))


def _listed(body: Body) -> tuple[Array, ...]:
    """The numbers of a body, each of shape (k,)."""
    values = (body.mass, body.along, body.across, body.j_along, body.j_across, body.j_product)
    return tuple(np.atleast_1d(np.asarray(v, float)) for v in values)


@dataclass(frozen=True)
class ArmFriction:
    """What friction at roller and pivot pin makes of the thrust of an arm, see `arm_friction`.

    With f the thrust without friction and C the centrifugal force, both per squared speed, the thrust with friction is
    share f + lift C + rub sqrt((push f + lean C)^2 + (side C)^2). Shape (2, n) over branch (closing, opening) and
    travel, (d, 2, n) where draws differ; or whatever shape a caller picks from these.

    Attributes
    ----------
    share, lift [-] : of f and of C
    rub [-] : what the pin's load takes (below 0) or gives
    push, lean, side [-] : the pin's load, from f and from C
    """

    share: Array
    lift: Array
    rub: Array
    push: Array
    lean: Array
    side: Array

    def thrust(self, frictionless: Array, centrifugal: Array) -> Array:
        """Thrust with friction per squared speed [N s^2], of thrust without and centrifugal force [kg m], any shapes.

        Parameters
        ----------
        frictionless : ndarray [N s^2]
        centrifugal : ndarray [kg m]

        Returns
        -------
        ndarray [N s^2]
            Not above 0 where the pin holds the arm, or it is not thrown outwards at all.
        """
        pin = np.sqrt((self.push * frictionless + self.lean * centrifugal) ** 2 + (self.side * centrifugal) ** 2)
        return np.asarray(self.share * frictionless + self.lift * centrifugal + self.rub * pin)

    def __getitem__(self, chosen: Any) -> ArmFriction:
        """The same at chosen branches and positions."""
        values = (self.share, self.lift, self.rub, self.push, self.lean, self.side)
        return ArmFriction(*(np.asarray(v[chosen]) for v in values))


def arm_friction(motion: ArmMotion, roller_friction: Number, pivot_friction: Number, pin_radius: Number) -> ArmFriction:
    """Friction of the arm at its roller and on its pivot pin, on both branches.

    Coulomb friction along the face opposes the roller's way on the arm: towards the tip while the sheaves close,
    towards the pivot while they open; for a roller on a pin use mu_pin * pin radius / roller radius. The pin carries
    the vector sum R of centrifugal force C (outwards) and roller force N, and holds back or helps by
    mu_p r_pin |R|: N L = M -+ mu_p r_pin |R|, |R|^2 = (N a)^2 + (C - N b)^2, with L, a, b the lever and the axial and
    radial parts of the roller force per N, its friction with it. That is a quadratic in N; C and M go with the squared
    speed, and so does N. Source: derived here from the force and moment balance of the arm.

    Parameters
    ----------
    motion : ArmMotion
    roller_friction, pivot_friction : float or ndarray, shape (d,) [-]
    pin_radius : float or ndarray, shape (d,) [m]

    Returns
    -------
    ArmFriction

    Raises
    ------
    PhysicalRangeError
        If a friction is outside [0, 1], the pin radius negative, or the arm jams on its roller or its pin.
    """
    rubbing, turning, radius = (per_draw(v, 3) for v in (roller_friction, pivot_friction, pin_radius))
    for name, value in (("roller_friction", rubbing), ("pivot_friction", turning)):
        require((value >= 0) & (value <= 1), name, value, "-", "[0, 1]")
    require(radius >= 0, "pin_radius", radius, "m", ">= 0")
    way = np.array([[1.0], [-1.0]])  # closing, opening

    def both(values: Array) -> Array:
        return np.asarray(values[..., None, :])

    # The tangent is the normal turned by a right angle: its parts give the radial part of the normal.
    mu, hold = way * rubbing, turning * radius
    axial = both(motion.normal_axial) - mu * both(motion.tangent_axial)
    radial = both(motion.tangent_axial) + mu * both(motion.normal_axial)
    lever = both(motion.normal_lever) - mu * both(motion.tangent_lever)
    fine = (axial > 0) & (lever > 0)
    require(fine, "roller_friction", rubbing, "-", "what lets the arm slide on its roller")
    force2 = axial**2 + radial**2
    clear = lever**2 - hold**2 * force2
    require(clear > 0, "pivot_friction", turning, "-", "what lets the arm turn on its pin")
    force, slope = np.sqrt(force2), both(motion.slope)
    return ArmFriction(
        share=np.asarray(axial * lever / (clear * slope)),
        lift=np.asarray(-axial * radial * hold**2 / clear),
        rub=np.asarray(-way * hold * axial / clear),
        push=np.asarray(force / slope),
        lean=np.asarray(-radial * lever / force),
        side=np.asarray(axial * np.sqrt(clear) / force),
    )
