"""Every number of the files reaches the field of the SI record that bears its name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from catalog import Job, load_job
from catalog.record import belt_inputs, si_record
from solver.engine import EngineCurve
from solver.errors import PhysicalRangeError

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="module")
def job() -> Job:
    return load_job(CONFIGS / "rescue.yaml")


def test_grounds_keep_each_number_under_its_name(job: Job) -> None:
    named = {"share": 0.11, "rolling": 0.12, "adhesion": 0.63, "grade": 0.14, "throttle": 0.85}
    named |= {"load_changes": 0.16, "starts": 0.17}
    odd = job.spec.grounds[0].model_copy(update={**named, "speed": (5.0, 9.0)})
    belt = job.shelf.family("belts")[job.spec.belt]
    curve = EngineCurve(job.inputs.engine.speed, job.inputs.engine.torque)
    spec = job.spec.model_copy(update={"grounds": [odd, *job.spec.grounds[1:]]})
    ground = si_record(spec, job.machine, belt, curve).grounds[0]  # type: ignore[arg-type]  # a belt, by its family
    assert {name: getattr(ground, name) for name in named} == named
    assert (ground.name, ground.low_speed, ground.high_speed) == (odd.name, 5.0, 9.0)


@pytest.mark.parametrize("theory", ["corrected", "closed"])
def test_a_belt_says_which_theory_its_thrusts_follow(job: Job, theory: str) -> None:
    belt = job.shelf.family("belts")[job.spec.belt].model_copy(update={"thrust_theory": theory})
    assert belt_inputs(belt).corrected == (theory == "corrected")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"levels": ()}, "levels"),
        ({"levels": [0.5, 1.0]}, "levels"),
        ({"levels": (0.5,)}, "levels"),
        ({"levels": (0.7, 0.5, 1.0)}, "levels"),
        ({"grounds": ()}, "grounds"),
        ({"belt_cooling": "60"}, "belt_cooling"),
        ({"belt_cooling": [60.0, "x"]}, "belt_cooling"),
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
    with pytest.raises(PhysicalRangeError, match="16 draws; score kits with one"):
        assert many.forces
