"""The path of one belt over two variable sheaves: radii, wraps, axial travel.

Radii are pitch radii, at the cord line. The open-belt geometry is exact; the common series
approximation of belt length is not used.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize.elementwise import find_root

from solver.arrays import Array, Index, Mask, Number, per_draw
from solver.errors import PhysicalRangeError, require

__all__ = ["ShiftPath", "axial_travel", "belt_length", "driven_radius", "shift_path", "wrap_angles"]

_LEAST_SHIFT = 1e-3  # m of drive radius: a clutch that moves less does not shift


def wrap_angles(drive_radius: ArrayLike, driven_radius: ArrayLike, centre_distance: ArrayLike) -> tuple[Array, Array]:
    """Wrap of an open belt on the drive and the driven sheave.

    sin f = (R2 - R1)/C, theta1 = pi - 2 f, theta2 = pi + 2 f. Source: Shigley Eq. 17-1.

    Parameters
    ----------
    drive_radius, driven_radius, centre_distance : array_like [m]

    Returns
    -------
    tuple of two ndarrays [rad]
        Drive wrap, driven wrap.

    Raises
    ------
    PhysicalRangeError
        If a radius is not above zero, or the sheaves' radii differ by the centre distance or more.

    Examples
    --------
    >>> drive, driven = wrap_angles(3.0, 9.0, 96.0)  # Shigley ch. 17: 3.016511 and 3.266674
    >>> print(round(float(drive), 6), round(float(driven), 6))
    3.016511 3.266674
    """
    lean = _lean(drive_radius, driven_radius, centre_distance)
    return np.asarray(np.pi - 2 * lean), np.asarray(np.pi + 2 * lean)


def belt_length(drive_radius: ArrayLike, driven_radius: ArrayLike, centre_distance: ArrayLike) -> Array:
    """Length of an open belt, L = 2 C cos f + R1 theta1 + R2 theta2 (exact).

    Source: Shigley Eq. 17-2.

    Parameters
    ----------
    drive_radius, driven_radius, centre_distance : array_like [m]

    Returns
    -------
    ndarray [m]

    Raises
    ------
    PhysicalRangeError
        As for `wrap_angles`.

    Examples
    --------
    >>> round(float(belt_length(3.0, 9.0, 96.0)), 3)  # Shigley ch. 17: 230.074
    230.074
    """
    lean = _lean(drive_radius, driven_radius, centre_distance)
    r1, r2, c = (np.asarray(v, float) for v in (drive_radius, driven_radius, centre_distance))
    return np.asarray(2 * c * np.cos(lean) + r1 * (np.pi - 2 * lean) + r2 * (np.pi + 2 * lean))


def driven_radius(drive_radius: ArrayLike, belt_length: ArrayLike, centre_distance: ArrayLike) -> Array:
    """Driven radius at which a belt of given length lies taut over a given drive radius.

    Inverse of `belt_length` in its second argument; derived here, solved by a bracketed root finder.

    Parameters
    ----------
    drive_radius, belt_length, centre_distance : array_like [m]

    Returns
    -------
    ndarray [m]

    Raises
    ------
    PhysicalRangeError
        If no driven radius between zero and drive radius + centre distance fits the belt.

    Examples
    --------
    >>> round(float(driven_radius(0.050, 0.948834, 0.260)), 4)  # worked chain, derived here: 85 mm
    0.085
    """
    r1, length, c = np.broadcast_arrays(*(np.asarray(v, float) for v in (drive_radius, belt_length, centre_distance)))
    require(r1 > 0, "drive_radius", r1, "m", "> 0")
    r2 = _opposite_radius(r1, length, c)
    lacks = (r2 == 0) | (r2 == np.inf)
    if np.any(lacks):
        bad = tuple(float(a[lacks].flat[0]) for a in (length, r1, c))
        raise PhysicalRangeError(
            f"belt_length = {bad[0]:.4g} m cannot lie over a drive radius of {bad[1]:.4g} m at a centre distance of "
            f"{bad[2]:.4g} m for any driven radius; change belt_length or centre_distance"
        )
    return r2


def axial_travel(radius_change: ArrayLike, half_angle: ArrayLike) -> Array:
    """Axial travel of the moving sheave for a change of running radius, x = 2 tan(b) dR.

    Both flanks have the half groove angle b. Source: derived here from the groove's geometry.

    Parameters
    ----------
    radius_change : array_like [m]
    half_angle : array_like [rad]

    Returns
    -------
    ndarray [m]

    Raises
    ------
    PhysicalRangeError
        If the half angle is outside (0, 45 deg].
    """
    b = np.asarray(half_angle, float)
    require((b > 0) & (b <= np.pi / 4), "half_angle", b, "rad", "(0, 0.785] (half, not included, groove angle)")
    return np.asarray(2 * np.tan(b) * np.asarray(radius_change, float))


@dataclass(frozen=True)
class ShiftPath:
    """The belt's geometry over the shift, every array of shape (n,) over shift position, (d, n) where draws differ.

    Shift position 0 is the lowest gear (belt deep in the drive sheave), 1 is shift-out. It is
    linear in the axial travel of the drive sheave.

    Attributes
    ----------
    position [-] (the same for all draws), drive_radius [m], driven_radius [m], drive_wrap [rad], driven_wrap [rad],
    drive_travel [m] (closing, from the stop of the open drive sheave)
    driven_travel [m] (opening, from the stop of the closed driven sheave)
    """

    position: Array
    drive_radius: Array
    driven_radius: Array
    drive_wrap: Array
    driven_wrap: Array
    drive_travel: Array
    driven_travel: Array

    @property
    def ratio(self) -> Array:
        """Speed ratio, driven radius / drive radius [-]."""
        return np.asarray(self.driven_radius / self.drive_radius)

    def at(self, chosen: Mask | Index) -> ShiftPath:
        """The path at chosen positions only, by mask or by number [-]."""
        return ShiftPath(**{f.name: getattr(self, f.name)[..., chosen] for f in fields(self)})


def shift_path(
    position: ArrayLike,
    min_drive_radius: Number,
    max_drive_radius: Number,
    length: Number,
    centre_distance: Number,
    half_angle: Number,
    min_driven_radius: Number | None = None,
    max_driven_radius: Number | None = None,
    narrower: Number = 0.0,
) -> ShiftPath:
    """Geometry of the whole shift of one belt between the stops of two sheaves.

    The shift begins where the drive sheave is fully open or the driven sheave fully closed, whichever the belt meets
    first (the larger drive radius), and ends where the drive sheave is fully closed or the driven sheave fully open
    (the smaller drive radius). Each travel counts from the stop of its own sheave, so one of them may begin above 0.
    Source: derived here from `driven_radius`, `wrap_angles` and `axial_travel`.

    Parameters
    ----------
    position : array_like, shape (n,) [-]
        Shift positions in [0, 1].
    min_drive_radius, max_drive_radius, length, centre_distance : float or ndarray, shape (d,) [m]
    half_angle : float or ndarray, shape (d,) [rad]
    min_driven_radius, max_driven_radius : float or ndarray, shape (d,), or None [m]
        None: the driven sheave has no such stop; without the largest its travel counts from position 0.
    narrower : float or ndarray, shape (d,) [m]
        Top width of the belt that the radii hold for, less that of this belt; below zero for a wider one. A narrower
        belt runs deeper at every stop, by narrower / (2 tan b).

    Returns
    -------
    ShiftPath

    Raises
    ------
    PhysicalRangeError
        If a position is outside [0, 1], a radius not above zero or the largest of a sheave not above its smallest,
        the belt does not reach, or less than 1 mm of drive radius is left between the stops.
    """
    s = np.atleast_1d(np.asarray(position, float))
    require((s >= 0) & (s <= 1), "position", s, "-", "[0, 1]")
    around, apart, flank = (per_draw(v, 2) for v in (length, centre_distance, half_angle))
    deeper = per_draw(narrower, 2) / axial_travel(1.0, flank)

    def met(radius: Number) -> Array:
        return np.asarray(per_draw(radius, 2) - deeper)

    least, most = met(min_drive_radius), met(max_drive_radius)
    smallest = None if min_driven_radius is None else met(min_driven_radius)
    largest = None if max_driven_radius is None else met(max_driven_radius)
    _check_stops(least, most, smallest, largest)
    begin = least if largest is None else np.maximum(least, _opposite_radius(largest, around, apart))
    end = most if smallest is None else np.minimum(most, _opposite_radius(smallest, around, apart))
    _check_span(begin, end, around, (least, most, smallest, largest))
    r1 = begin + s * (end - begin)
    start = np.broadcast_to(begin, (*r1.shape[:-1], 1))
    ends = driven_radius(np.concatenate([r1, start], axis=-1), around, apart)
    r2, low_gear = ends[..., :-1], ends[..., -1:]
    opening = (low_gear if largest is None else largest) - r2
    wrap1, wrap2 = wrap_angles(r1, r2, apart)
    return ShiftPath(
        position=s,
        drive_radius=np.asarray(r1),
        driven_radius=r2,
        drive_wrap=wrap1,
        driven_wrap=wrap2,
        drive_travel=axial_travel(r1 - least, flank),
        driven_travel=axial_travel(np.maximum(opening, 0.0), flank),  # at the stop itself it is nought but rounding
    )


def _lean(drive_radius: ArrayLike, driven_radius: ArrayLike, centre_distance: ArrayLike) -> Array:
    """Angle f between the belt's straight runs and the line of centres, positive when the driven sheave is larger."""
    r1, r2, c = (np.asarray(v, float) for v in (drive_radius, driven_radius, centre_distance))
    require(r1 > 0, "drive_radius", r1, "m", "> 0")
    require(r2 > 0, "driven_radius", r2, "m", "> 0")
    require(np.abs(r2 - r1) < c, "centre_distance", c, "m", "above the difference of the radii")
    return np.asarray(np.arcsin((r2 - r1) / c))


