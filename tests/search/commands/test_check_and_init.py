"""`check` and `init`: what is told of files, and what is written."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from command_line import (
    JOB,
    Run,
    contents,
    edit,
    one_line,
    refused,
)

from search.screen import CAUTION

pytestmark = pytest.mark.invariant


def test_check_tells_what_each_file_is(run: Run, shop: Path) -> None:
    run("rank", JOB, "--lock-fitted", "--save", shop / "kits")
    answer = run("check", shop)
    assert (answer.code, answer.err) == (0, "")
    told = dict(line.split(": ", 1) for line in answer.out.splitlines())
    assert set(told) == {str(shop / name) for name in contents(shop)}
    kinds = {"job.yaml": "job, ", "machine.yaml": "machine ", "engine.csv": "dyno curve, ",
             "kits/kit-1.yaml": "kit; its parts are checked when it is used with a job",
             "parts/helices.yaml": " helices", "parts/masses.yaml": " masses"}  # fmt: skip
    assert [name for name, kind in kinds.items() if kind not in told[str(shop / name)]] == []


def test_check_lists_the_parts_of_catalogue_files(run: Run, shop: Path) -> None:
    answer = run("check", "--list", shop / "parts" / "helices.yaml", shop / "machine.yaml")
    assert (answer.code, answer.err) == (0, "")
    parts = json.loads((shop / "parts" / "helices.yaml").read_text())["parts"]
    head, *listed, machine = answer.out.splitlines()
    assert head == f"{shop}/parts/helices.yaml: {len(parts)} helices"
    assert listed == [f"  {part['id']}: {part['description']}" for part in parts]
    assert machine.startswith(f"{shop}/machine.yaml: machine ")


def test_check_of_a_folder_without_files_is_an_error(run: Run) -> None:
    Path("empty").mkdir()
    Path("empty/notes.txt").touch()
    refused(run("check", "empty"), "empty: nothing to check here (got no file, expected *.yaml or *.csv)\n")


def test_check_reports_bad_files_and_still_tells_the_good(run: Run) -> None:
    Path("odd.yaml").write_text("colour: blue\n")
    answer = run("check", "my-shop/machine.yaml", "odd.yaml", "absent.yaml")
    machine, *faulty = answer.out.splitlines()
    assert answer.code == 2
    assert machine.startswith("my-shop/machine.yaml: machine ")
    assert faulty == ["odd.yaml: 1 problem", "absent.yaml: 1 problem"]
    assert re.search(r"^odd\.yaml.*cannot tell what this file is .*colour.*kit file", answer.err, re.M)
    assert re.search(r"^absent\.yaml: .*not found", answer.err, re.M)


@pytest.mark.parametrize("words", [("rank", JOB), ("explain", JOB, "fitted"), ("check", JOB)])
def test_every_fault_of_a_file_is_reported_with_its_place(run: Run, words: tuple[str, ...]) -> None:
    edit(JOB, "    rolling: 0.03\n", "    roling: 0.03\n")
    edit(JOB, 'altitude: "1450 m"', 'altitude: "1450 kg"')
    answer = run(*words)
    count = len(answer.err.splitlines())
    refused(answer, "roling", "'rolling'", "1450 kg", out=f"{JOB}: {count} problems\n" if words[0] == "check" else "")
    assert all(re.match(rf"{JOB}:\d+:\d+: \S", line) for line in answer.err.splitlines())
    edit(JOB, "limits:\n", "limits: [\n")
    assert re.match(rf"{JOB}:\d+:\d+: ", run(*words).err)


@pytest.mark.parametrize("made_before", [False, True])
def test_init_writes_a_job_that_ranks_and_never_overwrites(run: Run, shop: Path, made_before: bool) -> None:
    shutil.rmtree(shop)
    if made_before:
        Path("new/shop").mkdir(parents=True)
    answer = run("init", "new/shop")
    assert (answer.code, answer.err) == (0, "")
    assert "kitwright rank new/shop/job.yaml" in answer.out
    assert one_line(answer.out).count(CAUTION) == 1
    before = contents(Path())
    assert len(before) == int(answer.out.split()[0])
    refused(run("init", "new/shop"), "new/shop: not a new or empty folder; name another.\n")
    assert contents(Path()) == before
    assert run("check", "new/shop").code == 0
    ranked = run("rank", "new/shop/job.yaml", "--lock-fitted", "--lock", "helix=any", "--format", "json")
    assert (ranked.code, ranked.err) == (0, "")
    assert ranked.data["kits"]


def test_init_leaves_nothing_half_written(run: Run) -> None:
    Path("new").mkdir()
    Path("new/parts").write_text("a file where a folder should be\n")
    refused(run("init", "new"), "new: not a new or empty folder; name another.\n")
    assert list(contents(Path("new"))) == ["parts"]
    refused(run("init", "new/parts"), "new/parts: ", "name another")
    assert list(contents(Path("new"))) == ["parts"]
