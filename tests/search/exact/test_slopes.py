"""The steps of the proof of the bounds, one by one: boxes, cells of speed, lines about t, quadratics."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from attack_jobs import attack_job
from varying import stage_of

from catalog import Job
from search.builds import driven_builds
from search.exact.boxes import boxes
from search.exact.parabolas import least_quadratic
from search.exact.slopes import make_slopes
from search.exact.speeds import speed_cells
from search.points import DutyPoints, duty_points
from search.space import make_space
from solver.balance import LOWEST, DrivenSide
from solver.drivetrain import Drivetrain
from solver.engine import EngineCurve

pytestmark = pytest.mark.invariant

SEEDS = range(200, 212)


@pytest.fixture(scope="module")
def attack(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], Job]:
    return lambda seed: attack_job(tmp_path_factory.mktemp("slopes"), seed)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("most", [1, 7, 128])
def test_every_build_lies_in_a_box(seed: int, most: int) -> None:
    rng = np.random.default_rng(seed)
    fixed = np.exp(rng.uniform(0, 8, (300, 2, 3))) * rng.choice([1.0, 0.0, -1e-3], (300, 2, 3), p=[0.9, 0.05, 0.05])
    ramp = rng.uniform(0.1, 3, (300, 2, 3))
    fixed[:, :, 1], ramp[:, 0] = 500.0, 1.0  # no spread at all
    lower, upper = boxes(DrivenSide(fixed, ramp), most)
    assert len(lower.fixed) <= most
    held = (lower.fixed <= fixed[:, None]) & (fixed[:, None] <= upper.fixed)
    held &= (lower.per_pull <= ramp[:, None]) & (ramp[:, None] <= upper.per_pull)
    assert held.any(axis=1).all()


@pytest.mark.parametrize("seed", range(8))
def test_cells_cover_every_speed_and_hold_its_torque(seed: int) -> None:
    rng = np.random.default_rng(seed)
    speed = np.sort(rng.uniform(100, 900, 9))
    engine = EngineCurve(speed, rng.uniform(20, 100, 9))
    low, high = 30.0, float(rng.uniform(610, 1500))
    usual = np.append(rng.uniform(-0.3, 0.1, 5), [0.0, -0.99, 2.0])
    target = np.where(rng.random(len(usual)) < 0.5, 600.0, rng.uniform(400, 600, len(usual)))
    cells = speed_cells(engine, target, low, high, usual)
    far = cells.base + cells.sign * cells.width
    first, last = np.minimum(cells.base, far), np.maximum(cells.base, far)
    speeds = np.append(rng.uniform(low, high, 400), [low, high])
    torque = engine.at(speeds)
    for point in range(len(usual)):
        errors = speeds / target[point] - 1
        inside = (errors[:, None] >= first[:, point] - 1e-12) & (errors[:, None] <= last[:, point] + 1e-12)
        assert inside.any(axis=1).all()
        at, cell = np.nonzero(inside)
        held = [table[cell, point] for table in (cells.least_torque, cells.most_torque, cells.base_torque)]
        way = np.abs(errors[at] - cells.base[cell, point]) * cells.sign[cell, point]
        climbs = np.sort(way * np.stack([cells.least_slope[cell, point], cells.most_slope[cell, point]]), axis=0)
        assert (held[0] - 1e-9 <= torque[at]).all()
        assert (torque[at] <= held[1] + 1e-9).all()
        assert (held[2] + climbs[0] - 1e-9 <= torque[at]).all()
        assert (torque[at] <= held[2] + climbs[1] + 1e-9).all()
    widest = np.where(cells.width == cells.width.max(axis=0), cells.base, 0.0)
    assert np.abs(widest).max() > 0.1  # coarse only far away


def moved(
    drivetrain: Drivetrain,
    duty: DutyPoints,
    side: DrivenSide,
    usual: np.ndarray,
    errors: np.ndarray,
    spring: np.ndarray,
    cut: np.ndarray,
) -> np.ndarray:
    """t of driven builds where each duty point has its own speed error, worked out from the needed thrust."""

    def half_log(at: np.ndarray) -> np.ndarray:
        pull = duty.pull(duty.target * (1 + at))
        return np.asarray(0.5 * np.log(np.maximum(duty.needed(side, pull) + spring, cut)))

    return np.asarray(np.log1p(errors) - np.log1p(usual) + half_log(usual) - half_log(errors))


@pytest.mark.parametrize("seed", SEEDS)
def test_every_build_lies_between_the_lines_of_its_cell(seed: int, attack: Callable[[int], Job]) -> None:
    job, rng = attack(seed), np.random.default_rng(seed)
    drivetrain = job.drivetrain
    side, duty = driven_builds(stage_of(job), make_space(job)).side, duty_points(drivetrain)
    usual = rng.uniform(-0.06, 0.02, len(duty))
    slopes, point = make_slopes(drivetrain, duty, side, usual), np.arange(len(usual))
    cells = slopes.speeds
    for load in (1.0, 300.0, 5000.0):
        spring = np.full(len(usual), load)
        cut = np.where(rng.random(len(usual)) < 0.5, 1.0, load + slopes.least.mean() * rng.random(len(usual)))
        spans = slopes.spans(spring, cut)
        cases = [(rng.integers(len(cells.base), size=len(usual)), rng.random(len(usual))) for _ in range(30)]
        for cell, share in cases:
            way = share * cells.width[cell, point]
            errors = cells.base[cell, point] + cells.sign[cell, point] * way
            t = moved(drivetrain, duty, side, usual, errors, spring, cut)
            room = 1e-10 * (1 + slopes.largest / cut)
            assert (t >= spans.low[cell, point] + spans.slowest[cell, point] * way - room).all()
            assert (t <= spans.high[cell, point] + spans.fastest[cell, point] * way + room).all()
        lowest = LOWEST * drivetrain.engine.peak_power_speed / duty.target - 1
        assert (moved(drivetrain, duty, side, usual, lowest, spring, cut) <= spans.end + room).all()
        # Nothing is left unknown at the usual speed, and little near it.
        here = np.abs(cells.base - usual) < 1e-12
        assert (np.abs(spans.low[here]) + np.abs(spans.high[here]) < 1e-9).all()


def test_the_least_of_a_quadratic_is_that_of_a_fine_grid() -> None:
    rng = np.random.default_rng(1)
    base, start, rate, c1, c2 = rng.normal(0, 1, (5, 500)) * np.array([[0.3], [0.5], [2], [1], [1]])
    sign, width = rng.choice([-1.0, 1.0], 500), rng.choice([0.0, 1e-3, 0.5], 500)
    least = least_quadratic(base, sign, width, start, rate, c1, np.abs(c2))
    x = np.linspace(0, 1, 4001)[:, None] * width
    r, t = base + sign * x, start + rate * x
    fine = (r**2 - c1 * t - np.abs(c2) * t**2).min(axis=0)
    assert (least <= fine + 1e-12).all()
    assert least == pytest.approx(fine, abs=1e-5)
