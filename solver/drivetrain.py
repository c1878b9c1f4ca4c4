"""Temporary."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from solver.belt_grip import Grip, grip
from solver.belt_path import ShiftPath, shift_path
from solver.engine import EngineCurve, air_correction, air_density, standard_atmosphere
from solver.errors import PhysicalRangeError
from solver.ground import Duty, Ground, Vehicle, duty
from solver.losses import BeltLosses

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EngineInputs:
    speed: Array
    torque: Array
    corrected: bool
    idle_speed: float
    speed_limit: float
    target_speed: float | None = None


@dataclass(frozen=True)
class ShiftInputs:
    min_drive_radius: float
    max_drive_radius: float
    min_driven_radius: float
    max_driven_radius: float
    centre_distance: float
    half_angle: float
    positions: int


@dataclass(frozen=True)
class BeltInputs:
    length: float
    mass_per_length: float
    max_tension: float
    friction: float
    seating: float
    corrected: bool
    bending: float
    wedging: float
    stretch_stiffness: float
    wedge_stiffness: float


@dataclass(frozen=True)
class DriveInputs:
    pivot_radius: float
    roller_outboard: float
    roller_height: float
    roller_friction: float
    spring_length: float


@dataclass(frozen=True)
class DrivenInputs:
    ramp_friction: float
    torque_share: float
    spring_length: float


@dataclass(frozen=True)
class Site:
    altitude: float
    temperature: float


@dataclass(frozen=True)
class Limits:
    engagement: tuple[float, float]
    idle_clearance: float
    belt_margin: float
    spring_stress: float
    coil_clearance: float


NO_LIMITS = Limits((0.0, np.inf), -np.inf, -np.inf, np.inf, -np.inf)


@dataclass(frozen=True)
class Inputs:
    engine: EngineInputs
    shift: ShiftInputs
    belt: BeltInputs
    drive: DriveInputs
    driven: DrivenInputs
    vehicle: Vehicle
    site: Site
    grounds: tuple[Ground, ...]
    levels: tuple[float, ...]
    belt_cooling: float
    limits: Limits


@dataclass(frozen=True)
class Drivetrain:
    inputs: Inputs
    engine: EngineCurve
    target_speed: float
    speed_limit: float
    peak_power: float
    path: ShiftPath
    grip: Grip
    losses: BeltLosses
    vehicle: Vehicle
    duty: Duty
    air_density: float


def derive(inputs: Inputs) -> Drivetrain:
    i = inputs
    pressure, _, _ = standard_atmosphere(i.site.altitude)
    density = float(air_density(pressure, i.site.temperature))
    factor = float(air_correction(pressure, i.site.temperature)) if i.engine.corrected else 1.0
    engine = EngineCurve(i.engine.speed, i.engine.torque).scaled(factor)
    target = i.engine.target_speed or engine.peak_power_speed
    s = i.shift
    path = shift_path(
        np.linspace(0, 1, s.positions),
        s.min_drive_radius,
        s.max_drive_radius,
        i.belt.length,
        s.centre_distance,
        s.half_angle,
    )
    if path.driven_radius[0] > s.max_driven_radius * (1 + 1e-9) or path.driven_radius[-1] < s.min_driven_radius * (
        1 - 1e-9
    ):
        raise PhysicalRangeError("driven radius")
    g = grip(path, s.half_angle, i.belt.friction, i.belt.seating, corrected=i.belt.corrected)
    power = float(engine.at(target)) * target
    d = duty(i.grounds, i.vehicle, path, power, target, i.levels, density)
    return Drivetrain(
        inputs,
        engine,
        target,
        i.engine.speed_limit,
        engine.peak_power,
        path,
        g,
        BeltLosses(i.belt.bending, i.belt.wedging, i.belt.stretch_stiffness, i.belt.wedge_stiffness),
        i.vehicle,
        d,
        density,
    )
