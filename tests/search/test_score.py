"""Terms and score: spring loss, belt life, what an unbuildable kit still tells, explain's shares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from varying import stage_of, varied

from catalog.errors import InputError
from catalog.job import Job
from search.belt_terms import belt_terms
from search.builds import unlimited
from search.exact.pairs import Sides
from search.explain import explain
from search.request import Request
from search.score import pair_terms, score_kit
from search.space import Kit, make_space
from solver import balance
from solver.balance import DrivenSide

pytestmark = pytest.mark.invariant


def driven_side(job: Job, kit: Kit) -> DrivenSide:
    builds = unlimited(stage_of(job), kit)
    assert builds is not None
    return builds[1].side


def with_grounds(job: Job, **changed: float | None) -> Job:
    """The job with fields of every ground changed."""
    grounds = tuple(replace(ground, **changed) for ground in job.inputs.grounds)  # type: ignore[arg-type]
    return replace(job, inputs=replace(job.inputs, grounds=grounds))


def test_lighter_springs_give_power_back_until_the_wanted_margin_is_just_met(job: Job, fitted: Kit) -> None:
    strong = varied(job, belt={"max_tension": 1e5})
    side = driven_side(strong, fitted)
    factors = np.array([1.0, 1.2, 1.5, 2.0, 3.0])
    sides = DrivenSide(side.fixed * factors[:, None, None], np.repeat(side.per_pull, len(factors), axis=0))
    loss, margin, warmest = belt_terms(stage_of(strong), sides, side.per_pull, np.zeros(len(factors), int))
    assert (np.diff(loss) > 0).all()
    assert (np.diff(margin) > 0).all()
    assert (np.diff(warmest) > 0).all()


def test_no_spring_power_is_lost_where_the_wanted_margin_is_just_met(job: Job, fitted: Kit) -> None:
    # one torque at each position, and tyres that carry it
    alike = with_grounds(job, torque=1.0, target_speed=None, reduction=None, adhesion=9.0, grade=-0.05, rolling=0.02)
    road = alike.drivetrain.vehicle.road_speed(alike.drivetrain.target_speed, alike.drivetrain.path.ratio)
    alike = with_grounds(alike, low_speed=float(road[1]), high_speed=float(road[-2]))
    train, side = alike.drivetrain, driven_side(alike, fitted)
    assert not (train.duty.points.held > 0).any()
    pull = float(train.engine.at(train.target_speed)) / train.path.drive_radius
    wanted, belt = job.spec.score.wanted_margin, train.grip
    # the least fixed thrust at each state is (c - Q)(1 + reserve) D
    least = np.maximum(belt.slip_thrust - side.per_pull, 0.0) * (1 + wanted) * pull
    stage, helix = stage_of(alike), np.zeros(1, int)
    loss, margin, coolest = belt_terms(stage, DrivenSide(least, side.per_pull), side.per_pull, helix)
    assert loss == pytest.approx(0, abs=1e-6)
    assert margin[0] <= wanted + 1e-9  # the drive sheave may be the one that binds
    more, _, warmer = belt_terms(stage, DrivenSide(least + 1.0, side.per_pull), side.per_pull, helix)
    assert more[0] > 0
    assert warmer[0] > coolest[0]
    points = train.duty.points
    here, grip = DrivenSide(least[0], side.per_pull[0]).at(points), train.grip.at(points)
    tight, slack = balance.least_tensions(here, points.pull(train.engine.at(train.target_speed),
                                                            train.path.drive_radius), wanted, grip)  # fmt: skip
    assert (tight > slack).all()


def test_wear_is_told_against_the_fitted_kit(job: Job, fitted: Kit) -> None:
    assert score_kit(job, fitted).terms["belt_life"] == pytest.approx(1, rel=1e-12)
    hot = varied(job, cooling={"belt": 20.0})
    assert score_kit(hot, fitted).terms["belt_life"] == pytest.approx(1, rel=1e-12)  # a ratio: both run hotter


def test_a_kit_scores_the_same_whatever_is_balanced_beside_it(job: Job) -> None:
    request, space = Request.of(job), make_space(job)
    sides = Sides.of(stage_of(job, request), space)
    rng = np.random.default_rng(4)
    pairs = np.column_stack([rng.integers(len(side), size=200) for side in (sides.drive, sides.driven)])
    together, scores = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
    for number in range(0, 200, 7):
        alone, score = pair_terms(sides.stage, sides.drive, sides.driven, pairs[number : number + 1])
        assert score[0] == scores[number]
        assert {name: value[0] for name, value in alone.items()} == {n: v[number] for n, v in together.items()}
    for number, choice in enumerate(sides.choices(pairs[:20])):
        assert score_kit(job, space.kit(choice), request).terms["flatness"] == together["flatness"][number]


def test_points_of_the_terms_add_up_to_the_score(job: Job, fitted: Kit) -> None:
    score = score_kit(job, fitted, Request.of(job).with_weights({"spring_loss": 3.0, "belt_margin": 0.5}))
    assert sum(score.shares.values()) == pytest.approx(score.score, abs=1e-9)
    assert score.shares["spring_loss"] == pytest.approx(3 * score.terms["spring_loss"])


def test_an_unbuildable_kit_tells_every_rule_it_breaks_and_still_its_terms(job: Job, fitted: Kit) -> None:
    strict = varied(job, limits={"engagement": (10.0, 20.0), "belt_margin": 4.0})
    score = score_kit(strict, fitted, replace(Request.of(strict), max_changes=0, budget=0.0))
    assert set(score.failures) == {"engagement", "belt_holds"}
    assert not score.buildable
    assert score.score == np.inf
    assert score.terms == score_kit(job, fitted).terms


def test_a_mass_in_another_station_breaks_the_fit(job: Job, fitted: Kit) -> None:
    swapped = Kit({**fitted.parts, "heel": fitted.parts["mid"]}, fitted.settings)
    assert "mass_fit" in score_kit(job, swapped).failures


def test_an_unknown_part_is_bad_input(job: Job, fitted: Kit) -> None:
    with pytest.raises(InputError, match="no such part"):
        score_kit(job, Kit({**fitted.parts, "helix": "none-such"}, fitted.settings))


def test_explanation_agrees_with_the_score(job: Job, fitted: Kit) -> None:
    facts = explain(job, fitted)
    square = sum(g.share / 100 * g.flatness**2 for g in facts.grounds)
    assert np.sqrt(square) == pytest.approx(facts.score.terms["flatness"], rel=1e-9)
    assert sum(g.share_of_flatness for g in facts.grounds) == pytest.approx(100)
    assert facts.engagement_rpm == pytest.approx(facts.score.terms["engagement"])
    terms = facts.score.terms
    assert min(g.lowest_rpm - g.target_rpm for g in facts.grounds) == pytest.approx(terms["worst_low"])
    assert max(g.highest_rpm - g.target_rpm for g in facts.grounds) == pytest.approx(terms["worst_high"])
    assert max(g.belt_temperature for g in facts.grounds) == pytest.approx(terms["belt_temperature"])
    assert facts.margin is not None
    assert facts.margin.margin == pytest.approx(terms["belt_margin"])
    for neighbour in facts.neighbours:
        changed = Kit({**fitted.parts, neighbour.slot: neighbour.instead}, fitted.settings)
        other = score_kit(job, changed)
        if other.buildable:
            assert neighbour.score == pytest.approx(other.score - facts.score.score, abs=1e-9)
        else:
            assert neighbour.broken == ", ".join(other.failures)
