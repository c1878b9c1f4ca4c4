"""The bounds attacked with jobs made to break them, and every list held against balancing every pair."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from attack_jobs import attack_job, attack_request
from varying import stage_of

from catalog import Job
from search.exact import bounds as bounds_module
from search.exact import pairs as pairs_module
from search.exact.bounds import percent
from search.exact.keepers import BestKits, Keeper, Kept
from search.exact.pairs import Sides
from search.exact.pareto import ParetoFront
from search.exact.search import INTERRUPTED, Progress, Watch, search_space
from search.pair_rules import PAIR_RULES
from search.points import duty_points
from search.score import pair_terms
from search.space import Space, make_space
from solver import balance
from solver.balance import DrivenSide, DriveSide
from solver.points import BACKSHIFT

pytestmark = pytest.mark.invariant

SEEDS = range(60)
PAIRS = 500  # of each job
LISTED = range(100, 112)
SMALL = {"drive": 2, "heel": 6, "mid": 2, "driven": 12, "helices": 3}  # some thousand kits


@pytest.fixture(scope="module")
def attack(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[Job, Sides]]:
    """The job of a seed, and both its sides."""

    def make(seed: int, **sizes: int) -> tuple[Job, Sides]:
        job = attack_job(tmp_path_factory.mktemp("attack"), seed, **sizes)
        return job, Sides.of(stage_of(job, attack_request(job, seed)), make_space(job))

    return make


def some_pairs(sides: Sides, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Pairs within the speed limit, a quarter of them those with the least bounds; and the larger bound of each [%]."""
    rng, made = np.random.default_rng(seed), sides.bounds
    each = max(4, count // len(made.parts))
    pairs, bounds = [], []
    for part in made.parts:
        below = percent(part.squares(made.needed))
        floor = part.floor(*part.group.place(made.needed))
        least = np.unravel_index(np.argsort(below, axis=None)[: each // 4], below.shape)
        any_row = rng.integers(len(part.rows), size=each - len(least[0]))
        any_column = rng.integers(len(made.needed), size=len(any_row))
        rows, columns = np.concatenate([any_row, least[0]]), np.concatenate([any_column, least[1]])
        pairs.append(np.column_stack([part.rows[rows], columns]))
        bounds.append(np.maximum(below[rows, columns], floor[columns]))
    chosen, largest = np.concatenate(pairs), np.concatenate(bounds)
    within = sides.broken(chosen) != 1 + [rule.name for rule in PAIR_RULES].index("speed_limit")
    return chosen[within], largest[within]


@pytest.mark.parametrize("seed", SEEDS)
def test_no_bound_is_above_a_flatness(
    seed: int, attack: Callable[..., tuple[Job, Sides]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("search.exact.slopes._BOXES", (64, 16, 5)[seed % 3])
    monkeypatch.setattr("search.exact.slopes._LEAST_BOXES", 1)
    _, sides = attack(seed)
    pairs, bounds = some_pairs(sides, PAIRS, seed)
    if len(pairs):
        terms, _ = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
        assert (bounds <= terms["flatness"]).all()


def every_kit(sides: Sides) -> Kept:
    """Every buildable pair balanced, best first."""
    pairs = np.argwhere(np.ones((len(sides.drive), len(sides.driven)), bool))
    kits = Kept.of(sides, pairs[sides.broken(pairs) == 0])
    return kits.take(kits.in_order())


def keepers(space: Space) -> list[Keeper]:
    of_each = [BestKits(1, slot, len(space.options[slot])) for slot in ("heel", "driven_spring", "helix")]
    return [BestKits(1), BestKits(30), BestKits(300), ParetoFront(), *of_each]


@pytest.mark.parametrize("seed", LISTED)
def test_every_list_is_that_of_balancing_every_kit(seed: int, attack: Callable[..., tuple[Job, Sides]]) -> None:
    job, sides = attack(seed, **SMALL)
    every, space = every_kit(sides), make_space(job)
    for keeper in keepers(space):
        search_space(job, space, sides.request, keeper)
        wanted = every.take(keeper.choose(every)) if len(every) else every
        kept = every.take(np.arange(0)) if keeper.kept is None else keeper.kept
        assert kept.choices.tolist() == wanted.choices.tolist()
        assert kept.scores.tolist() == wanted.scores.tolist()


@pytest.mark.parametrize("seed", LISTED[:6])
def test_what_a_stopped_search_says_of_its_bound_is_true(
    seed: int, attack: Callable[..., tuple[Job, Sides]], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in {"_CELLS": 2, "_FIRST": 2, "_BATCH": 8}.items():
        monkeypatch.setattr(f"search.exact.search.{name}", value)
    job, sides = attack(seed, **SMALL)
    every, space = every_kit(sides), make_space(job)
    for reports in (2, 5, 20):
        for keeper in (BestKits(30), ParetoFront()):
            told: list[Progress] = []

            def stop(now: Progress, told: list[Progress] = told, reports: int = reports) -> None:
                told.append(now)
                if len(told) == reports:
                    raise KeyboardInterrupt

            found = search_space(job, space, sides.request, keeper, Watch(stop))
            wanted = every.take(keeper.choose(every)) if len(every) else every
            kept = set() if keeper.kept is None else {tuple(choice) for choice in keeper.kept.choices.tolist()}
            missed = np.array([tuple(choice) not in kept for choice in wanted.choices.tolist()], bool)
            assert found.stopped in ("", INTERRUPTED)
            assert (wanted.scores[missed] >= found.bound - 1e-9).all()


@pytest.mark.parametrize("turned", [(True, False), (False, True)])
def test_a_backshift_that_may_run_faster_has_no_bound_of_its_own(
    turned: tuple[bool, bool], attack: Callable[..., tuple[Job, Sides]]
) -> None:
    _, sides = attack(4)
    drive, driven = sides.drive, sides.driven
    if turned[0]:  # more thrust on the upshift than on the backshift
        drive = replace(
            drive, side=DriveSide(drive.side.thrust_per_speed2[:, ::-1] * [[[1.0], [0.9]]], drive.side.spring)
        )
    if turned[1]:
        driven = replace(driven, side=DrivenSide(driven.side.fixed[:, ::-1], driven.side.per_pull * [[[1.0], [1.1]]]))
    sides = replace(sides, drive=drive, driven=driven)
    pairs, bounds = some_pairs(sides, PAIRS, 4)
    terms, _ = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
    assert (bounds <= terms["flatness"]).all()
    duty = duty_points(sides.stage.drivetrain).heaviest(pairs_module._WEIGHED)
    backshift = duty.points.branch == BACKSHIFT
    for part in sides.bounds.parts:
        assert (part.group.scale[backshift] == 0).all()
        assert (part.group.scale[~backshift] > 0).all()


def test_the_allowance_is_twice_the_step_at_which_the_solver_stops() -> None:
    assert bounds_module._SETTLED >= 2 * balance._SPEED_TOLERANCE


def any_pairs(sides: Sides, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of all parts taken at random, within the speed limit, and their bounds [%]."""
    rng, made = np.random.default_rng(seed), sides.bounds
    pairs, bounds = [], []
    for part in made.parts:
        below = percent(part.squares(made.needed))
        row, column = rng.integers(len(part.rows), size=300), rng.integers(len(made.needed), size=300)
        pairs.append(np.column_stack([part.rows[row], column]))
        bounds.append(below[row, column])
    chosen, found = np.concatenate(pairs), np.concatenate(bounds)
    within = sides.broken(chosen) != 1 + [rule.name for rule in PAIR_RULES].index("speed_limit")
    return chosen[within], found[within]


@pytest.mark.parametrize("seed", range(4))
def test_kits_that_balance_below_the_lowest_speed_have_no_bound_above_them(
    seed: int, attack: Callable[..., tuple[Job, Sides]]
) -> None:
    """Arms so heavy that some kits never speed up: the solver returns the lowest speed, which is no balance."""
    _, sides = attack(2 * seed)
    heavier = np.geomspace(1, 1e7, len(sides.drive))[:, None, None]
    side = DriveSide(sides.drive.side.thrust_per_speed2 * heavier, sides.drive.side.spring)
    at_limit = side.thrust_per_speed2[:, 0] * float(sides.stage.drivetrain.speed_limit) ** 2 - side.spring
    sides = replace(sides, drive=replace(sides.drive, side=side, at_limit=at_limit))
    pairs, bounds = any_pairs(sides, seed)
    terms, _ = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
    assert (bounds <= terms["flatness"]).all()
    assert terms["flatness"].max() > 90  # or none of them was at the lowest speed


@pytest.mark.parametrize("seed", range(4))
def test_builds_off_the_kept_directions_are_allowed_for(
    seed: int, attack: Callable[..., tuple[Job, Sides]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounds_module, "_OFF_AXES", 0.3)
    _, sides = attack(2 * seed)
    rng = np.random.default_rng(seed)
    spread = np.exp(rng.normal(0, 0.02, sides.drive.side.thrust_per_speed2.shape))
    spread[:, 1] = spread[:, 0]  # the backshift is not the faster branch
    side = DriveSide(sides.drive.side.thrust_per_speed2 * spread, sides.drive.side.spring)
    at_limit = side.thrust_per_speed2[:, 0] * float(sides.stage.drivetrain.speed_limit) ** 2 - side.spring
    sides = replace(sides, drive=replace(sides.drive, side=side, at_limit=at_limit))
    assert max(part.group.off_axes for part in sides.bounds.parts) > 0.001
    pairs, bounds = any_pairs(sides, seed)
    terms, _ = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
    assert (bounds <= terms["flatness"]).all()
