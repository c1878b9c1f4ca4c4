"""The bounds of the search on engine curves made to break them, and the speed-limit rule."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from varying import stage_of, varied

from catalog.job import Job
from search.exact.bounds import make_bounds, percent
from search.exact.keepers import BestKits
from search.exact.pairs import Sides
from search.exact.search import search_space
from search.pair_rules import PAIR_RULES
from search.points import duty_points, limit_points
from search.request import Request
from search.score import pair_terms, shift_map
from search.space import Space, make_space

pytestmark = pytest.mark.invariant

FROM_RPM = np.pi / 30
# rpm: N m; a cut just above target, a tuned pipe, a dip, a spike, and bumps all over
CURVES = {
    "cut": ([2000, 4000, 5500, 7000, 7100, 7200, 7300, 7600, 8000, 9000], [47, 61, 64, 58, 57, 41, 38, 37, 36, 34]),
    "pipe": ([2000, 4000, 5500, 6000, 6500, 7000, 7500, 7750, 8000, 8500], [27, 31, 36, 47, 57, 62, 62, 60, 50, 27]),
    "dip": ([2000, 4000, 5500, 6200, 6500, 6800, 7000, 7500, 8000], [47, 61, 64, 62, 50, 60, 58, 52, 42]),
    "spike": ([2000, 4000, 5500, 6900, 6960, 7020, 7500, 8000], [47, 61, 64, 58, 66, 57, 52, 42]),
    "bumps": ([2000, 3000, 4000, 5000, 5500, 6000, 6500, 7000, 7250, 8000], [40, 62, 45, 66, 50, 63, 52, 60, 47, 38]),
}


def odd_job(job: Job, name: str, target: float, limit: float) -> Job:
    speed, torque = (np.asarray(values, float) for values in CURVES[name])
    engine = {"speed": speed * FROM_RPM, "torque": torque, "corrected": False}
    engine |= {"target_speed": target * FROM_RPM, "speed_limit": limit * FROM_RPM}
    window = (1000 * FROM_RPM, 6000 * FROM_RPM)
    return varied(job, engine=engine, limits={"belt_margin": -0.5, "engagement": window, "idle_clearance": 0.1})


def odd_space(job: Job) -> Space:
    return make_space(job, {"flyweight": "flail,cradle", "drive_spring": "larch,alder,hazel"})


def check_bounds(sides: Sides, count: int, seed: int = 5) -> None:
    """Hold the bounds of random pairs, and of good ones, against their flatness; and the speed-limit rule."""
    rng, made = np.random.default_rng(seed), sides.bounds
    columns = rng.choice(len(sides.driven), min(count, len(sides.driven)), replace=False)
    floors = made.floors(columns)
    for part, floor in zip(made.parts, floors, strict=True):
        least = percent(part.squares(made.needed[columns]))
        chosen = rng.choice(len(part.rows), min(count, len(part.rows)), replace=False)
        near = least.argmin(axis=0)
        at = np.concatenate(
            [np.column_stack([np.repeat(chosen, len(columns)), np.tile(np.arange(len(columns)), len(chosen))]),
             np.column_stack([near, np.arange(len(columns))])]
        )  # fmt: skip
        pairs = np.column_stack([part.rows[at[:, 0]], columns[at[:, 1]]])
        within = sides.broken(pairs) != 1 + [rule.name for rule in PAIR_RULES].index("speed_limit")
        terms, scores = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
        below = least[tuple(at.T)]
        assert (below[within] <= terms["flatness"][within] + 1e-9).all()
        assert (floor[at[within, 1]] <= terms["flatness"][within] + 1e-9).all()
        assert (sides.score(pairs, below)[within] <= scores[within] + 2e-9).all()
        train = sides.stage.drivetrain
        points = limit_points(train)
        state = shift_map(train, sides.drive.side[pairs[:, 0]], sides.driven.side[pairs[:, 1]], points)
        fastest = state.speed.max(axis=1) / train.speed_limit
        assert (fastest[within] <= 1 + 1e-9).all()
        assert (fastest[~within] >= 1 - 1e-9).all()


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize(("target", "limit"), [(7000, 7700), (7050, 12000), (6300, 6900), (7000, 7010)])
def test_no_bound_is_above_the_flatness_however_the_torque_runs(
    job: Job, name: str, target: float, limit: float
) -> None:
    odd = odd_job(job, name, target, limit)
    check_bounds(Sides.of(stage_of(odd), odd_space(odd)), 12)


@pytest.mark.parametrize("seed", range(0, 20, 4))
def test_no_bound_is_above_the_flatness_of_a_small_job(seed: int, solve: Any) -> None:
    small = solve(seed)
    sides = Sides.of(stage_of(small.job, small.request), small.space)
    if len(sides.drive) and len(sides.driven):
        check_bounds(sides, 100)


@pytest.mark.parametrize("weights", [{}, {"spring_loss": 0.0, "belt_margin": 0.0}, {"flatness": 0.0}])
def test_no_bound_is_above_the_flatness_of_the_demo_job(demo_job: Job, weights: dict[str, float]) -> None:
    stage = stage_of(demo_job, Request.of(demo_job).with_weights(weights))
    check_bounds(Sides.of(stage, make_space(demo_job)), 15)


@pytest.mark.parametrize("usual", [-0.3, -0.03, 0.02, 0.09, 0.4])
def test_bounds_hold_about_any_speed_errors(demo_job: Job, usual: float) -> None:
    sides = Sides.of(stage_of(demo_job), make_space(demo_job, {"flyweight": "cradle"}))
    duty = duty_points(demo_job.drivetrain)
    members = [[part.rows] for part in sides.bounds.parts]
    errors = usual * np.random.default_rng(1).uniform(0.5, 1.0, len(duty))
    sides.__dict__["bounds"] = make_bounds(demo_job.drivetrain, duty, sides.drive, sides.driven, members, errors)
    check_bounds(sides, 12)


def test_bounds_are_close_for_good_kits(demo_job: Job) -> None:
    sides = Sides.of(stage_of(demo_job), make_space(demo_job))
    best = BestKits(50)
    search_space(demo_job, make_space(demo_job), sides.request, best)
    assert best.kept is not None
    rows = {tuple(choice): row for row, choice in enumerate(sides.drive.choice)}
    columns = {tuple(choice): column for column, choice in enumerate(sides.driven.choice)}
    for choice, band in zip(best.kept.choices, best.kept.terms["flatness"], strict=True):
        row, column = rows[tuple(choice[:5])], columns[tuple(choice[5:8])]
        part = next(part for part in sides.bounds.parts if row in part.rows)
        below = percent(part.squares(sides.bounds.needed[[column]]))[part.rows == row, 0][0]
        assert 0.98 * band < below <= band


def test_no_kit_is_lost_on_a_torque_cut_above_target(job: Job) -> None:
    odd = odd_job(job, "cut", 7050, 9500)
    space = odd_space(odd)
    twists = space.options["twist"][::3]  # a third: the bounds are loose here, most pairs are balanced
    space = space.only("twist", twists)
    sides, best = Sides.of(stage_of(odd), space), BestKits(10)
    search_space(odd, space, sides.request, best)
    columns = np.argsort(sides.driven_points)[:40]
    rows = np.arange(0, len(sides.drive), 3)
    chosen = np.column_stack([np.repeat(rows, len(columns)), np.tile(columns, len(rows))])
    chosen = chosen[sides.broken(chosen) == 0]
    _, scores = pair_terms(sides.stage, sides.drive, sides.driven, chosen)
    assert best.kept is not None
    listed = {tuple(choice) for choice in best.kept.choices}
    assert len(chosen) > 1000
    better = sides.choices(chosen[scores < best.kept.scores[-1] - 1e-8])
    assert {tuple(choice) for choice in better} <= listed
