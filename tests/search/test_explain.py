"""What `explain` tells beside the score: what binds the belt margin, what springs cost, starts, gear ranges."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from varying import sides, varied, with_part

from catalog import Job
from catalog.parts import Helix
from catalog.springs import DrivenSpring, MarkedForm
from search import rank
from search.curve import MarginLimit
from search.explain import Explanation, explain
from search.points import duty_points
from search.space import Kit
from solver import balance

pytestmark = pytest.mark.invariant


def scaled_spring(job: Job, kit: Kit, factor: float) -> tuple[Job, Kit]:
    """The driven spring replaced by one that only pushes, with so many times the load."""
    old = job.shelf.family("driven_springs")[kit.parts["driven_spring"]]
    assert isinstance(old, DrivenSpring)
    lengths = job.forces.installed_length("driven_spring"), job.forces.full_shift_length("driven_spring")
    first, last = (factor * float(load) for load in old.curve(*lengths).at(np.array(lengths)))
    marks = MarkedForm.model_validate({"installed": f"{first} N", "full_shift": f"{last} N"})
    sizes = {"outer_diameter": old.dimension("outer_diameter"), "inner_diameter": old.dimension("inner_diameter")}
    bare = dict.fromkeys(("linear", "wire", "table", "torsion_rate"))
    part = old.model_copy(
        update={"id": "scaled", "kind": "compression", "marked": marks, "solid_length": 1e-3, **sizes, **bare}
    )
    return with_part(job, "driven_spring", part), Kit({**kit.parts, "driven_spring": part.id}, {"twist": None})


def steep_helix(job: Job, kit: Kit, angle: float) -> tuple[Job, Kit]:
    """A straight helix: the steeper, the less of the pull it turns into thrust."""
    old = job.shelf.family("helices")[kit.parts["helix"]]
    part = old.model_copy(
        update={"id": "straight", "angle": angle, "ramp": None, "twist_steps": None, "twist_range": (0.0, math.pi)}
    )
    return with_part(job, "helix", part), Kit({**kit.parts, "helix": part.id}, kit.settings)


def in_gear(job: Job, low: float, high: float) -> Job:
    """One easy ground at full torque, run between two shift positions only."""
    train, (first, *_) = job.drivetrain, job.inputs.grounds
    road = train.vehicle.road_speed(train.target_speed, train.path.ratio)
    speeds = np.interp([low, high], train.path.position, road)
    ground = replace(
        first, share=1.0, grade=-0.1, rolling=0.02, adhesion=5.0, torque=1.0, target_speed=None, reduction=None,
        starts=0.0, load_changes=1 / 60, low_speed=float(speeds[0]), high_speed=float(speeds[1]),
    )  # fmt: skip
    return replace(job, inputs=replace(job.inputs, grounds=(ground,)))


def margin_of(job: Job, kit: Kit) -> MarginLimit:
    facts = explain(job, kit)
    assert facts.margin is not None
    assert facts.margin.margin == pytest.approx(facts.score.terms["belt_margin"], rel=1e-9)
    assert set(facts.margin.grounds) <= {ground.name for ground in job.inputs.grounds}
    assert facts.margin.position in job.drivetrain.path.position
    return facts.margin


def at_limit(job: Job, kit: Kit, margin: MarginLimit) -> tuple[float, float, float, float]:
    """Tension ratio of the driven and of the drive sheave at the pull that the margin leaves, and their limits."""
    train = job.drivetrain
    duty = duty_points(train)
    where = train.path.position[duty.points.position] == margin.position
    (point, *_) = np.flatnonzero(where & (duty.points.branch == (margin.branch == "backshift")))
    driven, pull = sides(job, kit)[1].at(duty.points), duty.pull(duty.target)
    tight = balance.tensions(driven, pull, duty.grip)[0][point]
    more = (1 + margin.margin / 100) * pull
    pulled, slack = balance.tensions(driven, more, duty.grip)
    return (float(pulled[point] / slack[point]), float(tight / (tight - more[point])),
            float(duty.grip.driven_limit[point]), float(duty.grip.drive_limit[point]))  # fmt: skip


def test_the_drive_sheave_binds_in_low_gear_where_its_wrap_is_short(job: Job, fitted: Kit) -> None:
    low, kit = scaled_spring(varied(in_gear(job, 0.0, 0.12), belt={"max_tension": 1e6}), fitted, 1.5)
    margin = margin_of(low, kit)
    assert margin.limit == "drive sheave"
    _, of_drive, _, limit = at_limit(low, kit, margin)
    assert of_drive == pytest.approx(limit, rel=1e-6)


def test_the_driven_sheave_binds_in_high_gear_where_its_wrap_is_short(job: Job, fitted: Kit) -> None:
    high = varied(in_gear(job, 0.9, 1.0), belt={"max_tension": 1e6})
    high, kit = scaled_spring(*steep_helix(high, fitted, 1.2), 1.5)
    margin = margin_of(high, kit)
    assert margin.limit == "driven sheave"
    of_driven, _, limit, _ = at_limit(high, kit, margin)
    assert of_driven == pytest.approx(limit, rel=1e-6)


def test_tension_binds_where_springs_are_far_too_strong(job: Job, fitted: Kit) -> None:
    tight, kit = scaled_spring(job, fitted, 6.0)
    margin = margin_of(tight, kit)
    assert margin.limit == "tension"
    stronger = varied(tight, belt={"max_tension": 1.1 * job.inputs.belt.max_tension})
    assert margin_of(stronger, kit).margin == pytest.approx(1.1 * (100 + margin.margin) - 100)


# ---- springs ----


def cost_of(job: Job, kit: Kit) -> tuple[Any, float]:
    facts = explain(job, kit)
    assert facts.springs is not None
    return facts.springs, float(facts.score.terms["spring_loss"]) / 100 * float(job.drivetrain.engine.peak_power)


def test_spring_loss_is_what_the_belt_loses_too_much_and_what_is_rubbed_away(job: Job, fitted: Kit) -> None:
    heavy, loss = cost_of(*scaled_spring(job, fitted, 4.0))
    assert heavy.belt > heavy.least > 0
    assert loss == pytest.approx(heavy.belt - heavy.least + heavy.friction, rel=1e-9)  # everywhere above the least
    light, less = cost_of(job, fitted)
    assert less == pytest.approx(light.belt - light.least + light.friction, rel=1e-9)  # and below it at some points
    assert light.belt < heavy.belt


def test_nothing_is_rubbed_away_without_load_changes_or_without_friction(job: Job, fitted: Kit) -> None:
    trial, kit = scaled_spring(job, fitted, 2.0)
    assert cost_of(trial, kit)[0].friction > 0
    still = tuple(replace(ground, load_changes=0.0) for ground in trial.inputs.grounds)
    steady = replace(trial, inputs=replace(trial.inputs, grounds=still))
    assert cost_of(steady, kit)[0].friction == pytest.approx(0, abs=1e-9)
    smooth = varied(
        trial, drive={"bush_friction": 0.0, "pivot_friction": 0.0, "roller_friction": 0.0},
        driven={"bush_friction": 0.0, "ramp_friction": 0.0},
    )  # fmt: skip
    assert cost_of(smooth, kit)[0].friction == pytest.approx(0, abs=1e-6)
    rough = varied(trial, drive={"bush_friction": 0.06}, driven={"bush_friction": 0.06})
    assert cost_of(rough, kit)[0].friction > cost_of(trial, kit)[0].friction


def test_friction_of_bushes_and_guides_is_told_beside_the_thrusts(job: Job, fitted: Kit) -> None:
    def first(**frictions: dict[str, float]) -> Any:
        return explain(varied(job, **frictions), fitted).curve[0]

    none = {"drive": {"bush_friction": 0.0, "guide_friction": 0.0}, "driven": {"bush_friction": 0.0}}
    smooth = first(**none)
    assert (smooth.drive_friction, smooth.driven_friction) == pytest.approx((0, 0), abs=1e-6)
    rough = first(drive={"bush_friction": 0.03, "guide_friction": 0.03}, driven={"bush_friction": 0.03})
    assert rough.drive_friction > rough.driven_friction > 0


# ---- starts and gear ranges ----


def test_starts_at_a_quarter_torque_take_up_lower_and_last_longer(job: Job, fitted: Kit) -> None:
    facts = explain(job, fitted)
    full, quarter = facts.starts
    assert (full.torque, quarter.torque) == (100, 25)
    for start in (full, quarter):
        assert start.take_up_rpm is not None
        assert start.take_up_rpm > facts.engagement_rpm
        assert start.lock_up_kmh is not None
        assert start.slip_heat is not None
        assert start.slip_heat > 0
        assert start.moves
    assert quarter.take_up_rpm < full.take_up_rpm
    assert quarter.lock_up_kmh < full.lock_up_kmh
    assert quarter.seconds > full.seconds
    assert all(len(ground.starts) == 2 for ground in facts.grounds)


def test_ranges_are_told_slowest_first_each_as_a_machine_of_that_reduction(job: Job, fitted: Kit) -> None:
    usual = float(job.inputs.vehicle.reduction)
    machine = job.machine.model_copy(update={"reduction": {"high": usual, "low": 1.8 * usual}})
    facts = explain(replace(job, machine=machine), fitted)
    assert [ranged.name for ranged in facts.ranges] == ["low", "high"]
    low, high = facts.ranges
    assert low.full_kmh is not None
    assert high.full_kmh is not None
    assert low.full_kmh < high.full_kmh
    assert low.shift_start_kmh == pytest.approx(high.shift_start_kmh / 1.8)
    assert high.shift_start_kmh == pytest.approx(facts.shift_start_kmh)
    assert (high.full_kmh, high.quarter_kmh) == tuple(start.lock_up_kmh for start in facts.starts)
    one = job.machine.model_copy(update={"reduction": usual})
    (only,) = explain(replace(job, machine=one), fitted).ranges
    assert only == replace(high, name="")


def test_a_start_on_a_ground_is_made_in_the_range_of_that_ground(job: Job, fitted: Kit) -> None:
    usual = float(job.inputs.vehicle.reduction)
    grounds = tuple(
        replace(ground, target_speed=None, grade=0.02, rolling=0.03, adhesion=0.7, low_speed=5.0, high_speed=6.5,
                reduction=1.5 * usual if n == 0 else None)
        for n, ground in enumerate(job.inputs.grounds)
    )  # fmt: skip
    first, second, *_ = explain(replace(job, inputs=replace(job.inputs, grounds=grounds)), fitted).grounds
    for slow, fast in zip(first.starts, second.starts, strict=True):
        assert slow.lock_up_kmh < fast.lock_up_kmh
        assert slow.slip_heat < fast.slip_heat


# ---- data ----


def strict(data: Mapping[str, Any]) -> Any:
    return json.loads(json.dumps(data), parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))


def odd_kits(job: Job, kit: Kit) -> dict[str, tuple[Job, Kit]]:
    """Kits of which something is infinite or cannot be worked out."""
    stuck = tuple(replace(ground, adhesion=0.9 * ground.rolling + 0.2) for ground in job.inputs.grounds)
    helices = job.shelf.family("helices").values()
    stray = next(p.id for p in helices if isinstance(p, Helix) and job.machine.driven_clutch.family not in p.fits)
    return {
        "fitted": (job, kit),
        "held by torque alone": scaled_spring(*steep_helix(job, kit, 0.35), 1.0),
        "slips": scaled_spring(*steep_helix(job, kit, 1.4), 0.02),
        "never carries the engine": (varied(job, belt={"friction": 0.05, "kinetic_friction": 0.04}), kit),
        "slippery": (replace(job, inputs=replace(job.inputs, grounds=stuck)), kit),
        "made for another clutch": (job, Kit({**kit.parts, "helix": stray}, kit.settings)),
        "engages nowhere": (varied(job, limits={"engagement": (1.0, 2.0)}), kit),
    }


@pytest.mark.parametrize(
    "name",
    ["fitted", "held by torque alone", "slips", "never carries the engine", "slippery", "made for another clutch",
     "engages nowhere"],
)  # fmt: skip
def test_what_is_explained_is_plain_json_without_odd_numbers(name: str, job: Job, fitted: Kit) -> None:
    facts: Explanation = explain(*odd_kits(job, fitted)[name])
    data = strict(facts.to_dict())
    assert data["kit"] == facts.kit.words()
    assert (data["score"]["score"] is None) == (not facts.score.buildable)
    assert len(data["curve"]) == len(facts.curve)


@pytest.mark.parametrize("options", [{}, {"pareto": True}, {"best_per": "helix"}])
def test_a_ranking_is_plain_json_without_odd_numbers(options: dict[str, Any], job: Job) -> None:
    for trial in (job, varied(job, limits={"engagement": (1.0, 2.0)})):
        ranking = rank(trial, 5, {"helix": "any"}, lock_fitted=True, **options)
        data = strict(ranking.to_dict())
        assert len(data["kits"]) == len(ranking.kits)
        assert data["warnings"] == list(ranking.warnings)
