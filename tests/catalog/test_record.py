"""Every number of the files reaches the field of the SI record that bears its name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from catalog import Job, load_job
from catalog.machine import Cooling as MachineCooling
from catalog.record import belt_inputs, si_record
from solver.engine import EngineCurve
from solver.errors import PhysicalRangeError
from solver.inputs import Cooling, Inputs

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="module")
def job() -> Job:
    return load_job(CONFIGS / "rescue.yaml")


def test_grounds_keep_each_number_under_its_name(job: Job) -> None:
    named = {"share": 0.11, "rolling": 0.12, "adhesion": 0.63, "grade": 0.14, "torque": 0.85}
    named |= {"load_changes": 0.16, "starts": 0.17}
    odd = job.spec.grounds[0].model_copy(update={**named, "speed": (5.0, 9.0)})
    belt = job.shelf.family("belts")[job.spec.belt]
    curve = EngineCurve(job.inputs.engine.speed, job.inputs.engine.torque)
    spec = job.spec.model_copy(update={"grounds": [odd, *job.spec.grounds[1:]]})
    ground = si_record(spec, job.machine, belt, curve).grounds[0]  # type: ignore[arg-type]  # a belt, by its family
    assert {name: getattr(ground, name) for name in named} == named
    assert (ground.name, ground.low_speed, ground.high_speed) == (odd.name, 5.0, 9.0)


def record(job: Job, *, spec: Mapping[str, object] = {}, machine: Mapping[str, object] = {}) -> Inputs:
    """The record of the job's files with fields of the first ground, or of the machine, changed."""
    first = job.spec.grounds[0].model_copy(update={"target": None, "range": None, **spec})
    return si_record(
        job.spec.model_copy(update={"grounds": [first, *job.spec.grounds[1:]]}),
        job.machine.model_copy(update=dict(machine)),
        job.shelf.family("belts")[job.spec.belt],  # type: ignore[arg-type]  # a belt, by its family
        EngineCurve(job.inputs.engine.speed, job.inputs.engine.torque),
    )


def test_a_ground_may_state_target_and_gear_range(job: Job) -> None:
    ranges = {"reduction": {"high": 11.0, "low": 20.0}}
    plain = record(job, machine=ranges)
    assert plain.vehicle.reduction == 11.0  # the fastest, where a ground states none
    assert (plain.grounds[0].reduction, plain.grounds[0].target_speed) == (None, None)
    own = record(job, spec={"target": 600.0, "range": "low"}, machine=ranges)
    assert (own.grounds[0].reduction, own.grounds[0].target_speed) == (20.0, 600.0)
    assert (own.vehicle, own.grounds[1:]) == (plain.vehicle, plain.grounds[1:])
    assert record(job, machine={"reduction": 9.0}).vehicle.reduction == 9.0


def test_what_the_machine_says_of_belts_reaches_the_record(job: Job) -> None:
    stated = MachineCooling.model_construct(conductance=80.0, at=500.0)
    assert record(job, machine={"belt_cooling": stated}).cooling == Cooling(80.0, 500.0)
    assert record(job, machine={"belt_cooling": 50.0}).cooling == Cooling(50.0)
    assert record(job, machine={"belt_width": 0.033}).shift.belt_width == 0.033
    clutches = {"drive_clutch": ("bush", "guide", "pivot"), "driven_clutch": ("bush", "ramp")}
    for name, frictions in clutches.items():
        for place in frictions:
            field = f"{place}_friction"
            clutch = getattr(job.machine, name).model_copy(update={field: 0.0123})
            changed = record(job, machine={name: clutch})
            assert getattr(getattr(changed, name.removesuffix("_clutch")), field) == 0.0123
    engine = job.machine.engine.model_copy(update={"holds_power_to": 900.0})
    assert record(job, machine={"engine": engine}).engine.holds_power_to == 900.0


def test_guides_stand_at_the_pivots_unless_the_machine_says_where(job: Job) -> None:
    clutch = job.machine.drive_clutch.model_copy(update={"guide_radius": None, "pivot_radius": 0.051})
    assert record(job, machine={"drive_clutch": clutch}).drive.guide_radius == 0.051
    clutch = clutch.model_copy(update={"guide_radius": 0.03})
    assert record(job, machine={"drive_clutch": clutch}).drive.guide_radius == 0.03


def test_what_a_belt_states_reaches_the_record(job: Job) -> None:
    stated = {"kinetic_friction": 0.31, "top_width": 0.0315, "max_temperature": 390.0, "seating": 0.77}
    belt = belt_inputs(job.shelf.family("belts")[job.spec.belt].model_copy(update=stated))  # type: ignore[arg-type]
    assert {name: getattr(belt, name) for name in stated} == stated


@pytest.mark.parametrize("theory", ["corrected", "closed"])
def test_a_belt_says_which_theory_its_thrusts_follow(job: Job, theory: str) -> None:
    belt = job.shelf.family("belts")[job.spec.belt].model_copy(update={"thrust_theory": theory})
    assert belt_inputs(belt).corrected == (theory == "corrected")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"grounds": ()}, "grounds"),
        ({"cooling": Cooling("60")}, "cooling.belt"),  # type: ignore[arg-type]
        ({"cooling": Cooling([60.0, "x"])}, "cooling.belt"),  # type: ignore[arg-type]
        ({"cooling": Cooling(60.0, "600")}, "cooling.at_speed"),  # type: ignore[arg-type]
    ],
)
def test_a_record_of_another_shape_is_refused_by_name(job: Job, changed: dict[str, object], field: str) -> None:
    with pytest.raises(PhysicalRangeError, match=rf"^{field} should be ") as caught:
        replace(job.inputs, **changed)  # type: ignore[arg-type]
    assert caught.value.field == field


def test_shares_of_nothing_positions_of_halves_and_curves_of_two_lengths_are_refused(job: Job) -> None:
    inputs = job.inputs
    for changed, field in (
        ({"grounds": tuple(replace(ground, share=0.0) for ground in inputs.grounds)}, "grounds"),
        ({"shift": replace(inputs.shift, positions=7.5)}, "shift.positions"),  # type: ignore[arg-type]
        ({"engine": replace(inputs.engine, torque=inputs.engine.torque[1:])}, "engine.torque"),
    ):
        with pytest.raises(PhysicalRangeError, match=rf"^{field} should be "):
            replace(inputs, **changed)


def test_kits_are_not_scored_in_many_machines_at_once(job: Job) -> None:
    share = [0.4, 0.5] * (job.inputs.shift.positions // 2)  # as long as the path: it must not pass for one a position
    many = replace(job, inputs=replace(job.inputs, driven=replace(job.inputs.driven, torque_share=np.array(share))))
    with pytest.raises(PhysicalRangeError, match=f"{len(share)} draws; score kits with one"):
        assert many.forces