def _opposite_radius(radius: Array, length: Array, centre_distance: Array) -> Array:
    """Radius of the other sheave over which a belt lies taut: 0 if it is too short for any, infinite if too long."""
    radius, length, c = np.broadcast_arrays(radius, length, centre_distance)
    require(c > 0, "centre_distance", c, "m", "> 0")

    def excess(other: Array, radius: Array, length: Array, c: Array) -> Array:
        lean = np.arcsin(np.clip((other - radius) / c, -1, 1))
        wraps = radius * (np.pi - 2 * lean) + other * (np.pi + 2 * lean)
        return np.asarray(2 * c * np.cos(lean) + wraps - length)

    low, high = np.maximum(radius - c, 0) + 1e-9, radius + c * (1 - 1e-12)
    short, long = excess(low, radius, length, c) > 0, excess(high, radius, length, c) < 0
    # The slope over the other radius is its wrap, above zero, so the root is single and the bracket always holds it.
    found = find_root(excess, (low, high), args=(radius, length, c), tolerances={"xatol": 1e-14, "xrtol": 1e-14})
    if not np.all(found.success | short | long):
        raise PhysicalRangeError("the belt's radii did not converge; check belt_length and centre_distance")
    return np.asarray(np.where(short, 0.0, np.where(long, np.inf, found.x)))


