"""What each ground makes of one kit: engine speeds, belt heat, and starts from rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catalog.quantities import TO_KMH, TO_RPM, ZERO_CELSIUS
from search.belt_terms import belt_state, heat_by_ground
from search.points import duty_points
from search.score import shift_map
from solver.balance import DrivenSide, DriveSide
from solver.drivetrain import Drivetrain
from solver.ground import Ground
from solver.launch import Launch, LowGear, StartGround, launch
from solver.losses import loss_by_sheave
from solver.points import BACKSHIFT, UPSHIFT

__all__ = ["QUARTER", "GroundFacts", "StartFacts", "ground_facts", "low_gear", "starts_on"]

Array = NDArray[np.float64]

QUARTER = 0.25  # of full torque: a gentle start


@dataclass(frozen=True)
class StartFacts:
    """A start from rest at a share of full torque; speeds in rpm and km/h, time in s, heat in kJ (None: no lock-up)."""

    torque: float
    take_up_rpm: float | None
    lock_up_kmh: float | None
    seconds: float | None
    slip_heat: float | None
    moves: bool
    tyres_slip: bool
    grips_rpm: float | None


@dataclass(frozen=True)
class GroundFacts:
    """What one ground sees; flatness in %, speeds in rpm and km/h, shares in %, heat in kW, temperature in degC."""

    ground: str
    share: float
    target_rpm: float
    torque: float
    low_kmh: float
    high_kmh: float
    flatness: float
    mean_rpm: float
    lowest_rpm: float
    highest_rpm: float
    upshift_rpm: tuple[float, ...]
    backshift_rpm: tuple[float, ...]
    traction_limited: float
    share_of_flatness: float
    drive_heat: float
    driven_heat: float
    belt_temperature: float
    starts: tuple[StartFacts, ...]


def ground_facts(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide) -> tuple[GroundFacts, ...]:
    """What each ground sees of one kit."""
    duty, whole = duty_points(drivetrain), drivetrain.duty
    speed = shift_map(drivetrain, drive, driven, duty.points).speed
    error, rpm = speed / duty.target - 1, speed * TO_RPM
    total = float(duty.weights @ error**2)
    belt = belt_state(drivetrain, duty, driven[None])
    heats = [
        heat_by_ground(drivetrain, duty, side)[0][0]
        for side in loss_by_sheave(
            belt.tight, belt.slack, duty.belt_speed, duty.path, duty.grip.seat, drivetrain.losses
        )
    ]
    temperature = heat_by_ground(drivetrain, duty, belt.lost)[1][0]
    gear = low_gear(drivetrain, drive, driven)
    out = []
    for number, entry in enumerate(drivetrain.inputs.grounds):
        weights = duty.by_ground[number]
        used, share = weights > 0, float(weights.sum())
        square = float(weights @ error**2)
        target = entry.target(drivetrain.target_speed)
        out.append(
            GroundFacts(
                ground=entry.name,
                share=100 * share,
                target_rpm=float(target) * TO_RPM,
                torque=100 * float(entry.torque),
                low_kmh=max(float(entry.low_speed), _slowest(drivetrain, entry, float(target))) * TO_KMH,
                high_kmh=float(whole.reach[number]) * TO_KMH,
                flatness=100 * float(np.sqrt(square / share)),
                mean_rpm=float(weights @ rpm) / share,
                lowest_rpm=float(rpm[used].min()),
                highest_rpm=float(rpm[used].max()),
                upshift_rpm=_by_position(drivetrain, duty.points.branch == UPSHIFT, weights, rpm),
                backshift_rpm=_by_position(drivetrain, duty.points.branch == BACKSHIFT, weights, rpm),
                traction_limited=100 * float(whole.traction_limited[number]),
                share_of_flatness=100 * square / total if total > 0 else 0.0,
                drive_heat=float(heats[0][number]) / 1000,
                driven_heat=float(heats[1][number]) / 1000,
                belt_temperature=float(temperature[number]) - ZERO_CELSIUS,
                starts=starts_on(drivetrain, gear, entry),
            )
        )
    return tuple(out)


def _slowest(drivetrain: Drivetrain, ground: Ground, target: float) -> float:
    """Road speed at which the shift begins on a ground [m/s]; slower is run with the engine below its target."""
    return float(drivetrain.vehicle.road_speed(target, drivetrain.path.ratio[0], ground.reduction))


def _by_position(drivetrain: Drivetrain, branch: NDArray[np.bool_], weights: Array, rpm: Array) -> tuple[float, ...]:
    """Mean engine speed of one branch at each shift position; 0 where no time is spent."""
    position, count = drivetrain.duty.points.position, len(drivetrain.path.position)
    here = np.where(branch, weights, 0.0)
    time = np.bincount(position, here, minlength=count)
    mean = np.bincount(position, here * rpm, minlength=count) / np.where(time > 0, time, 1.0)
    return tuple(float(v) for v in mean)


def low_gear(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide) -> LowGear:
    """One kit with both sheaves on their stops; the driven one held by what its parts give on the backshift."""
    grip, belt = drivetrain.grip, drivetrain.inputs.belt
    kinetic = belt.friction if belt.kinetic_friction is None else belt.kinetic_friction
    return LowGear(
        thrust_per_speed2=float(drive.thrust_per_speed2[UPSHIFT, 0]),
        spring=float(drive.spring[0]),
        fixed=max(float(driven.fixed[BACKSHIFT, 0]), 0.0),
        per_pull=float(driven.per_pull[BACKSHIFT, 0]),
        slip_thrust=float(grip.slip_thrust[BACKSHIFT, 0]),
        tight_per_thrust=float(grip.tight_per_thrust[0]),
        drive_limit=float(grip.drive_limit[0]),
        half_angle=float(drivetrain.inputs.shift.half_angle),
        kinetic_friction=float(kinetic),
        drive_radius=float(drivetrain.path.drive_radius[0]),
        ratio=float(drivetrain.path.ratio[0]),
    )


def starts_on(drivetrain: Drivetrain, gear: LowGear, ground: Ground) -> tuple[StartFacts, ...]:
    """Starts at full and at a quarter torque on one ground."""
    vehicle = drivetrain.vehicle
    start = StartGround(
        mass=float(vehicle.mass),
        drag_area=float(vehicle.drag_area),
        wheel_radius=float(vehicle.wheel_radius),
        reduction=float(vehicle.reduction if ground.reduction is None else ground.reduction),
        driveline_efficiency=float(vehicle.driveline_efficiency),
        rolling=float(ground.rolling),
        grade=float(ground.grade),
        adhesion=float(ground.adhesion),
        air_density=float(drivetrain.air_density),
    )
    return tuple(_told(share, launch(gear, start, drivetrain.engine, share)) for share in (1.0, QUARTER))


def _told(share: float, start: Launch) -> StartFacts:
    def finite(value: float, factor: float = 1.0) -> float | None:
        return value * factor if np.isfinite(value) else None

    return StartFacts(
        torque=100 * share,
        take_up_rpm=finite(start.take_up_speed, TO_RPM),
        lock_up_kmh=finite(start.lock_up_speed, TO_KMH),
        seconds=finite(start.time),
        slip_heat=finite(start.slip_heat, 1e-3),
        moves=start.moves,
        tyres_slip=start.tyres_slip,
        grips_rpm=finite(start.grips_at, TO_RPM),
    )
