"""Ctrl-C and the time limit: at every moment of a process, and wherever its parent ignores the signal."""

from __future__ import annotations

import signal
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from command_line import JOB, Answer, Run, shell

from catalog import load_job
from search.exact.search import TIME_UP, Watch

pytestmark = [
    pytest.mark.invariant,
    pytest.mark.skipif(not hasattr(signal, "raise_signal"), reason="sends signals"),
]

# A shell that runs tests in the background has its children ignore Ctrl-C: they are told not to.
HEARD = "import os, signal, sys\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"
PRESS = "os.kill(os.getpid(), signal.SIGINT)"
WORDS = ("rank", JOB, "--lock-fitted", "--lock", "helix=any", "--lock", "tip=any", "--save", "kits")


def quiet(answer: Answer, out: str = "", err: str = "") -> None:
    assert answer == Answer(130, out, err)


@pytest.mark.parametrize(
    "module",
    ["search.commands.process", "typer", "search.commands.application", "catalog.errors", "catalog.job", "numpy",
     "numpy.linalg", "scipy.optimize", "search.ranking", "rich.console"],
)  # fmt: skip
def test_ctrl_c_during_any_import_ends_with_130(module: str) -> None:
    press = (
        f"class At:\n def find_spec(self, name, *_):\n  if name == {module!r}: {PRESS}\nsys.meta_path.insert(0, At())"
    )
    quiet(shell(*WORDS, before=HEARD + press))
    assert not Path("kits").exists()


DURING = """
import {module} as module
whole = module.{name}
def press(*words, **more):
    {press}
    return whole(*words, **more)
module.{name} = press
"""


@pytest.mark.parametrize(
    ("module", "name"),
    [("catalog.job", "read_document"), ("search.kitfile", "check_folder"), ("search.screen", "number")],
)
def test_ctrl_c_before_or_after_the_search_ends_with_130(module: str, name: str) -> None:
    quiet(shell(*WORDS, before=HEARD + DURING.format(module=module, name=name, press=PRESS)))


def test_ctrl_c_during_the_search_shows_and_saves_what_was_found() -> None:
    press = DURING.format(module="search.exact.keepers", name="BestKits.add", press=PRESS)
    press = press.replace(PRESS, f"whole(*words, **more); {PRESS}")
    answer = shell(*WORDS, "--format", "json", before=HEARD + press)
    assert (answer.code, answer.err) == (130, "")
    assert (answer.data["proven"], len(answer.data["kits"]) > 0) == (False, True)
    assert len(list(Path("kits").glob("kit-*.yaml"))) == len(answer.data["kits"])


@pytest.mark.parametrize("first", ["raise_it", "swallow_it"])
def test_a_second_ctrl_c_ends_the_process_at_once(first: str) -> None:
    press = f"""
import search.ranking as module
def twice(*_, **__):
    try:
        {PRESS}
    except KeyboardInterrupt:
        {"pass" if first == "swallow_it" else PRESS}
    {PRESS}
    print("went on")
module.rank = twice
"""
    quiet(shell(*WORDS, before=HEARD + press))


def test_a_ctrl_c_that_nothing_can_catch_ends_the_process_at_once() -> None:
    press = f"""
import search.ranking as module
class Finalizer:
    def __del__(self):
        {PRESS}
        for _ in range(1000): pass
def rank(*_, **__):
    Finalizer()
    print("went on")
module.rank = rank
"""
    quiet(shell(*WORDS, before=HEARD + press))


def test_a_ctrl_c_at_the_very_end_changes_nothing(run: Run) -> None:
    late = (
        f"class Late:\n def __del__(self, kill=os.kill, me=os.getpid()): kill(me, {int(signal.SIGINT)})\nkept = Late()"
    )
    assert shell("--version", before=HEARD + late) == run("--version")


def test_ctrl_c_is_heard_where_the_parent_ignores_it() -> None:
    deaf = "import os, signal\nsignal.signal(signal.SIGINT, signal.SIG_IGN)\n"
    quiet(shell(*WORDS, before=deaf + DURING.format(module="catalog.job", name="read_document", press=PRESS)))


@pytest.mark.parametrize(("seconds", "over"), [(0.2, True), (60.0, False)])
def test_the_time_limit_counts_from_the_start_of_the_command(
    run: Run, monkeypatch: pytest.MonkeyPatch, seconds: float, over: bool
) -> None:
    from search.ranking import rank

    watches: list[Watch] = []
    job = load_job(JOB)

    def slow(_: str) -> object:
        time.sleep(0.25)
        return job

    def watched(*words: Any, watch: Watch, **more: Any) -> object:
        watches.append(watch)
        assert watch.over == over
        return rank(*words, **more)  # with all the time it needs

    monkeypatch.setattr("catalog.load_job", slow)
    monkeypatch.setattr("search.ranking.rank", watched)
    assert run("rank", JOB, "--lock-fitted", "--time-limit", seconds).code == 0
    assert [watch.seconds for watch in watches] == [seconds]


def test_a_time_limit_that_ends_before_anything_is_found_is_exit_code_1(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from search.ranking import rank

    def late(*words: Any, **more: Any) -> object:
        return replace(rank(*words, **more), kits=(), stopped=TIME_UP, guarantee="not proven")

    monkeypatch.setattr("search.ranking.rank", late)
    answer = run("rank", JOB, "--lock-fitted", "--time-limit", 60, "--save", "kits")
    assert answer == Answer(1, "", "Nothing found: not proven.\n")
    assert not Path("kits").exists()


def test_ctrl_c_while_a_rank_is_looked_up_ends_with_130() -> None:
    press = DURING.format(module="search.exact.keepers", name="BestKits.add", press=PRESS)
    press = press.replace(PRESS, f"whole(*words, **more); {PRESS}")
    quiet(shell("explain", JOB, "3", before=HEARD + press))


def test_a_time_limit_holds_while_the_files_are_read(run: Run, shop: Path) -> None:
    weights = "".join(f"- {{id: m-{n}, bolts_to: [a], station: tip, mass: 1 g}}\n" for n in range(20_000))
    (shop / "parts" / "many.yaml").write_text("family: masses\nparts:\n" + weights)
    began = time.monotonic()
    answer = run("rank", JOB, "--time-limit", 0.3)
    assert answer == Answer(1, "", "Nothing found: the time was up while the files were read.\n")
    assert time.monotonic() - began < 2
