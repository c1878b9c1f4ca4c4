"""What the belt makes of driven builds: spring loss, belt margin, and thrust needed at the engine's speed limit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.points import duty_points
from search.stage import Stage
from search.workers import parallel_slices
from solver import balance
from solver.balance import UPSHIFT, DrivenSide
from solver.belt_grip import centrifugal_tension
from solver.drivetrain import Drivetrain
from solver.losses import belt_loss

__all__ = ["belt_terms", "most_needed_at_limit"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_BUILDS = 1_000  # driven builds worked on at once; about what stays in cache


def most_needed_at_limit(drivetrain: Drivetrain, side: DrivenSide) -> Array:
    """Most drive thrust needed at the speed limit at any torque level, upshift, shape (n, positions) [N]."""
    torque = float(drivetrain.engine.at(drivetrain.speed_limit))
    pull = drivetrain.duty.levels[:, None] * torque / drivetrain.path.drive_radius
    upshift = side[:, UPSHIFT : UPSHIFT + 1]
    most = np.zeros((len(side.fixed), pull.shape[1]))

    def work(rows: slice) -> None:
        most[rows] = balance.needed_drive_thrust(upshift[rows], pull, drivetrain.grip)[:, 0].max(axis=1)

    parallel_slices(work, len(most), _BUILDS)
    return most


def belt_terms(stage: Stage, side: DrivenSide, per_pull: Array, helix_of: Index) -> tuple[Array, Array]:
    """Belt loss above the least tensions [W], and belt margin [-], of each driven build.

    The least tensions depend on the torque ramp alone, `per_pull` of each helix, so they are found once a helix.
    """
    drivetrain = stage.drivetrain
    duty, belt = duty_points(drivetrain), drivetrain.inputs.belt
    pull, path, grip = duty.pull(float(drivetrain.engine.at(drivetrain.target_speed))), duty.path, duty.grip
    speed = drivetrain.target_speed * path.drive_radius
    turning = centrifugal_tension(belt.mass_per_length, speed)
    side, ramps = side[..., duty.positions], per_pull[..., duty.positions]
    least = balance.least_tensions(DrivenSide(np.zeros_like(ramps), ramps), pull, stage.request.wanted_margin, grip)
    least_loss = belt_loss(*least, speed, path, grip.seat, drivetrain.losses)
    loss, margin = np.zeros(len(helix_of)), np.zeros(len(helix_of))

    def work(rows: slice) -> None:
        builds = side[rows]
        tight = np.maximum(balance.needed_drive_thrust(builds, pull, grip) * grip.tight_per_thrust, pull)
        spent = belt_loss(tight, tight - pull, speed, path, grip.seat, drivetrain.losses)
        loss[rows] = (np.maximum(spent - least_loss[helix_of[rows]], 0.0) * duty.weights).sum(axis=(1, 2, 3))
        reserve = np.minimum(balance.slip_reserve(builds, pull, tight, grip), belt.max_tension / (tight + turning) - 1)
        margin[rows] = np.where(duty.used, reserve, np.inf).min(axis=(1, 2, 3))

    parallel_slices(work, len(helix_of), _BUILDS)
    return loss, margin
