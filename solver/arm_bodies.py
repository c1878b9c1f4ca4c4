"""Bodies that an arm carries, and the arm itself: mass, centre and second moments in the arm's frame.

The frame is that of `flyweights`: the pivot is the origin, a runs along the arm, c across it towards the roller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Mask
from solver.errors import PhysicalRangeError, require
from solver.ground import GRAVITY

__all__ = ["Body", "body_on_line", "gyration_of_pendulum", "outline_area", "outline_body", "point_mass"]


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
