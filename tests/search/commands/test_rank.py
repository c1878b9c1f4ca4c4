"""`rank` on the command line: formats, limits, fronts, and what is said where nothing can be built."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import yaml
from command_line import (
    JOB,
    NARROWED,
    STRAY,
    Run,
    edit,
    one_line,
    slots_of,
)

from search.exact.pareto import RESOLUTION
from search.space import SLOT_NAMES

pytestmark = pytest.mark.invariant


def test_json_and_csv_hold_the_same_ranking_and_its_worth(run: Run) -> None:
    answer = run("rank", JOB, "--top", 5, "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    assert run("rank", JOB, "--top", 5, "--format", "json") == answer
    data = answer.data
    assert {"guarantee", "counts", "inputs", "kits"} <= set(data)
    assert {"job", "machine", "catalogue", "version"} <= set(data["inputs"])
    assert [kit["rank"] for kit in data["kits"]] == [1, 2, 3, 4, 5]
    assert [kit["score"] for kit in data["kits"]] == sorted(kit["score"] for kit in data["kits"])
    table = run("rank", JOB, "--top", 5, "--format", "csv")
    assert (table.code, table.err) == (0, "")
    for row, kit in zip(table.rows, data["kits"], strict=True):
        assert {*kit["parts"], *kit["settings"]} == set(SLOT_NAMES)
        assert {slot: row[slot] for slot in SLOT_NAMES} == slots_of(kit)
        assert {"flatness", "spring_loss", "belt_margin"} < set(kit["terms"]) == set(data["units"])
        assert {name: float(row[name]) for name in kit["terms"]} == kit["terms"]


@pytest.mark.parametrize("options", ["", "--pareto", "--max-changes 2 --in-stock", f"--lock helix={STRAY}"])
def test_counts_add_up_to_the_space(run: Run, options: str) -> None:
    data = run("rank", JOB, *options.split(), "--format", "json").data
    space = data["counts"].pop("space")
    assert sum(data["counts"].values()) == space > 0
    assert f"{space:,} kits" in data["guarantee"]


def test_limits_on_the_command_line_hold(run: Run, shop: Path) -> None:
    def kits(options: str) -> list[dict[str, Any]]:
        answer = run("rank", JOB, "--top", 50, "--format", "json", *shlex.split(options))
        assert answer.data["kits"]
        return list(answer.data["kits"])

    spec = yaml.safe_load(Path(JOB).read_text())
    fitted = spec["fitted"] | {"belt": spec["belt"]}
    few = [slots_of(kit) for kit in kits("--max-changes 2")]
    assert max(sum(kit[slot] != fitted[slot] for slot in SLOT_NAMES) for kit in few) == 2
    cheap = kits("--budget 60")
    assert all(kit["terms"]["cost"] <= 60 for kit in cheap)
    assert kits("--budget '60 EUR'") == cheap
    edit(JOB, "\nlimits:\n", '\nlimits:\n  budget: "60 EUR"\n')
    assert kits("") == cheap
    edit(JOB, '  budget: "60 EUR"\n', "")
    parts = [p for file in (shop / "parts").iterdir() for p in json.loads(file.read_text())["parts"]]
    stocked = {p["id"] for p in parts if p["stock"]} | {*fitted.values(), "empty"}
    assert all(set(kit["parts"].values()) <= stocked for kit in kits("--in-stock"))
    locked = [slots_of(kit) for kit in kits(f"--lock-fitted --lock helix=any --lock tip={fitted['tip']},tip-12-g")]
    assert {slot for kit in locked for slot in SLOT_NAMES if kit[slot] != fitted[slot]} == {"helix", "tip"}
    assert {kit["tip"] for kit in locked} == {fitted["tip"], "tip-12-g"}
    for kit in kits("--weight spring_loss=3 --weight belt_margin=0"):
        assert kit["score"] == pytest.approx(kit["terms"]["flatness"] + 3 * kit["terms"]["spring_loss"], abs=1e-8)


def test_no_kit_of_the_pareto_front_beats_another(run: Run) -> None:
    data = run("rank", JOB, "--pareto", "--format", "json").data
    assert "Pareto" in data["guarantee"]
    signs = {"flatness": 1, "spring_loss": 1, "belt_margin": -1}
    front = [tuple(sign * round(kit["terms"][t], RESOLUTION[t]) for t, sign in signs.items()) for kit in data["kits"]]
    assert len(front) > 1
    for mine in front:
        assert not any(other != mine and all(o <= m for o, m in zip(other, mine, strict=True)) for other in front)


@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_a_lock_that_leaves_nothing_names_the_rule(run: Run, form: str) -> None:
    answer = run("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}", "--format", form)
    assert answer.code == 1
    assert re.search(rf"helix_fit: 1 driven build, for example: {STRAY} is made for", one_line(answer.err))
    assert answer.data["kits"] == [] if form == "json" else answer.out.strip() == ""


@pytest.mark.parametrize(
    ("options", "rules", "what"),
    [
        (f"--lock helix={STRAY}", {"helix_fit"}, "driven"),  # the drive builds left out are not to blame
        ("--lock-fitted --lock helix=ramp-40 --budget 0", {"budget"}, "kit"),
        ("--lock-fitted --lock helix=ramp-40 --max-changes 0", {"max_changes"}, "kit"),
    ],
)
def test_nothing_left_is_put_down_to_the_side_that_is_empty(run: Run, options: str, rules: set[str], what: str) -> None:
    answer = run("rank", JOB, *options.split())
    assert (answer.code, answer.out) == (1, "")
    assert answer.err.startswith("Nothing can be built: exact over ")
    blamed = re.findall(r"(\w+): ([\d,]+) (driven|drive|kit)s?(?: builds?)?, for example: \S", one_line(answer.err))
    counts = [int(left.replace(",", "")) for _, left, _ in blamed]
    assert {rule for rule, _, _ in blamed} >= rules
    assert {side for _, _, side in blamed} == {what}
    assert counts == sorted(counts, reverse=True)
    if what == "driven":
        excluded = run("rank", JOB, *options.split(), "--format", "json").data["counts"]
        assert min(excluded["engagement"], excluded["mass_fit"], excluded["helix_fit"]) > 0
        assert not {rule for rule, _, _ in blamed} & {"drive_spring_fit", "flyweight_fit", "mass_fit", "engagement"}
    else:
        assert len(blamed) == 1


def test_the_table_of_a_ranking(run: Run, shop: Path) -> None:
    file = shop / "parts" / "helices.yaml"
    content = json.loads(file.read_text())
    (part,) = [part for part in content["parts"] if part["id"] == "ramp-40"]
    price = float(part.pop("price").removesuffix(" EUR"))
    words = ("rank", JOB, "--lock-fitted", "--lock", "helix=ramp-40")
    priced, text = run(*words).out, one_line(run(*words).out)
    assert (price > 0, f" {price:.2f}\n" in priced, "> " in priced) == (True, True, False)
    names, units = (next(line for line in priced.splitlines() if line.split()[:1] == [word]) for word in ("Rank", "%"))
    assert names.split()[-2:] == ["Changes", "Cost"]
    assert (units.split()[-1], len(units.rstrip())) == ("EUR", len(names.rstrip()))
    fitted = yaml.safe_load(Path(JOB).read_text())["fitted"]
    heading = "Rank " + ", ".join(slot.replace("_", " ") for slot in SLOT_NAMES if slot != "belt")
    assert f"{heading} 1 " + ", ".join((fitted | {"helix": "ramp-40"}).values()) + f" {NARROWED} Of 1 kit" in text
    file.write_text(json.dumps(content))
    assert re.search(r"^ *1 .* > 0\.00$", run(*words).out, re.M)
    (kit,) = run(*words, "--format", "json").data["kits"]
    assert (kit["unpriced"], kit["terms"]["cost"]) == (True, 0)


@pytest.mark.parametrize(
    "option", ["--lock heel=any", "--lock-fitted", "--max-changes 0", "--budget 0", "--in-stock", "--pareto",
               "--weight spring_loss=1"],
)  # fmt: skip
def test_a_narrowed_ranking_says_so_and_a_full_one_does_not(run: Run, option: str) -> None:
    spec = yaml.safe_load(Path(JOB).read_text())
    spec["locks"] = {slot: name for slot, name in spec["fitted"].items() if slot not in ("helix", "tip")}
    Path(JOB).write_text(json.dumps(spec))
    full = run("rank", JOB)
    assert (full.code, NARROWED in one_line(full.out)) == (0, False)
    assert NARROWED in one_line(run("rank", JOB, *option.split()).out)
