"""The rule about the belt's temperature: set by the job, by the belt's rating, or by nobody."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from varying import stage_of, varied

from catalog import Job
from search import rank, score_kit
from search.builds import driven_builds
from search.request import Request
from search.space import Kit, make_space

pytestmark = pytest.mark.invariant

ZERO = 273.15  # K


@pytest.fixture(scope="module")
def unrated(job: Job) -> Job:
    """The demo job with no limit of its own and a belt of no rating, so that nothing else is broken by heat."""
    return varied(job, belt={"max_temperature": None}, limits={"belt_temperature": None, "belt_margin": -0.5})


@pytest.fixture(scope="module")
def reached(unrated: Job, fitted: Kit) -> float:
    return score_kit(unrated, fitted).terms["belt_temperature"] + ZERO


@pytest.mark.parametrize(
    ("limit", "rating", "broken"),
    [
        (None, None, False),
        (0.5, None, False),
        (-0.5, None, True),
        (None, 0.5, False),
        (None, -0.5, True),
        (0.5, -0.5, False),  # the job knows better than the rating, either way
        (-0.5, 0.5, True),
    ],
)
def test_the_limit_is_that_of_the_job_or_else_what_the_belt_is_rated_for(
    limit: float | None, rating: float | None, broken: bool, unrated: Job, fitted: Kit, reached: float
) -> None:
    above = [None if way is None else reached + way for way in (limit, rating)]
    job = varied(unrated, limits={"belt_temperature": above[0]}, belt={"max_temperature": above[1]})
    score = score_kit(job, fitted)
    assert ("belt_temperature" in score.failures) == broken
    assert score.buildable != broken
    assert score.terms["belt_temperature"] + ZERO == pytest.approx(reached)
    if broken:
        sentence = score.failures["belt_temperature"]
        most = above[0] if limit is not None else above[1]
        assert most is not None
        for kelvin in (reached, most):
            assert f"{kelvin - ZERO:.3g} degC" in sentence or f"{kelvin:.4g} K" in sentence
        assert "more belt cooling" in sentence


def test_no_heat_breaks_a_rule_where_nobody_sets_a_limit(unrated: Job, fitted: Kit) -> None:
    scorched = varied(unrated, cooling={"belt": 1.0})
    score = score_kit(scorched, fitted)
    assert score.terms["belt_temperature"] > 500
    assert "belt_temperature" not in score.failures


def test_kits_that_are_too_hot_are_left_out_and_counted(unrated: Job) -> None:
    locks = {"helix": "any", "driven_spring": "any"}
    space = make_space(unrated, locks, lock_fitted=True)
    builds = driven_builds(stage_of(unrated), space)
    middle = float(np.median(builds.temperature))
    limited = varied(unrated, limits={"belt_temperature": middle})
    strict = driven_builds(stage_of(limited), space)
    assert strict.excluded["belt_temperature"] == int((builds.temperature > middle).sum()) > 0
    assert len(strict) == len(builds) - strict.excluded["belt_temperature"]
    left = rank(limited, 10_000, locks, lock_fitted=True)
    every = rank(unrated, 10_000, locks, lock_fitted=True)
    cool = [kit for kit in every.kits if kit.terms["belt_temperature"] + ZERO <= middle]
    assert [(kit.kit, kit.score) for kit in left.kits] == [(kit.kit, kit.score) for kit in cool]
    assert 0 < len(left.kits) < len(every.kits)


def test_a_request_may_set_the_limit(unrated: Job, fitted: Kit, reached: float) -> None:
    request = Request.of(unrated)
    tight = replace(request, limits=replace(request.limits, belt_temperature=reached - 1))
    assert set(score_kit(unrated, fitted, tight).failures) == {"belt_temperature"}
    assert score_kit(unrated, fitted, request).buildable


def test_more_cooling_and_less_torque_keep_the_belt_cooler(unrated: Job, fitted: Kit, reached: float) -> None:
    site = float(unrated.inputs.site.temperature)
    twice = varied(unrated, cooling={"belt": 2 * unrated.inputs.cooling.belt})
    assert score_kit(twice, fitted).terms["belt_temperature"] + ZERO == pytest.approx(site + (reached - site) / 2)
    eased = replace(unrated, inputs=replace(unrated.inputs, grounds=tuple(
        replace(ground, torque=0.5 * ground.torque, starts=0.0) for ground in unrated.inputs.grounds)))  # fmt: skip
    assert score_kit(eased, fitted).terms["belt_temperature"] + ZERO < reached
