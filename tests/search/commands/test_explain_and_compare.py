"""Kits by name and in kit files: saving, explaining, comparing."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

import pytest
import yaml
from command_line import (
    FEW,
    JOB,
    STRAY,
    Run,
    contents,
    one_line,
    refused,
    slots_of,
)

from search.space import SLOT_NAMES

pytestmark = pytest.mark.invariant


def test_saved_kits_are_read_back_by_every_command(run: Run) -> None:
    ranking = run("rank", JOB, "--top", 3, "--save", "kits", "--format", "json")
    assert (ranking.code, ranking.err) == (0, "")
    assert sorted(os.listdir("kits")) == ["kit-1.yaml", "kit-2.yaml", "kit-3.yaml"]
    best = slots_of(ranking.data["kits"][0])
    score = pytest.approx(ranking.data["kits"][0]["score"], abs=1e-9)
    names = ["1", ",".join(f"{slot}={name}" for slot, name in best.items()), "kits/kit-1.yaml"]
    for name in names:
        facts = run("explain", JOB, name, "--format", "json").data
        assert (facts["kit"], facts["score"]["score"]) == (best, score)
    compared = run("compare", JOB, "fitted", *names, "--format", "json")
    assert (compared.code, compared.err) == (0, "")
    fitted, *rows = compared.data["kits"]
    assert (fitted["kit"], fitted["changes"]) == ("fitted", 0)
    for row, name in zip(rows, names, strict=True):
        assert (row["kit"], {slot: row[slot] for slot in SLOT_NAMES}, row["score"]) == (name, best, score)
    assert run("check", "kits").out.count(": kit; its parts are checked when it is used with a job\n") == 3


def test_saved_names_sort_by_rank(run: Run) -> None:
    words = ("rank", JOB, *FEW, "--top", 10, "--format", "json")
    ranking = run(*words, "--save", "kits").data
    assert sorted(os.listdir("kits")) == [f"kit-{rank:02}.yaml" for rank in range(1, 11)]
    saved = [yaml.safe_load(Path("kits", name).read_text())["kit"] for name in sorted(os.listdir("kits"))]
    assert saved == [slots_of(kit) for kit in ranking["kits"]]


def test_save_never_replaces_a_file_unasked(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ("rank", JOB, *FEW, "--save", "kits", "--top")
    assert run(*words, 10).code == 0
    Path("kits/kit-notes.yaml").write_text("mine\n")
    before = contents(Path("kits"))
    with monkeypatch.context() as patch:
        patch.setattr("search.ranking.rank", lambda *_, **__: pytest.fail("searched before it was refused"))
        refused(run(*words, 3), "kits: 10 kit files are here already; choose another folder, or --overwrite.\n")
    assert contents(Path("kits")) == before
    assert run(*words, 3, "--overwrite").code == 0  # and no kit of the longer list stays behind
    assert sorted(os.listdir("kits")) == ["kit-1.yaml", "kit-2.yaml", "kit-3.yaml", "kit-notes.yaml"]
    assert Path("kits/kit-notes.yaml").read_text() == "mine\n"
    before = contents(Path("kits"))
    assert run(*words, 3, "--weight", "belt_margin=0", "--overwrite").code == 0
    assert contents(Path("kits")).keys() == before.keys()
    assert Path("kits/kit-1.yaml").read_bytes() != before["kit-1.yaml"]


def test_save_writes_all_files_or_none(run: Run) -> None:
    Path("kits").mkdir()
    Path("kits/kit-02.yaml").write_text("mine\n")
    refused(run("rank", JOB, "--top", 3, "--save", "kits"), "kits: ", "--overwrite")
    assert contents(Path("kits")) == {"kit-02.yaml": b"mine\n"}
    refused(run("rank", JOB, "--save", JOB), f"{JOB}: not a folder; name a folder to save kits in.")


def test_saved_files_follow_the_umask(run: Run) -> None:
    run("rank", JOB, "--lock-fitted", "--save", "kits")
    Path("plain").touch()
    assert Path("kits/kit-1.yaml").stat().st_mode == Path("plain").stat().st_mode


def test_a_fault_of_a_kit_file_has_its_place(run: Run) -> None:
    run("rank", JOB, "--lock-fitted", "--save", "kits")
    text = Path("kits/kit-1.yaml").read_text()
    number = next(n for n, line in enumerate(text.splitlines(), 1) if line.startswith("  helix:"))
    Path("kits/kit-1.yaml").write_text(re.sub(r'  helix: "[^"]*"', '  helix: "ramp-4o"', text))
    place = f"kits/kit-1.yaml:{number}:10: kit.helix: no such part (got 'ramp-4o', expected one of "
    for words in (("explain", JOB), ("compare", JOB, "fitted")):
        refused(run(*words, "kits/kit-1.yaml"), place, "did you mean 'ramp-4")


def test_a_kit_that_breaks_a_rule_is_shown_with_the_rule(run: Run) -> None:
    kit = f"helix={STRAY}"
    assert [run("explain", JOB, kit, "--format", form).code for form in ("table", "json", "csv")] == [1, 1, 1]
    assert f"helix_fit: {STRAY}" in run("explain", JOB, kit).out
    rows = run("explain", JOB, kit, "--format", "csv")
    assert rows.code == 1
    assert f"helix_fit: {STRAY}" in rows.err
    fitted, broken = run("compare", JOB, "fitted", kit, "--format", "json").data["kits"]
    assert (fitted["buildable"], broken["buildable"], broken["score"]) == (True, False, None)
    assert fitted["broken"] == ""
    assert broken["broken"].startswith(f"helix_fit: {STRAY} is made for ")
    rows = run("compare", JOB, "fitted", kit, "--format", "csv").rows
    assert [row["broken"] for row in rows] == ["", broken["broken"]]


def test_a_kit_that_cannot_be_built_lists_every_rule_and_keeps_its_terms(run: Run) -> None:
    terms = run("explain", JOB, "fitted", "--format", "json").data["score"]["terms"]
    text = Path(JOB).read_text()
    Path(JOB).write_text(re.sub(r"engagement: \[.*\]", 'engagement: ["100 rpm", "200 rpm"]', text))
    answer = run("explain", JOB, "fitted", "--format", "json")
    assert (answer.code, answer.err) == (1, "")
    score, neighbours = answer.data["score"], answer.data["neighbours"]
    assert (score["buildable"], score["score"], set(score["failures"])) == (False, None, {"engagement"})
    assert score["terms"] == terms
    assert answer.data["curve"]
    assert {"drive_spring", "flyweight", "helix"} <= {step["slot"] for step in neighbours}
    assert all("engagement" in step["broken"] and step["score"] is None for step in neighbours)
    assert all(step["flatness"] is not None for step in neighbours)
    shown = run("explain", JOB, "fitted")
    assert shown.out.startswith("This kit cannot be built:\n  engagement: engagement at ")
    assert re.search(rf"^flatness +{terms['flatness']:.2f} +{terms['flatness']:.2f} ", shown.out, re.M)
    assert "One part changed for the next of its kind (Score: of the kit then):" in one_line(shown.out)

    both = run("explain", JOB, f"helix={STRAY}", "--format", "json").data
    assert set(both["score"]["failures"]) == {"engagement", "helix_fit"}
    assert (both["score"]["terms"], both["curve"], both["neighbours"]) == ({}, [], [])
    fitted, stray = run("compare", JOB, "fitted", f"helix={STRAY}", "--format", "json").data["kits"]
    assert (fitted["flatness"], stray["flatness"]) == (terms["flatness"], None)
    assert stray["broken"] == "; ".join(f"{rule}: {reason}" for rule, reason in both["score"]["failures"].items())


def test_compare_shows_kits_under_letters_four_a_table(run: Run) -> None:
    kits = ["fitted", "helix=ramp-40", f"helix={STRAY}", "tip=tip-12-g", "helix=ramp-42"]
    answer = run("compare", JOB, *kits)
    assert (answer.code, answer.err) == (0, "")
    lines = answer.out.splitlines()
    assert lines[:5] == [f"{letter}: {kit}" for letter, kit in zip("ABCDE", kits, strict=True)]
    assert [line.split() for line in lines if re.fullmatch(r" +[A-Z]( +[A-Z])*", line.rstrip())] == [[*"ABCD"], ["E"]]
    cells = [re.split(r"  +", line.rstrip()) for line in lines]
    data = run("compare", JOB, *kits, "--format", "json").data["kits"]
    scores = [f"{kit['score']:.3f}" if kit["buildable"] else "not ok" for kit in data]
    assert scores[2] == "not ok"
    assert [row[1:] for row in cells if row[0] == "score"] == [scores[:4], scores[4:]]
    assert next(row for row in cells if row[0] == "flatness, %")[3] == "–"
    helices = [kit["helix"] for kit in data]
    assert [row[1:] for row in cells if row[0] == "helix *"] == [helices[:4], helices[4:]]
    assert [row[0] for row in cells if row[0].startswith(("tip", "heel", "cost"))] == ["heel", "tip *", "cost, EUR"] * 2
    assert one_line(answer.out).count(f"C breaks a rule: {STRAY} is made for ") == 1
    assert answer.out.count("breaks a rule") == 1


def test_explain_gives_every_position_and_ground(run: Run) -> None:
    facts = run("explain", JOB, "fitted", "--format", "json").data
    answer = run("explain", JOB, "fitted", "--format", "csv")
    assert (answer.code, answer.err) == (0, "")
    assert [float(row["position"]) for row in answer.rows] == [point["position"] for point in facts["curve"]]
    names = [ground["name"] for ground in yaml.safe_load(Path(JOB).read_text())["grounds"]]
    assert [ground["ground"] for ground in facts["grounds"]] == names


@pytest.mark.parametrize(
    ("words", "facts"),
    [
        ("rank JOB --lock helix", ("--lock", "name=value")),
        ("rank JOB --lock helix=ramp-99", ("--lock: helix", "'ramp-99'", "did you mean")),
        ("rank JOB --lock wheel=ramp-40", ("--lock: wheel", "no such slot", "drive_spring, flyweight")),
        ("rank JOB --lock twist=20", ("--lock: twist", "unit missing", "deg")),
        ("rank JOB --lock tip=any --lock tip=empty", ("--lock: tip", "given twice")),
        ("rank JOB --weight noise=1", ("--weight: noise", "flatness, spring_loss, belt_margin")),
        ("rank JOB --weight spring_loss=nan", ("--weight: spring_loss", "0 to 1000")),
        ("rank JOB --weight spring_loss=much", ("--weight", "'much'", "a number")),
        ("rank JOB --budget -1", ("--budget: not an amount", "'-1'")),
        ("rank JOB --max-changes -1", ("--max-changes", "0 or more")),
        ("rank JOB --top 0", ("--top", "1 or more")),
        ("rank JOB --format xml", ("--format", "'table', 'json', 'csv'")),
        ("rank JOB --lock-fited", ("--lock-fited", "--lock-fitted")),
        ("compare JOB fitted", ("cannot be compared", "2 to 26 kits")),
        ("explain JOB 0", ("KIT", "no such rank", "1 or more")),
        ("explain JOB 999999", ("KIT", "no such rank", "1 to ")),
        ("explain JOB fited", ("KIT", "'fited'", "a rank, slot=id")),
        ("explain JOB nowhere/kit.yaml", ("KIT", "'nowhere/kit.yaml'")),
        ("explain JOB helix=ramp-4O", ("KIT: helix", "'ramp-4O'", "did you mean")),
        ("explain JOB helix=ramp-40,ramp-42", ("KIT", "'ramp-42'", "slot=id")),
        ("explain JOB helix=ramp-40,helix=ramp-42", ("KIT: helix", "named twice")),
        ("explain JOB helix=any", ("KIT: helix", "one choice")),
        ("explain JOB twist=20", ("KIT: twist", "unit missing")),
        ("explain JOB my-shop/parts/belts.yaml", ("my-shop/parts/belts.yaml:1:", "family", "kit")),
        ("compare JOB fitted wheel=ramp-40", ("KIT: wheel", "no such slot", "helix")),
        ("compare JOB fitted ²", ("KIT: no such kit or file", "'²'", "a rank, slot=id")),
        ("explain JOB ''", ("KIT: no kit named", "a rank, slot=id")),
        ("rank JOB --budget '150 USD'", ("--budget: not the catalogue's currency", "'150 USD'", "expected EUR")),
        ("rank JOB --budget much", ("--budget: not an amount", "'much'")),
    ],
)
def test_wrong_words_are_refused_with_place_and_remedy(run: Run, words: str, facts: tuple[str, ...]) -> None:
    refused(run(*shlex.split(words.replace("JOB", JOB))), *facts)
