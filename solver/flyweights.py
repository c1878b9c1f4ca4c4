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

from solver.arrays import Array, Mask, Number, per_draw
from solver.errors import PhysicalRangeError, require
from solver.ground import GRAVITY

__all__ = [
    "ArmFriction",
    "ArmMotion",
    "Body",
    "arm_friction",
    "arm_motion",
    "body_on_line",
    "centrifugal",
    "closing_thrust",
    "gyration_of_pendulum",
    "inertia_slope",
    "outline_area",
    "outline_body",
    "point_mass",
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


@dataclass(frozen=True)
class Body:
    """A rigid body that an arm carries, or the arm itself, in the arm's frame with the pivot as origin.

    Any may be an array of shape (k,), one value a body. What lies along the pin does not count.

    Attributes
    ----------
    mass [kg]
    along, across [m] : centre of gravity
    j_along, j_across, j_product [kg m^2] : sum m a^2, sum m c^2 and sum m a c about the pivot
    """

    mass: float | Array
    along: float | Array
    across: float | Array
    j_along: float | Array
    j_across: float | Array
    j_product: float | Array


def point_mass(mass: ArrayLike, along: ArrayLike, across: ArrayLike) -> Body:
    """A body without size.

    Source: derived here (definition of the second moments).

    Parameters
    ----------
    mass : array_like, shape () or (k,) [kg]
    along, across : array_like, shape () or (k,) [m]

    Returns
    -------
    Body

    Raises
    ------
    PhysicalRangeError
        If a mass is negative.

    Examples
    --------
    >>> round(float(point_mass(0.064, 0.035, -0.006).j_product * 1e6), 6)  # -0.064 * 35 * 6
    -13.44
    """
    m, a, c = (np.asarray(v, float) for v in (mass, along, across))
    require(m >= 0, "mass", m, "kg", ">= 0")
    return Body(m, a, c, m * a * a, m * c * c, m * a * c)


def body_on_line(mass: float, along: float, across: float, gyration_along: float, gyration_across: float = 0.0) -> Body:
    """A body known by its radii of gyration about the pivot, along and across the line from pivot to centre.

    m k^2 is the second moment of the mass along that line (or across it); the product of the two is taken to be 0, as
    for a body that is even about the line. Turned into the arm's frame. Source: derived here (turning of axes).

    Parameters
    ----------
    mass : float [kg]
    along, across : float [m]
        Centre of gravity.
    gyration_along : float [m]
        At least the distance of the centre from the pivot, which it is for a point mass.
    gyration_across : float [m]

    Returns
    -------
    Body

    Raises
    ------
    PhysicalRangeError
        If the mass is negative, or the radius of gyration smaller than the distance of the centre.

    Examples
    --------
    >>> rod = body_on_line(0.064, 0.030, 0.0, 0.060 / np.sqrt(3))  # a slender rod on its end: m L^2 / 3
    >>> round(rod.j_along * 1e6, 6), rod.j_across
    (76.8, 0.0)
    """
    require(mass >= 0, "mass", mass, "kg", ">= 0")
    reach = float(np.hypot(along, across))
    least = f"what a centre {reach * 1e3:.4g} mm from the pivot asks at least"
    require(gyration_along >= reach * (1 - 1e-12), "radius of gyration", gyration_along, "m", least)
    turn = np.arctan2(across, along)
    with_line, beside = float(mass * gyration_along**2), float(mass * gyration_across**2)
    cos, sin = float(np.cos(turn)), float(np.sin(turn))
    return Body(
        mass=mass,
        along=along,
        across=across,
        j_along=with_line * cos**2 + beside * sin**2,
        j_across=with_line * sin**2 + beside * cos**2,
        j_product=(with_line - beside) * sin * cos,
    )


def gyration_of_pendulum(period: float, distance: float) -> float:
    """Radius of gyration about the pivot of a body that swings under gravity: J = m g l T^2 / (4 pi^2).

    Source: the physical pendulum at small swings (Huygens, Horologium oscillatorium, 1673), any textbook on mechanics.

    Parameters
    ----------
    period : float [s]
        Of a whole swing, to and fro.
    distance : float [m]
        Of the centre of gravity from the pivot, l.

    Returns
    -------
    float [m]

    Raises
    ------
    PhysicalRangeError
        If period or distance is not above zero.

    Examples
    --------
    >>> period = 2 * np.pi * np.sqrt(0.060 / 9.80665)  # of a point mass 60 mm from the pivot
    >>> round(gyration_of_pendulum(period, 0.060), 6)
    0.06
    """
    require(period > 0, "period", period, "s", "> 0")
    require(distance > 0, "distance", distance, "m", "> 0")
    return float(np.sqrt(GRAVITY * distance) * period / (2 * np.pi))


def outline_area(points: ArrayLike) -> float:
    """Area of a polygon that does not cross itself.

    Source: Green's theorem, derived here.

    Parameters
    ----------
    points : array_like, shape (k, 2) [m]
        Corners in order, either way round; the last is joined to the first.

    Returns
    -------
    float [m^2]

    Raises
    ------
    PhysicalRangeError
        If there are fewer than three corners, the outline crosses or touches itself, or it holds nothing.

    Examples
    --------
    >>> round(outline_area([[0, 0], [0.06, 0], [0.06, 0.02], [0, 0.02]]), 9)
    0.0012
    """
    corners = _simple(points)
    return abs(float(_doubled_areas(corners).sum())) / 2


def outline_body(points: ArrayLike, mass: float) -> Body:
    """A flat plate of even thickness, cut to an outline in the arm's frame.

    Source: Green's theorem, derived here: each side makes a triangle with a point inside, whose centre and second
    moments are closed forms; triangles that stand outside count as negative.

    Parameters
    ----------
    points : array_like, shape (k, 2) [m]
        Corners (along, across) in order, either way round; the pivot is the origin.
    mass : float [kg]

    Returns
    -------
    Body

    Raises
    ------
    PhysicalRangeError
        As `outline_area`, and if the mass is negative.

    Examples
    --------
    >>> bar = outline_body([[0, -0.01], [0.06, -0.01], [0.06, 0.01], [0, 0.01]], 0.064)  # m L^2/3 and m h^2/12
    >>> round(bar.along, 9), round(bar.j_along * 1e6, 6), round(bar.j_across * 1e6, 6)
    (0.03, 76.8, 2.133333)
    """
    require(mass >= 0, "mass", mass, "kg", ">= 0")
    corners = _simple(points)
    middle = corners.mean(axis=0)  # about it, so that a plate far from the pivot loses no digits
    here = corners - middle
    after = np.roll(here, -1, axis=0)
    doubled = _doubled_areas(here)
    area = doubled.sum() / 2
    centre = (doubled[:, None] * (here + after)).sum(axis=0) / (6 * area)

    def second(i: int, j: int) -> float:
        """Mean of a product of coordinates over the plate, about the pivot."""
        a, b, c, d = here[:, i], after[:, i], here[:, j], after[:, j]
        about_middle = (doubled * (2 * a * c + a * d + b * c + 2 * b * d)).sum() / (24 * area)
        return float(about_middle + centre[i] * middle[j] + middle[i] * centre[j] + middle[i] * middle[j])

    along, across = (float(v) for v in centre + middle)
    return Body(mass, along, across, mass * second(0, 0), mass * second(1, 1), mass * second(0, 1))


def _doubled_areas(corners: Array) -> Array:
    """Twice the signed area of the triangle that each side makes with the origin."""
    after = np.roll(corners, -1, axis=0)
    return np.asarray(corners[:, 0] * after[:, 1] - after[:, 0] * corners[:, 1])


def _simple(points: ArrayLike) -> Array:
    """Corners of an outline that holds something and does not meet itself; corners given twice in a row count once."""
    given = np.asarray(points, float)
    corners = given[(given != np.roll(given, -1, axis=0)).any(axis=1)]
    require(len(corners) >= 3, "number of corners of the outline", len(corners), "-", "3 or more")
    size = float(np.ptp(corners, axis=0).max())
    meeting = np.argwhere(_meeting(corners, 1e-12 * size**2))
    if len(meeting):
        first, second = meeting[0] + 1
        raise PhysicalRangeError(
            f"the outline meets itself: the side from corner {first} and the side from corner {second}; change the "
            "points of the outline, in order along it"
        )
    area = abs(float(_doubled_areas(corners - corners.mean(axis=0)).sum())) / 2
    require(area > 1e-9 * size**2, "area of the outline", area, "m^2", "> 0", change="the points of the outline")
    return np.asarray(corners)


def _meeting(corners: Array, rounding: float) -> Mask:
    """Which sides of an outline meet otherwise than neighbours do at their corner, shape (k, k)."""
    a, b = corners[:, None], np.roll(corners, -1, axis=0)[:, None]
    c, d = np.swapaxes(a, 0, 1), np.swapaxes(b, 0, 1)

    def side_of(p: Array, q: Array, r: Array) -> Array:
        """On which side of the line p-q each r lies: 1, -1, or 0 on it."""
        along, to = q - p, r - p
        cross = along[..., 0] * to[..., 1] - along[..., 1] * to[..., 0]
        return np.asarray(np.sign(np.where(np.abs(cross) < rounding, 0.0, cross)))

    of_c, of_d = side_of(a, b, c), side_of(a, b, d)
    crossing = (of_c * of_d <= 0) & (side_of(c, d, a) * side_of(c, d, b) <= 0)
    in_line = (of_c == 0) & (of_d == 0)
    overlap = np.minimum(np.maximum(a, b), np.maximum(c, d)) >= np.maximum(np.minimum(a, b), np.minimum(c, d))
    turned_back = in_line & (((b - a) * (d - c)).sum(axis=-1) < 0)  # all that can be wrong with neighbours
    number = np.arange(len(corners))
    step = (number[None] - number[:, None]) % len(corners)
    neighbours = (step == 1) | (step == len(corners) - 1)
    apart = np.where(in_line, overlap.all(axis=-1), crossing)
    return np.asarray(np.where(neighbours, turned_back, apart & (step != 0)))


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
