"""Grounds with targets and gear ranges of their own, and mixes that ask for more time than there is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from extreme_job import documents, write

from catalog import Job, load_job
from search import score_kit
from search.explain import explain
from search.space import Kit, fitted_kit

pytestmark = pytest.mark.invariant

RANGES = {"high": 11.4, "low": 19.0}
SLOWER = RANGES["high"] / RANGES["low"]
# What needs no other kit and no other ground to be told.
TOLD = ("flatness", "spring_loss", "belt_margin", "worst_high", "worst_low", "ground_power", "belt_temperature")


def written(folder: Path, *, grounds: dict[str, Any], reduction: Any, target: str, slower: float = 1.0) -> Job:
    """A job whose grounds all say the same of target and range, with their road speeds so much slower."""
    files = documents(plain=True)
    files["machine.yaml"]["reduction"] = reduction
    files["machine.yaml"]["engine"]["target_speed"] = target
    for ground in files["job.yaml"]["grounds"]:
        for key in ("target", "range"):
            ground.pop(key, None)
        ground["speed"] = [f"{slower * kmh} km/h" for kmh in (20, 36)]
        ground |= {"rolling": 0.03, "grade": "3 %", "adhesion": 0.6, "load_changes": "1 /min"} | grounds
    folder.mkdir()
    return load_job(write(files, folder))


def told(job: Job, kit: Kit | None = None) -> dict[str, float]:
    terms = score_kit(job, kit or fitted_kit(job)).terms
    return {name: terms[name] for name in TOLD}


def test_a_ground_run_in_a_range_is_that_of_a_machine_with_this_reduction_alone(tmp_path: Path) -> None:
    usual: dict[str, Any] = {"target": "7100 rpm", "slower": SLOWER}
    ranged = written(tmp_path / "a", grounds={"range": "low"}, reduction=RANGES, **usual)
    alone = written(tmp_path / "b", grounds={}, reduction=RANGES["low"], **usual)
    assert told(ranged) == pytest.approx(told(alone), rel=1e-12)
    facts, plain = explain(ranged, fitted_kit(ranged)), explain(alone, fitted_kit(alone))
    for one, other in zip(facts.grounds, plain.grounds, strict=True):
        assert one.starts == other.starts
        assert (one.flatness, one.high_kmh) == pytest.approx((other.flatness, other.high_kmh), rel=1e-12)


def test_a_ground_that_names_the_usual_range_is_one_that_names_none(tmp_path: Path) -> None:
    named = written(tmp_path / "a", grounds={"range": "high"}, reduction=RANGES, target="7100 rpm")
    silent = written(tmp_path / "b", grounds={}, reduction=RANGES, target="7100 rpm")
    assert told(named) == told(silent)
    other = written(tmp_path / "c", grounds={"range": "low", "speed": ["15 km/h", "30 km/h"]}, reduction=RANGES,
                    target="7100 rpm")  # fmt: skip
    assert told(other)["flatness"] != pytest.approx(told(silent)["flatness"], rel=1e-6)


def test_a_target_that_all_grounds_state_is_the_job_s(tmp_path: Path) -> None:
    own = written(tmp_path / "a", grounds={"target": "6300 rpm"}, reduction=11.4, target="7100 rpm", slower=0.85)
    of_engine = written(tmp_path / "b", grounds={}, reduction=11.4, target="6300 rpm", slower=0.85)
    usual = written(tmp_path / "c", grounds={}, reduction=11.4, target="7100 rpm", slower=0.85)
    assert told(own) == pytest.approx(told(of_engine), rel=1e-12)
    assert told(own)["flatness"] != pytest.approx(told(usual)["flatness"], rel=1e-3)


def test_every_ground_is_judged_by_its_own_target(job: Job, fitted: Kit) -> None:
    usual = float(job.drivetrain.target_speed)
    grounds = tuple(
        replace(ground, target_speed=0.9 * usual if n % 2 else None, reduction=None, grade=0.02, rolling=0.03,
                low_speed=6.0, high_speed=10.0)
        for n, ground in enumerate(job.inputs.grounds)
    )  # fmt: skip
    mixed = replace(job, inputs=replace(job.inputs, grounds=grounds))
    facts = explain(mixed, fitted)
    rpm = 30 / np.pi
    for n, ground in enumerate(facts.grounds):
        assert ground.target_rpm == pytest.approx((0.9 if n % 2 else 1.0) * usual * rpm)
        worst = max(abs(speed / ground.target_rpm - 1) for speed in (ground.lowest_rpm, ground.highest_rpm))
        assert ground.flatness <= 100 * worst + 1e-9
    square = sum(g.share / 100 * g.flatness**2 for g in facts.grounds)
    assert np.sqrt(square) == pytest.approx(facts.score.terms["flatness"], rel=1e-9)


# ---- more time than there is ----


def busy(job: Job, factor: float) -> Job:
    """Run-ups and load changes so many times as often."""
    grounds = tuple(
        replace(ground, load_changes=factor * ground.load_changes, starts=factor * ground.starts)
        for ground in job.inputs.grounds
    )
    return replace(job, inputs=replace(job.inputs, grounds=grounds))


def test_what_a_mix_asks_for_beyond_the_time_there_is_is_cut_in_proportion(job: Job, fitted: Kit) -> None:
    asked = job.drivetrain.duty.asked
    just = 1.01 / float(asked.min())  # each ground asks for all of its time at least
    some, more = busy(job, just), busy(job, 3 * just)
    assert more.drivetrain.duty.asked == pytest.approx(3 * some.drivetrain.duty.asked, rel=1e-9)
    assert told(more, fitted) == pytest.approx(told(some, fitted), rel=1e-9)
    assert told(busy(job, 0.5 / float(asked.max())), fitted) != pytest.approx(told(some, fitted), rel=1e-9)


def test_a_warning_stands_for_each_ground_that_asks_too_much(job: Job) -> None:
    asked = job.drivetrain.duty.asked
    assert busy(job, 0.99 / float(asked.max())).warnings == ()
    between = busy(job, 1 / float(np.sort(asked)[-2:].mean()))  # so that one alone asks too much
    (warning,) = between.warnings
    worst = int(asked.argmax())
    share = float(between.drivetrain.duty.asked[worst])
    assert (warning.file, warning.path) == (str(job.file), f"grounds[{worst}].load_changes")
    assert (warning.line, warning.column) == job.document.place(("grounds", worst, "load_changes"))
    assert f"ask for {100 * share:.0f} % of the time there is" in warning.message
    assert f"cut to {100 / share:.3g} %" in warning.message
    assert "fewer starts" in warning.hint
    assert len(busy(job, 1.01 / float(asked.min())).warnings) == len(asked)
