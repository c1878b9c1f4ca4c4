"""The tables that all else follows, the request that travels with a search, and parts worked out once."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from varying import stage_of, varied

from catalog import Job
from catalog.jobfile import Weights
from catalog.parts import FAMILIES
from catalog.slots import SLOT_FAMILIES, SLOTS
from search import rank, score_kit
from search.builds import drive_builds, driven_builds
from search.explain import explain
from search.pair_rules import PAIR_RULES, RULE_NAMES
from search.request import Request
from search.rules import BELT_RULES, DRIVE_RULES, DRIVEN_RULES, rule_names
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Kit, Space
from search.terms import SCORED, TERMS, points_of
from solver.flyweights import ArmMotion, arm_motion

pytestmark = pytest.mark.invariant

ROOT = Path(__file__).parents[2]


def test_the_tables_agree_with_each_other() -> None:
    assert set(SLOT_FAMILIES.values()) == set(FAMILIES)
    assert {slot.side for slot in SLOTS.values()} == {"drive", "driven", "both"}
    assert tuple(Weights.model_fields) == SCORED
    assert all((term.points is None) == (name not in SCORED) for name, term in TERMS.items())
    assert len(set(RULE_NAMES)) == len(RULE_NAMES)
    for slots, rules in ((DRIVE_SLOTS, DRIVE_RULES), (DRIVEN_SLOTS, DRIVEN_RULES), (("belt",), BELT_RULES)):
        for rule in rules:
            assert [slot for slot in slots if slot in rule.slots] == list(rule.slots), rule.name
    assert set(rule_names((*BELT_RULES, *DRIVE_RULES, *DRIVEN_RULES))) | {r.name for r in PAIR_RULES} == set(RULE_NAMES)


def test_every_term_of_a_kit_is_in_the_table_and_the_score_is_the_sum_of_its_points(job: Job, fitted: Kit) -> None:
    request = Request.of(job).with_weights({"flatness": 2.0, "belt_margin": 7.0})
    score = score_kit(job, fitted, request)
    assert set(score.terms) == set(TERMS)
    points = {name: float(points_of(name, np.array(score.terms[name]), request)) for name in SCORED}
    assert points == score.shares
    assert score.score == pytest.approx(sum(points.values()), abs=1e-9)


def test_the_margin_that_a_request_wants_decides_what_springs_waste(job: Job, fitted: Kit) -> None:
    request = Request.of(job)
    losses = [
        score_kit(job, fitted, replace(request, wanted_margin=wanted)).terms["spring_loss"]
        for wanted in (0.0, 0.2, 1.0)
    ]
    assert losses[0] > losses[1] > losses[2]
    in_file = job.spec.score.model_copy(update={"wanted_margin": 1.0})
    filed = replace(job, spec=job.spec.model_copy(update={"score": in_file}))
    assert score_kit(filed, fitted).terms["spring_loss"] == losses[2]


def test_limits_travel_in_the_request(job: Job, fitted: Kit) -> None:
    request, space = Request.of(job), Space.of(fitted)
    assert len(drive_builds(stage_of(job), space)) == 1
    for changed in ({"idle_clearance": 1e4}, {"engagement": (1.0, 2.0)}, {"coil_clearance": 1.0}):
        strict = replace(request, limits=replace(request.limits, **changed))
        assert len(drive_builds(stage_of(job, strict), space)) == 0
        assert not score_kit(job, fitted, strict).buildable
        assert not score_kit(varied(job, limits=changed), fitted).buildable  # as the record says, if no request does
    firm = replace(request, limits=replace(request.limits, belt_margin=4.0))
    assert len(driven_builds(stage_of(job, firm), space)) == 0


@pytest.mark.parametrize(
    ("part", "changed"),
    [
        ("belt", {"friction": 0.31}),
        ("belt", {"wedging": 0.03}),
        ("drive", {"roller_friction": 0.05}),
        ("drive", {"pivot_radius": 0.048}),
        ("drive", {"spring_length": 0.0655}),
        ("driven", {"ramp_friction": 0.09}),
        ("driven", {"torque_share": 0.45}),
        ("driven", {"spring_length": 0.0695}),
        ("vehicle", {"mass": 1100.0}),
        ("site", {"altitude": 2500.0}),
        ("shift", {"centre_distance": 0.2562}),
        ("engine", {"target_speed": 720.0}),
    ],
)
def test_replacing_an_input_of_a_loaded_job_moves_what_its_kits_are_worth(
    job: Job, fitted: Kit, part: str, changed: dict[str, float]
) -> None:
    before, after = score_kit(job, fitted).terms, score_kit(varied(job, **{part: changed}), fitted).terms
    moved = {name for name in ("flatness", "spring_loss", "ground_power") if before[name] != after[name]}
    assert moved
    assert score_kit(job, fitted).terms == before  # and the job itself stays as it was


def test_each_part_is_worked_out_once_however_often_it_is_asked_for(
    job: Job, fitted: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    worked_out = []

    def counted(*args: Any) -> ArmMotion:
        worked_out.append(1)
        return arm_motion(*args)

    monkeypatch.setattr("catalog.forces.arm_motion", counted)
    fresh = replace(job)
    explain(fresh, fitted)
    rank(fresh, 3)
    arms = [arm for arm in job.shelf.family("flyweights").values() if getattr(arm, "profile", None) is not None]
    assert 0 < len(worked_out) <= len(arms)


def imports() -> dict[str, set[str]]:
    """Module -> modules of ours that it imports at its top: what is imported later is no circle."""
    found = {}
    for package in ("solver", "catalog", "search"):
        for file in (ROOT / package).rglob("*.py"):
            name = ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            body = ast.parse(file.read_text(encoding="utf-8")).body
            modules = {node.module or "" for node in body if isinstance(node, ast.ImportFrom)}
            found[name] = {module for module in modules if module.split(".")[0] in ("solver", "catalog", "search")}
    return found


def test_imports_run_one_way() -> None:
    order = ["solver", "catalog", "search"]
    found = imports()
    for name, modules in found.items():
        for module in modules:
            assert order.index(module.split(".")[0]) <= order.index(name.split(".")[0]), f"{name} imports {module}"
    for room in ("search.exact", "search.commands"):  # no room imports what imports it
        below = {module for name in found if name.startswith(room) for module in found[name]}
        while more := {m for name in below for m in found.get(name, ())} - below:
            below |= more
        users = {name for name in found if any(module.startswith(room) for module in found[name])}
        assert not {name for name in below & users if not name.startswith(room)}
