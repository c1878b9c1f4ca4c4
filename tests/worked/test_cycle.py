"""Flatness over the duty against the same time driven in small steps (`cycle.py`)."""

from __future__ import annotations

from dataclasses import replace

import cycle
import numpy as np
import pytest

from catalog.job import Job
from search import rank, score_kit
from search.space import Kit
from solver.arrays import Number
from solver.ground import Ground
from solver.points import UPSHIFT

pytestmark = pytest.mark.invariant

CLOSE = 0.02  # percentage points of flatness: a kit is shown with two decimals
SEEDS = range(10)
POSITIONS = 20  # shift positions, as a job file has them that states none


@pytest.fixture(scope="module")
def kits(job: Job, fitted: Kit) -> list[Kit]:
    """The demo's first kits, and the fitted one."""
    return [ranked.kit for ranked in rank(job, top=5).kits] + [fitted]


def _machine(job: Job) -> cycle.Machine:
    return cycle.Machine(job.inputs, float(job.drivetrain.air_factor), float(job.drivetrain.air_density))


@pytest.fixture(scope="module")
def random_jobs(job: Job) -> list[Job]:
    return [random_job(job, seed) for seed in SEEDS]


def random_job(job: Job, seed: int) -> Job:
    """The demo machine on grounds of its own, with part of the time, never more, for run-ups and cycles of the load."""
    rng, inputs = np.random.default_rng(seed), job.inputs
    usual, machine = job.drivetrain.target_speed, _machine(job)
    shares = rng.dirichlet(np.full(rng.integers(1, 4), 3.0))
    grounds = tuple(_random_ground(rng, machine, usual, share, n) for n, share in enumerate(shares))
    target = None if rng.random() < 0.5 else usual * rng.uniform(0.94, 1.03)
    return replace(job, inputs=replace(inputs, grounds=grounds, engine=replace(inputs.engine, target_speed=target)))


def at_positions(job: Job, count: int) -> Job:
    return replace(job, inputs=replace(job.inputs, shift=replace(job.inputs.shift, positions=count)))


def _random_ground(
    rng: np.random.Generator, machine: cycle.Machine, usual: Number, share: float, number: int
) -> Ground:
    low = rng.uniform(3.0, 11.0)
    adhesion = rng.uniform(0.24, 0.45) if rng.random() < 0.5 else rng.uniform(0.45, 0.8)
    ground = Ground(
        name=f"ground {number}", share=share, rolling=rng.uniform(0.02, 0.10), adhesion=adhesion,
        grade=rng.uniform(-0.02, 0.07), low_speed=low, high_speed=low + rng.uniform(4.0, 16.0),
        torque=rng.uniform(0.45, 1.0), load_changes=0.0, starts=0.0,
        target_speed=None if rng.random() < 0.5 else usual * rng.uniform(0.93, 1.04),
        reduction=None if rng.random() < 0.6 else machine.inputs.vehicle.reduction * rng.uniform(0.8, 1.3),
    )  # fmt: skip
    start, load = machine.runs(ground)
    starting, changing, _ = rng.dirichlet([1.0, 3.0, 1.0])
    return replace(ground, starts=starting / start.lasts, load_changes=changing / 2 / load.lasts)


def test_first_kits_of_the_demo(job: Job, kits: list[Kit]) -> None:
    fine, driven = at_positions(job, POSITIONS), cycle.Simulation(job)
    for kit in kits:
        assert score_kit(fine, kit).terms["flatness"] == pytest.approx(driven.flatness(kit), abs=CLOSE), kit


@pytest.mark.parametrize("seed", SEEDS)
def test_random_grounds(random_jobs: list[Job], kits: list[Kit], seed: int) -> None:
    varied, kit = at_positions(random_jobs[seed], POSITIONS), kits[seed % len(kits)]
    assert (varied.drivetrain.duty.asked < 1).all()
    assert score_kit(varied, kit).terms["flatness"] == pytest.approx(
        cycle.Simulation(varied).flatness(kit), abs=CLOSE
    ), kit


def test_ranges_end_where_they_are_said_to_and_not_at_a_cell_of_the_product_s_grid(random_jobs: list[Job]) -> None:
    for varied in random_jobs:
        machine, duty = _machine(varied), varied.drivetrain.duty
        for number, ground in enumerate(varied.inputs.grounds):
            start, load = machine.runs(ground)
            asked = ground.starts * start.lasts + 2 * ground.load_changes * load.lasts
            assert duty.reach[number] == pytest.approx(start.end, rel=2e-4)
            assert duty.asked[number] == pytest.approx(asked, rel=1e-3)


def test_some_of_the_random_grounds_are_slippery_and_some_are_not(random_jobs: list[Job]) -> None:
    slipping = np.concatenate([varied.drivetrain.duty.traction_limited for varied in random_jobs])
    assert 0.2 < np.mean(slipping > 0) < 0.8


def test_what_is_left_falls_with_the_square_of_the_step_between_positions(
    random_jobs: list[Job], kits: list[Kit]
) -> None:
    """On the random ground where engine speed is steepest: what is left is reading squares of errors linearly."""
    steep, kit = random_jobs[6], kits[0]
    driven = cycle.Simulation(steep).flatness(kit)
    coarse, fine = (score_kit(at_positions(steep, n), kit).terms["flatness"] - driven for n in (10, POSITIONS))
    assert abs(fine) < max(abs(coarse) / 3, CLOSE / 4)


def test_time_is_spent_at_the_torque_asked_and_run_ups_at_full_torque(job: Job) -> None:
    ground = replace(job.inputs.grounds[0], torque=0.45, share=1.0, adhesion=5.0, starts=1 / 60, load_changes=1 / 600)
    for starts, levels in ((ground.starts, {0.45, 1.0}), (0.0, {0.45})):
        one = replace(job, inputs=replace(job.inputs, grounds=(replace(ground, starts=starts),)))
        duty = one.drivetrain.duty
        assert set(duty.points.level) == levels
        assert not duty.points.held.any()
        run_ups = duty.points.level == 1.0
        assert (duty.points.branch[run_ups] == UPSHIFT).all()
        phases = {phase.name: phase.share for phase in _machine(one).phases(one.inputs.grounds[0])}
        assert duty.weights[0, run_ups].sum() == pytest.approx(phases["run-up"], rel=1e-3)


def test_where_tyres_slip_the_pull_is_held_and_nothing_is_asked(job: Job) -> None:
    ground = replace(job.inputs.grounds[0], torque=0.9, adhesion=0.3, share=1.0)
    duty = replace(job, inputs=replace(job.inputs, grounds=(ground,))).drivetrain.duty
    assert set(duty.points.level) == {0.0, 0.9, 1.0}
    assert ((duty.points.held > 0) == (duty.points.level == 0)).all()
