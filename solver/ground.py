"""The ground under the machine and what the driven shaft moves over it; time spent stands in `solver.duty`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number, per_draw
from solver.errors import require

__all__ = ["GRAVITY", "Ground", "Vehicle", "resistance"]

GRAVITY = 9.80665  # m/s^2, standard acceleration (CGPM 1901)


def resistance(
    mass: ArrayLike,
    rolling: ArrayLike,
    grade: ArrayLike,
    speed: ArrayLike,
    drag_area: ArrayLike,
    air_density: ArrayLike,
) -> Array:
    """Force that holds the vehicle back, m g (f cos t + sin t) + 1/2 rho Cd A v^2.

    Source: road-load equation of vehicle dynamics texts (Wong, Theory of Ground Vehicles); grade is rise over run,
    t = atan(grade).

    Parameters
    ----------
    mass : array_like [kg]
    rolling, grade : array_like [-]
    speed : array_like [m/s]
    drag_area : array_like [m^2]
    air_density : array_like [kg/m^3]

    Returns
    -------
    ndarray [N]

    Raises
    ------
    PhysicalRangeError
        If mass is not above zero or rolling, drag area or density is negative.

    Examples
    --------
    >>> round(float(resistance(700, 0.05, 0.30, 10, 1.2, 1.225)), 1)  # worked value, derived here
    2374.8
    """
    m, f, v = (np.asarray(a, float) for a in (mass, rolling, speed))
    area, rho = np.asarray(drag_area, float), np.asarray(air_density, float)
    require(m > 0, "mass", m, "kg", "> 0")
    require(f >= 0, "rolling", f, "-", ">= 0")
    require(area >= 0, "drag_area", area, "m^2", ">= 0")
    require(rho >= 0, "air_density", rho, "kg/m^3", ">= 0")
    slope = np.arctan(np.asarray(grade, float))
    return np.asarray(m * GRAVITY * (f * np.cos(slope) + np.sin(slope)) + 0.5 * rho * area * v**2)


@dataclass(frozen=True)
class Ground:
    """One kind of ground, each number a float or of shape (d,) over draws.

    Attributes
    ----------
    name : str
    share [-] : share of running time
    rolling, adhesion, grade [-]
    low_speed, high_speed [m/s] : range of road speed in use
    torque [-] : asked for while running in the range, as a share of the engine's full torque
    load_changes [1/s] : times the load pulls the machine from the top of the range to its bottom and lets it go
    starts [1/s] : run-ups at full torque from the lowest gear to the top of the range
    target_speed [rad/s] : of the engine on this ground; None: as elsewhere
    reduction [-] : of the gear range in use; None: the vehicle's
    """

    name: str
    share: Number
    rolling: Number
    adhesion: Number
    grade: Number
    low_speed: Number
    high_speed: Number
    torque: Number
    load_changes: Number
    starts: Number
    target_speed: Number | None = None
    reduction: Number | None = None

    def target(self, elsewhere: Number) -> Number:
        """Engine speed [rad/s] that is wanted here, given the one wanted elsewhere [rad/s]."""
        return elsewhere if self.target_speed is None else self.target_speed


@dataclass(frozen=True)
class Vehicle:
    """What the driven shaft moves, each number a float or of shape (d,) over draws.

    Attributes
    ----------
    mass [kg], drag_area [m^2], wheel_radius [m]
    reduction [-] : turns of the driven shaft per turn of the wheel, in the usual gear range
    driveline_efficiency [-] : driven shaft to ground
    """

    mass: Number
    drag_area: Number
    wheel_radius: Number
    reduction: Number
    driveline_efficiency: Number

    def road_speed(self, engine_speed: ArrayLike, ratio: ArrayLike, reduction: Number | None = None) -> Array:
        """Road speed [m/s] at an engine speed [rad/s] and speed ratio [-], in a gear range [-], without slip.

        Draws are the first axis of several; a single axis goes over positions.
        """
        speed, geared = np.asarray(engine_speed, float), np.asarray(ratio, float)
        ndim = max(speed.ndim, geared.ndim)
        ndim = 2 if ndim == 1 else ndim
        turns = geared * per_draw(self.reduction if reduction is None else reduction, ndim)
        return np.asarray(speed / turns * per_draw(self.wheel_radius, ndim))
