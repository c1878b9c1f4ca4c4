"""What the belt makes of driven builds: spring loss, belt margin, and thrust needed at the engine's speed limit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from search.exact.points import busy
from search.workers import parallel_slices
from solver import balance
from solver.balance import UPSHIFT, DrivenSide
from solver.belt_grip import centrifugal_tension
from solver.losses import belt_loss

__all__ = ["belt_terms", "most_needed_at_limit"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_BUILDS = 1_000  # driven builds worked on at once; about what stays in cache


def most_needed_at_limit(job: Job, side: DrivenSide) -> Array:
    """Most drive thrust needed at the speed limit at any torque level, upshift, shape (n, positions) [N]."""
    pull = job.duty.levels[:, None] * float(job.engine.at(job.speed_limit)) / job.shift.drive_radius
    upshift = side[:, UPSHIFT : UPSHIFT + 1]
    most = np.zeros((len(side.fixed), pull.shape[1]))

    def work(rows: slice) -> None:
        most[rows] = balance.needed_drive_thrust(upshift[rows], pull, job.grip)[:, 0].max(axis=1)

    parallel_slices(work, len(most), _BUILDS)
    return most


def belt_terms(job: Job, side: DrivenSide, per_pull: Array, helix_of: Index) -> tuple[Array, Array]:
    """Belt loss above the least tensions [W], and belt margin [-], of each driven build.

    The least tensions depend on the torque ramp alone, `per_pull` of each helix, so they are found once a helix.
    """
    duty = busy(job)
    pull, shift, belt = duty.pull(float(job.engine.at(job.target_speed))), duty.shift, duty.grip
    speed = job.target_speed * shift.drive_radius
    turning = centrifugal_tension(job.belt.mass_per_length, speed)
    side, ramps = side[..., duty.positions], per_pull[..., duty.positions]
    least = balance.least_tensions(DrivenSide(np.zeros_like(ramps), ramps), pull, job.spec.score.wanted_margin, belt)
    least_loss = belt_loss(*least, speed, shift, belt.seat, job.losses)
    loss, margin = np.zeros(len(helix_of)), np.zeros(len(helix_of))

    def work(rows: slice) -> None:
        builds = side[rows]
        tight = np.maximum(balance.needed_drive_thrust(builds, pull, belt) * belt.tight_per_thrust, pull)
        spent = belt_loss(tight, tight - pull, speed, shift, belt.seat, job.losses)
        loss[rows] = (np.maximum(spent - least_loss[helix_of[rows]], 0.0) * duty.weights).sum(axis=(1, 2, 3))
        reserve = np.minimum(
            balance.slip_reserve(builds, pull, tight, belt), job.belt.max_tension / (tight + turning) - 1
        )
        margin[rows] = np.where(duty.used, reserve, np.inf).min(axis=(1, 2, 3))

    parallel_slices(work, len(helix_of), _BUILDS)
    return loss, margin
