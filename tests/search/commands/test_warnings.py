"""What a job asks for and cannot have: told on standard error and in data, and no reason to refuse it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from command_line import JOB, Run

pytestmark = pytest.mark.invariant

FEW = ("--lock-fitted", "--lock", "helix=any")
PLACE = rf"{JOB}:(\d+):(\d+): grounds\[1\]\.load_changes: "


@pytest.fixture
def busy() -> str:
    """The job with load changes on its second ground that nobody could drive; the line that asks for them."""
    text = Path(JOB).read_text()
    first, second, *others = re.split(r'(?=load_changes: ")', text)[1:]
    asked = second.replace(second.splitlines()[0], 'load_changes: "90 /min"')
    Path(JOB).write_text(text.replace("".join([first, second, *others]), "".join([first, asked, *others])))
    return asked.splitlines()[0]


@pytest.mark.parametrize(
    "words", [("rank", JOB, *FEW), ("explain", JOB, "fitted"), ("compare", JOB, "fitted", "helix=ramp-40")]
)
@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_a_mix_that_asks_for_too_much_is_warned_of_and_answered(
    run: Run, busy: str, words: tuple[str, ...], form: str
) -> None:
    answer = run(*words, "--format", form)
    assert answer.code == 0
    (line,) = answer.err.splitlines()
    found = re.match(PLACE, line)
    assert found is not None
    at, column = map(int, found.groups())
    assert Path(JOB).read_text().splitlines()[at - 1][column - 1 :] == busy.removeprefix("load_changes: ")
    said = re.search(r"ask for (\d+) % of the time there is; all of them are cut to ([\d.]+) %", line)
    assert said is not None
    asked, left = map(float, said.groups())
    assert asked > 100
    assert left == pytest.approx(1e4 / asked, abs=0.51)
    assert "ask for fewer" in line
    if form == "json":
        assert answer.data["warnings"] == [line]
    else:
        assert answer.out
        assert "of the time there is" not in answer.out


def test_check_warns_and_finds_the_file_in_order(run: Run, busy: str) -> None:
    answer = run("check", JOB)
    assert (answer.code, len(answer.err.splitlines())) == (0, 1)
    assert re.match(PLACE, answer.err)
    assert answer.out.startswith(f"{JOB}: job, ")
    assert "problem" not in answer.out


def test_a_mix_that_can_be_driven_is_not_warned_of(run: Run) -> None:
    for words in (("rank", JOB, *FEW), ("explain", JOB, "fitted"), ("compare", JOB, "fitted", "helix=ramp-40")):
        answer = run(*words, "--format", "json")
        assert (answer.err, answer.data["warnings"]) == ("", [])
    assert run("check", JOB).err == ""


def test_job_files_of_before_are_told_what_has_changed(run: Run) -> None:
    text = Path(JOB).read_text().replace("torque: ", "throttle: ", 1)
    text = re.sub(r"(grid:\n)", r'\1  torque_levels: ["50 %", "100 %"]\n', text)
    Path(JOB).write_text(text)
    for words in (("rank", JOB), ("check", JOB)):
        answer = run(*words)
        assert answer.code == 2
        assert "throttle: unknown key; it is called torque now: a share of the engine's full torque" in answer.err
        assert "torque_levels: unknown key; every ground is balanced at the torque that it asks for" in answer.err


def test_explain_shows_targets_and_ranges_that_grounds_state(run: Run) -> None:
    facts = run("explain", JOB, "fitted", "--format", "json").data
    shown = run("explain", JOB, "fitted").out
    table = shown[re.search(r"^Ground .*Target", shown, re.M).start() :]
    for ground in facts["grounds"]:
        row = next(line for line in table.splitlines() if line.startswith(ground["ground"]))
        assert {f"{ground['torque']:.0f}", f"{ground['target_rpm']:.0f}"} <= set(row.split())
    for ranged in facts["ranges"]:
        name = f"In range {ranged['name']} the belt" if ranged["name"] else "In its only range the belt"
        assert (name in " ".join(shown.split())) == (None not in (ranged["full_kmh"], ranged["quarter_kmh"]))
    limits = {"drive sheave": "the drive sheave, on", "driven sheave": "the driven sheave, on", "tension": "the belt's"}
    assert f"The belt margin is set by {limits[facts['margin']['limit']]}" in " ".join(shown.split())
    json.dumps(facts, allow_nan=False)
