"""What a worked kit is given by, in plain numbers, and its engine in the air of the day (step 1).

All numbers are SI, angles in rad, engine speeds in rad/s. Branch 0 is the upshift (the drive sheave closes, the driven
opens), branch 1 the backshift; `sign(branch)` is +1 and -1.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import pi

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import minimize_scalar

GRAVITY = 9.80665  # m/s^2, standard
LEAST_ACCELERATION = 0.05  # m/s^2, below which a machine no longer gains
MOST_RESERVE = 10.0  # [-], reserves to slip are told up to here
CELLS = 2000  # of the time integrals; midpoint rule, so the error falls as 1 / CELLS^2

RPM = pi / 30.0
KMH = 1.0 / 3.6
UPSHIFT, BACKSHIFT = 0, 1


def sign(branch: int) -> float:
    return 1.0 if branch == UPSHIFT else -1.0


# ----------------------------------------------------------------------------------------------------------------------
# What a kit, its machine and its ground are given by


@dataclass(frozen=True)
class Belt:
    length: float  # m, pitch
    mass_per_length: float  # kg/m
    max_tension: float  # N
    friction: float  # flank, mu
    kinetic_friction: float  # flank, of a belt that slips while the machine pulls away
    seating: float  # s0
    top_width: float  # m
    bending: float  # N m
    wedging: float
    stretch_stiffness: float  # N, EA
    wedge_stiffness: float  # Pa, k_w


@dataclass(frozen=True)
class Machine:
    half_angle: float
    centre: float
    width: float  # m, top width that the four stop radii hold for
    drive_stops: tuple[float, float]  # R1min, R1max
    driven_stops: tuple[float, float]  # R2min, R2max
    drive_bush: float
    guide_friction: float
    guide_radius: float
    drive_share: float  # t1
    driven_bush: float
    driven_share: float  # t2
    ramp_friction: float
    drive_spring_length: float  # installed
    driven_spring_length: float
    mass: float
    drag_area: float
    wheel_radius: float
    efficiency: float
    cooling: float  # W/K
    cooling_speed: float | None  # rad/s, where the conductance is stated for a speed
    altitude: float
    temperature: float  # degC
    engine: tuple[Sequence[float], Sequence[float]]  # rad/s, N m, as the engine gives on site
    wanted_margin: float


@dataclass(frozen=True)
class Ground:
    name: str
    share: float
    rolling: float
    adhesion: float
    grade: float
    speeds: tuple[float, float]  # m/s
    torque: float  # share of full torque
    load_changes: float  # 1/s
    starts: float  # 1/s
    reduction: float
    target: float | None = None  # rad/s


@dataclass(frozen=True)
class Spring:
    rate: float  # N/m
    free: float  # m
    torsion: float = 0.0  # N m/rad


@dataclass(frozen=True)
class Ramp:
    radius: float
    points: tuple[tuple[float, float], ...]  # (travel, angle); one point: a straight ramp


@dataclass(frozen=True)
class TableArms:
    """Thrust of the set measured at one speed; bare, and for every kg of one tuning mass at a station."""

    speed: float
    travel: Sequence[float]
    bare: Sequence[float]  # N
    per_mass: Sequence[Sequence[float]]  # a row a station, N/kg
    masses: Sequence[float]  # kg, one mass a station
    band: float


@dataclass(frozen=True)
class PivotArms:
    """Arms with a circular-arc face; lengths along and across in the arm's own frame, its pivot the origin."""

    count: int
    pivot_radius: float  # r_p
    pin_diameter: float
    pivot_friction: float
    roller_diameter: float
    roller_outboard: float  # roller centre from the pivot along the shaft at zero travel
    roller_height: float  # and outward
    roller_friction: float
    body_mass: float
    body_centre: tuple[float, float]
    gyration: tuple[float, float]  # radii of gyration about the pivot along and across the line pivot - centre
    face_centre: tuple[float, float]
    face_radius: float
    points: tuple[tuple[float, float, float], ...]  # tuning masses: (mass, along, across)


@dataclass(frozen=True)
class Kit:
    arms: TableArms | PivotArms
    drive_spring: Spring
    driven_spring: Spring
    ramp: Ramp
    twist: float
    parts: dict[str, tuple[str, float]] = field(default_factory=dict)  # slot -> (part, price)


# ----------------------------------------------------------------------------------------------------------------------
# Step 1. Engine and air


@dataclass(frozen=True)
class Engine:
    torque: Callable[[float], float]
    peak_speed: float
    peak_power: float


def engine(speeds: Sequence[float], torques: Sequence[float]) -> Engine:
    """1.1 Torque between the points of the curve by a monotone cubic (PCHIP); 1.2 where torque x speed is largest."""
    curve = PchipInterpolator(np.asarray(speeds), np.asarray(torques))
    rough = np.linspace(speeds[0], speeds[-1], 20001)
    best = int(np.argmax(curve(rough) * rough))
    low, high = rough[max(best - 1, 0)], rough[min(best + 1, len(rough) - 1)]
    found = minimize_scalar(
        lambda w: -float(curve(w)) * w, bounds=(low, high), method="bounded", options={"xatol": 1e-9}
    )
    return Engine(lambda w: float(curve(w)), float(found.x), -float(found.fun))


def air_density(altitude: float, temperature: float) -> float:
    """1.3 Pressure of the standard troposphere, density at the temperature of the day."""
    pressure = 101325.0 * (1.0 - 0.0065 * altitude / 288.15) ** (9.80665 * 0.0289644 / (8.314462618 * 0.0065))
    return pressure * 0.0289644 / (8.314462618 * (temperature + 273.15))