def _check_stops(least: Array, most: Array, smallest: Array | None, largest: Array | None) -> None:
    """Refuse stops, as a belt of its own width meets them, that no sheave can have."""
    for low, high, sheave in ((least, most, "drive"), (smallest, largest, "driven")):
        for radius, end in ((low, "min"), (high, "max")):
            if radius is not None:
                name = f"{end}_{sheave}_radius"
                require(radius > 0, name, radius, "m", "> 0 for a belt of this width", f"{name} or the belt's width")
        if low is not None and high is not None:
            require(high > low, f"max_{sheave}_radius", high, "m", f"above min_{sheave}_radius")


def _check_span(begin: Array, end: Array, length: Array, stops: tuple[Array | None, ...]) -> None:
    """Refuse a shift that the stops leave nothing of, telling belt length and stops."""
    told = [np.nan if v is None else v for v in stops]
    span, around, *radii = np.broadcast_arrays(end - begin, length, *told)
    narrow = span < _LEAST_SHIFT
    if not narrow.any():
        return
    least, most, smallest, largest = (
        "any" if v is None else f"{1e3 * radius[narrow].flat[0]:.4g}" for v, radius in zip(stops, radii, strict=True)
    )
    raise PhysicalRangeError(
        f"belt_length = {around[narrow].flat[0]:.4g} m leaves less than {1e3 * _LEAST_SHIFT:g} mm of shift between the "
        f"stops: a belt of this width meets the drive sheave at radii of {least} to {most} mm, the driven sheave at "
        f"{smallest} to {largest} mm; change belt_length, centre_distance, the belt's width or the radii"
    )
