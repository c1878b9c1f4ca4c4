"""Whom an error blames: arguments for a caller from Python, options for one on the command line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from command_line import JOB, Run, refused

from catalog.errors import InputError
from catalog.job import Job
from search.ranking import rank, request_of
from search.request import Request
from search.terms import SCORED

pytestmark = pytest.mark.invariant

BAD: list[tuple[str, dict[str, Any], str, list[str]]] = [
    ("top", {"top": 0}, "--top", ["0"]),
    ("best_per", {"best_per": "nose"}, "--best-per", ["nose"]),
    ("best_per", {"best_per": "helix", "pareto": True}, "--best-per", ["helix", "--pareto"]),
    ("locks", {"locks": {"nose": "x"}}, "--lock", ["nose=x"]),
    ("weights", {"weights": {"nose": 1.0}}, "--weight", ["nose=1"]),
    ("weights", {"weights": {"flatness": -1.0}}, "--weight", ["flatness=-1"]),
    ("weights", {"weights": {"flatness": 1e9}}, "--weight", ["flatness=1e9"]),
    (
        "weights",
        {"weights": dict.fromkeys(SCORED, 0.0)},
        "--weight",
        " --weight ".join(f"{name}=0" for name in SCORED).split(),
    ),
    ("max_changes", {"max_changes": -1}, "--max-changes", ["-1"]),
]


@pytest.mark.parametrize(("argument", "more", "option", "words"), BAD)
def test_each_caller_reads_the_name_that_it_used(
    run: Run, job: Job, argument: str, more: dict[str, Any], option: str, words: list[str]
) -> None:
    call = request_of if argument in ("weights", "budget", "max_changes") else rank
    with pytest.raises(InputError, match=rf"^{argument}: ") as raised:
        call(job, **more)
    assert "--" not in str(raised.value)
    refused(run("rank", JOB, option, *words), f"{option}: ")


@pytest.mark.parametrize("top", [2.5, True, "3", None])
def test_a_number_of_kits_is_a_whole_one(job: Job, top: Any) -> None:
    with pytest.raises(InputError, match=r"^top: not a whole number"):
        rank(job, top)


def test_a_negative_budget_is_an_argument_of_python_alone(job: Job) -> None:
    with pytest.raises(InputError, match=r"^budget: out of range \(got -1, expected 0 or more\)"):
        request_of(job, budget=-1)


def test_a_job_file_that_bears_the_name_of_an_argument_keeps_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("my-shop")
    Path("top").write_text(Path("job.yaml").read_text() + 'locks: {nose: "x"}\n')
    answer = run("rank", "top")
    refused(answer, "top:", "nose")
    assert "--top" not in answer.err


@pytest.mark.parametrize(
    "changed",
    [{"weights": {"flatness": float("nan")}}, {"weights": {"flatnes": 1.0}}, {"wanted_margin": float("nan")},
     {"budget": float("nan")}, {"max_changes": -1}],
)  # fmt: skip
def test_no_request_means_nothing(job: Job, changed: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=rf"^{next(iter(changed))}: "):
        replace(Request.of(job), **changed)
