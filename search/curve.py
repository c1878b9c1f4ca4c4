"""The shift curve of one kit at full torque, what limits its belt margin, and what its springs cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.job import Job
from catalog.quantities import TO_KMH, TO_RPM
from catalog.slots import BELT
from search.belt_terms import belt_state, least_tensions
from search.builds import DriveBuilds, DrivenBuilds, sides_of_kit
from search.points import duty_points
from search.request import Request
from search.score import make_stage, shift_map
from search.space import Kit
from search.stage import Stage
from solver import balance
from solver.balance import DrivenSide, DriveSide, Status
from solver.belt_grip import centrifugal_tension
from solver.drivetrain import Drivetrain
from solver.losses import belt_loss
from solver.points import UPSHIFT, along
from solver.side_load import side_load

__all__ = ["CurvePoint", "MarginLimit", "SpringCost", "curve_of", "margin_limit", "margin_of", "spring_cost"]

_LARGE = 999.0  # % shown for "far more than enough"
_LIMITS = ("drive sheave", "driven sheave", "tension")


@dataclass(frozen=True)
class CurvePoint:
    """The shift curve at full torque at one position; speeds in rpm and km/h, forces in N, reserves in %, loss in W.

    Reserves are taken at the torque of the target engine speed, as the belt margin is, the lesser of both branches.
    """

    position: float
    ratio: float
    upshift_rpm: float
    backshift_rpm: float
    upshift_kmh: float
    backshift_kmh: float
    drive_thrust: float
    driven_thrust: float
    drive_spring: float
    driven_spring: float
    drive_friction: float
    driven_friction: float
    tight_tension: float
    slack_tension: float
    slip_reserve: float
    tension_reserve: float
    belt_loss: float
    status: str


@dataclass(frozen=True)
class MarginLimit:
    """What sets the belt margin [%] of a kit: which limit, where, on which branch, on which grounds."""

    margin: float
    limit: str
    position: float
    branch: str
    grounds: tuple[str, ...]


@dataclass(frozen=True)
class SpringCost:
    """What the springs of a kit cost, over the running time [W].

    `belt` is lost in the belt at the tensions they make, `least` would be where tensions just hold with the wanted
    margin, or as they are where they are below that; `friction` is rubbed away by their forces in load changes.
    """

    belt: float
    least: float
    friction: float


def curve_of(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide) -> tuple[CurvePoint, ...]:
    """The shift curve of one kit at full torque."""
    shift, belt = drivetrain.path, drivetrain.inputs.belt
    count = len(shift.position)
    points = along(count)
    grip, here = drivetrain.grip.at(points), driven.at(points)
    state = shift_map(drivetrain, drive, driven, points)
    path = shift.at(points.position)
    belt_speed = state.speed * path.drive_radius
    tight, slack = state.carried
    turning = centrifugal_tension(belt.mass_per_length, belt_speed)
    loss = belt_loss(tight, slack, belt_speed, path, grip.seat, drivetrain.losses)
    wanted = float(drivetrain.target_speed)
    pull = points.pull(float(drivetrain.engine.at(wanted)), shift.drive_radius)
    at_target, _ = balance.tensions(here, pull, grip)
    held = at_target + centrifugal_tension(belt.mass_per_length, wanted * path.drive_radius)
    slip = balance.slip_reserves(here, pull, at_target, grip).least
    in_tension = belt.max_tension / held - 1
    road = drivetrain.vehicle.road_speed(state.speed, path.ratio) * TO_KMH
    # What each clutch gives less what the belt takes of it, with its sign on the upshift.
    rubs_drive = state.drive_thrust - state.tight_net / grip.tight_per_thrust
    rubs_driven = grip.driven_bush * side_load(state.slack_net, state.pull, grip.driven_spread)
    out = []
    for n in range(count):
        up, back = n, count + n
        out.append(
            CurvePoint(
                position=float(shift.position[n]),
                ratio=float(shift.ratio[n]),
                upshift_rpm=float(state.speed[up]) * TO_RPM,
                backshift_rpm=float(state.speed[back]) * TO_RPM,
                upshift_kmh=float(road[up]),
                backshift_kmh=float(road[back]),
                drive_thrust=float(state.drive_thrust[up]),
                driven_thrust=float(state.driven_thrust[up]),
                drive_spring=float(drive.spring[n]),
                driven_spring=float(driven.fixed[UPSHIFT, n]),
                drive_friction=float(rubs_drive[up]),
                driven_friction=float(rubs_driven[up]),
                tight_tension=float(tight[up] + turning[up]),
                slack_tension=float(slack[up] + turning[up]),
                slip_reserve=min(100 * float(min(slip[up], slip[back])), _LARGE),
                tension_reserve=min(100 * float(min(in_tension[up], in_tension[back])), _LARGE),
                belt_loss=float(loss[up]),
                status=Status(int(state.status[up])).name.lower(),
            )
        )
    return tuple(out)


def margin_limit(drivetrain: Drivetrain, driven: DrivenSide) -> MarginLimit:
    """What sets the belt margin of one kit."""
    duty = duty_points(drivetrain)
    state = belt_state(drivetrain, duty, driven[None])
    reserves = np.stack([state.on_drive[0], state.on_driven[0], state.in_tension[0]])
    which, point = np.unravel_index(int(reserves.argmin()), reserves.shape)
    carried = duty.by_ground[:, point] > 0
    return MarginLimit(
        margin=100 * float(reserves[which, point]),
        limit=_LIMITS[which],
        position=float(drivetrain.path.position[duty.points.position[point]]),
        branch="upshift" if duty.points.branch[point] == UPSHIFT else "backshift",
        grounds=tuple(ground.name for ground, on in zip(drivetrain.inputs.grounds, carried, strict=True) if on),
    )


def margin_of(job: Job, kit: Kit) -> MarginLimit | None:
    """What sets the belt margin of a kit of a job; None if its thrusts cannot be worked out."""
    stage = make_stage(job, Request.of(job), kit.parts[BELT])
    sides = sides_of_kit(stage, kit)
    return sides and margin_limit(stage.drivetrain, sides[1])


def spring_cost(stage: Stage, drive: DriveBuilds, driven: DrivenBuilds) -> SpringCost:
    """What the springs of one kit cost, one build each."""
    drivetrain = stage.drivetrain
    duty = duty_points(drivetrain)
    kit = belt_state(drivetrain, duty, driven.side[:1]).lost[0]
    lighter = least_tensions(stage, duty, driven.side[:1])
    least = belt_loss(*lighter, duty.belt_speed, duty.path, duty.grip.seat, drivetrain.losses)[0]
    spent, spared = float(kit @ duty.weights), float(np.minimum(kit, least) @ duty.weights)
    return SpringCost(belt=spent, least=spared, friction=float(drive.loss[0] + driven.loss[0]) - (spent - spared))
