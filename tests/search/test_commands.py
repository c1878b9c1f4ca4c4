"""The command line: exit codes, streams, formats, kit names, and what is written to disk.

Most commands run in this process through `main`, which turns errors into exit codes; CliRunner calls the application
beneath it and would not see that. What depends on the process itself (imports, pipes, widths) runs in one of its own.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.testing import CliRunner

from catalog.shelf import DEMO_PARTS
from search.commands import app, main
from search.kits import SLOTS
from search.pareto import RESOLUTION
from search.screen import CAUTION

pytestmark = pytest.mark.invariant

CONFIGS = Path(__file__).parents[2] / "configs"
COMMANDS = ("rank", "explain", "compare", "check", "init")
STRAY = "ramp-40-loam"  # made for another clutch
NAMED_IN_HELP = {"ramp-40", "ramp-42", "tip-12-g"}
JOB = "my-shop/job.yaml"
NARROWED = "These ranks are of this request alone: use --save, or name a kit by its parts, to explain one."
FEW = ("--lock-fitted", "--lock", "helix=any", "--lock", "tip=any")  # a ranking of more than ten kits, soon done
START = "from search.commands import main; main()"


@dataclass(frozen=True)
class Answer:
    """What one command left."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        return json.loads(self.out, parse_constant=pytest.fail)  # NaN and Infinity are not JSON

    @property
    def rows(self) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.out)))


Run = Callable[..., Answer]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command in this process as the shell would."""

    def call(*words: object) -> Answer:
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.setattr(sys, "argv", ["kitwright", *map(str, words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        seen = capsys.readouterr()
        return Answer(int(ended.value.code or 0), seen.out, seen.err)

    return call


def shell(*words: object, **variables: str) -> Answer:
    """Runs a command in a process of its own, nothing a terminal."""
    env = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    done = subprocess.run(
        [sys.executable, "-c", START, *map(str, words)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, env=env | variables, timeout=120, check=False,
    )  # fmt: skip
    return Answer(done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="session")
def _small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo with every sixth part beside the fitted ones and those that the help names."""
    folder = tmp_path_factory.mktemp("shops")
    (folder / "parts").mkdir()
    for name in ("machine.yaml", "engine.csv"):
        shutil.copy(CONFIGS / name, folder)
    text = (CONFIGS / "rescue.yaml").read_text()
    (folder / "job.yaml").write_text(text.replace('catalogue: ["demo"]', 'catalogue: ["parts"]'))
    spec = yaml.safe_load(text)
    kept = {spec["belt"], STRAY, *NAMED_IN_HELP, *spec["fitted"].values()}
    for file in DEMO_PARTS.glob("*.yaml"):
        content = yaml.safe_load(file.read_text())
        parts = [p for n, p in enumerate(content["parts"]) if p["id"] in kept or n % 6 == 0]
        (folder / "parts" / file.name).write_text(json.dumps(content | {"parts": parts}))
    return folder


@pytest.fixture(autouse=True)
def shop(_small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small shop to write to, at my-shop in the working directory."""
    shutil.copytree(_small, tmp_path / "my-shop")
    monkeypatch.chdir(tmp_path)
    return Path("my-shop")


def contents(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}


def edit(file: str, old: str, new: str) -> None:
    text = Path(file).read_text()
    assert text.count(old) == 1, old
    Path(file).write_text(text.replace(old, new))


def slots_of(kit: dict[str, Any]) -> dict[str, str]:
    return {**kit["parts"], **kit["settings"]}


def one_line(text: str) -> str:
    return " ".join(text.split())


def refused(answer: Answer, *facts: str, out: str = "") -> None:
    """Bad input: exit code 2, nothing (or what `check` counts) on stdout, the facts on stderr and no traceback."""
    assert (answer.code, answer.out) == (2, out), answer
    for fact in facts:
        assert fact in answer.err, answer.err
    assert "Traceback" not in answer.err


# ---- rank ----


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
        assert (*kit["parts"], *kit["settings"]) == SLOTS
        assert {slot: row[slot] for slot in SLOTS} == slots_of(kit)
        assert {"speed_band", "spring_loss", "belt_margin"} < set(kit["terms"]) == set(data["units"])
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

    fitted = yaml.safe_load(Path(JOB).read_text())["fitted"]
    few = [slots_of(kit) for kit in kits("--max-changes 2")]
    assert max(sum(kit[slot] != fitted[slot] for slot in SLOTS) for kit in few) == 2
    cheap = kits("--budget 60")
    assert all(kit["terms"]["cost"] <= 60 for kit in cheap)
    assert kits("--budget '60 EUR'") == cheap
    parts = [p for file in (shop / "parts").iterdir() for p in json.loads(file.read_text())["parts"]]
    stocked = {p["id"] for p in parts if p["stock"]} | {*fitted.values(), "empty"}
    assert all(set(kit["parts"].values()) <= stocked for kit in kits("--in-stock"))
    locked = [slots_of(kit) for kit in kits(f"--lock-fitted --lock helix=any --lock tip={fitted['tip']},tip-12-g")]
    assert {slot for kit in locked for slot in SLOTS if kit[slot] != fitted[slot]} == {"helix", "tip"}
    assert {kit["tip"] for kit in locked} == {fitted["tip"], "tip-12-g"}
    for kit in kits("--weight spring_loss=3 --weight belt_margin=0"):
        assert kit["score"] == pytest.approx(kit["terms"]["speed_band"] + 3 * kit["terms"]["spring_loss"], abs=1e-8)


def test_no_kit_of_the_pareto_front_beats_another(run: Run) -> None:
    data = run("rank", JOB, "--pareto", "--format", "json").data
    assert "Pareto" in data["guarantee"]
    signs = {"speed_band": 1, "spring_loss": 1, "belt_margin": -1}
    front = [tuple(sign * round(kit["terms"][t], RESOLUTION[t]) for t, sign in signs.items()) for kit in data["kits"]]
    assert len(front) > 1
    for mine in front:
        assert not any(other != mine and all(o <= m for o, m in zip(other, mine, strict=True)) for other in front)


@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_a_lock_that_leaves_nothing_names_the_rule(run: Run, form: str) -> None:
    answer = run("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}", "--format", form)
    assert answer.code == 1
    assert re.search(rf"helix_fit: 1 driven hal\w+, for example: {STRAY} is made for", one_line(answer.err))
    assert answer.data["kits"] == [] if form == "json" else answer.out.strip() == ""


@pytest.mark.parametrize(
    ("options", "rules", "what"),
    [
        (f"--lock helix={STRAY}", {"helix_fit"}, "driven"),  # the drive halves left out are not to blame
        ("--lock-fitted --lock helix=ramp-40 --budget 0", {"budget"}, "kit"),
        ("--lock-fitted --lock helix=ramp-40 --max-changes 0", {"max_changes"}, "kit"),
    ],
)
def test_nothing_left_is_put_down_to_the_side_that_is_empty(run: Run, options: str, rules: set[str], what: str) -> None:
    answer = run("rank", JOB, *options.split())
    assert (answer.code, answer.out) == (1, "")
    assert answer.err.startswith("Nothing can be built: exact over ")
    blamed = re.findall(r"(\w+): ([\d,]+) (driven|drive|kit)\w*(?: hal\w+)?, for example: \S", one_line(answer.err))
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
    heading = "Rank " + ", ".join(slot.replace("_", " ") for slot in SLOTS)
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


# ---- kits by name and in files ----


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
        assert (row["kit"], {slot: row[slot] for slot in SLOTS}, row["score"]) == (name, best, score)
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
    assert all(step["speed_band"] is not None for step in neighbours)
    shown = run("explain", JOB, "fitted")
    assert shown.out.startswith("This kit cannot be built:\n  engagement: engagement at ")
    assert re.search(rf"^speed band +{terms['speed_band']:.2f} +{terms['speed_band']:.2f} ", shown.out, re.M)
    assert "One part changed for the next of its kind (Score: of the kit then):" in one_line(shown.out)

    both = run("explain", JOB, f"helix={STRAY}", "--format", "json").data
    assert set(both["score"]["failures"]) == {"engagement", "helix_fit"}
    assert (both["score"]["terms"], both["curve"], both["neighbours"]) == ({}, [], [])
    fitted, stray = run("compare", JOB, "fitted", f"helix={STRAY}", "--format", "json").data["kits"]
    assert (fitted["speed_band"], stray["speed_band"]) == (terms["speed_band"], None)
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
    assert next(row for row in cells if row[0] == "speed band, %")[3] == "–"
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
        ("rank JOB --weight noise=1", ("--weight: noise", "speed_band, spring_loss, belt_margin")),
        ("rank JOB --weight spring_loss=nan", ("--weight: spring_loss", "0 or more")),
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


# ---- check, init and bad files ----


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


# ---- help, tables and processes ----


@pytest.mark.parametrize("command", COMMANDS)
def test_help_holds_examples_that_run_as_printed(run: Run, shop: Path, command: str) -> None:
    answer = CliRunner().invoke(app, [command, "--help"])
    assert answer.exit_code == 0
    examples = [line for line in answer.stdout.splitlines() if line.strip().startswith(f"kitwright {command} ")]
    assert examples
    run("rank", JOB, "--save", "kits")
    if command == "init":
        shutil.rmtree(shop)
    for line in examples:
        done = run(*(word.strip('"') for word in re.findall(r'"[^"]*"|\S+', line)[1:]))
        assert done.code in (0, 1), done.err
        assert done.out


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_starts_light(command: str) -> None:
    heavy = {"numpy", "scipy", "pandas", "optuna", "matplotlib", "pint", "rich"}
    start = "import sys; from search.commands import app; app(standalone_mode=False); print(*sys.modules)"
    words = [sys.executable, "-c", start, *command.split(), "--help"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=True)
    assert "Usage" in done.stdout
    assert not heavy & set(done.stdout.splitlines()[-1].split())


def test_short_help_and_version(run: Run) -> None:
    assert run("--version") == Answer(0, version("kitwright") + "\n", "")
    for command in ([], *([command] for command in COMMANDS)):
        short, long = run(*command, "-h"), run(*command, "--help")
        assert (short.code, short.err, short.out) == (0, "", long.out)
        assert re.match(" ".join([r"Usage: .*kitwright", *command, ""]), short.out)


PIPED = {
    "rank": ["rank", JOB],
    "explain": ["explain", JOB, "fitted"],
    "compare": ["compare", JOB, "fitted", "helix=ramp-40", "helix=ramp-42,tip=tip-12-g", f"helix={STRAY}",
                "tip=empty,twist=20 deg"],
}  # fmt: skip


@pytest.mark.parametrize("command", PIPED)
def test_piped_tables_are_80_wide_and_hold_one_caution(run: Run, command: str) -> None:
    answer = shell(*PIPED[command])
    assert (answer.code, answer.err) == (0, "")
    assert max(len(line.rstrip()) for line in answer.out.splitlines()) <= 80
    assert one_line(answer.out).count(CAUTION) == 1
    assert "\x1b" not in answer.out
    few = ["--lock-fitted"] if command == "rank" else []  # the caution does not hang on the number of kits
    assert CAUTION[:20] not in run(*PIPED[command], *few, "--format", "json").out


def test_a_sign_that_the_console_lacks_is_replaced(run: Run) -> None:
    words = ("compare", JOB, "fitted", f"helix={STRAY}")
    full, narrow = run(*words), shell(*words, PYTHONIOENCODING="ascii")
    assert (narrow.code, narrow.err) == (0, "")
    assert "–" in full.out
    assert narrow.out == full.out.encode("ascii", "replace").decode()
    refused(shell("explain", JOB, "²", PYTHONIOENCODING="ascii"), "KIT: no such kit or file", "'?'")


@pytest.mark.skipif(not hasattr(signal, "SIGPIPE"), reason="a signal of POSIX systems")
def test_a_reader_that_leaves_ends_the_process_quietly() -> None:
    words = [sys.executable, "-c", START, "explain", JOB, "fitted", "--format", "json"]
    with subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout
        assert process.stderr
        process.stdout.close()
        told = process.stderr.read()
        assert (process.wait(timeout=60), told) == (-signal.SIGPIPE, b"")


def test_a_process_ends_with_its_code_and_keeps_its_streams_apart() -> None:
    refused(shell("explain", JOB, "helix=ramp-99"), "KIT: helix")
    answer = shell("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}", "--format", "json")
    assert (answer.code, answer.data["kits"]) == (1, [])
    assert "helix_fit" in answer.err


def test_an_interrupted_ranking_ends_with_130(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("search.ranking.rank", stop)
    answer = run("rank", JOB, "--save", "kits")
    said = "Interrupted before the search was finished: nothing is ranked or saved."
    assert (answer.code, answer.out, one_line(answer.err)) == (130, "", said)
    assert not Path("kits").exists()


def test_brackets_in_texts_are_shown_as_they_stand(run: Run, shop: Path) -> None:
    edit(JOB, 'description: "Year-round', 'description: "[bold]x[/min] [mm] :smile: Year-round')
    edit(JOB, '"graded road"', '"[/road]"')
    parts = shop / "parts" / "helices.yaml"
    parts.write_text(re.sub(r'"description": "[^"]*"', '"description": "[link=a]steep[/red]"', parts.read_text()))
    assert "[bold]x[/min] [mm] :smile: Year-round" in run("rank", JOB, "--lock-fitted", "--save", "k[b]").out
    explained = run("explain", JOB, "fitted").out
    assert "[/road]" in explained
    assert "[link=a]steep[/red]" in explained
    assert "B: k[b]/kit-1.yaml\n" in run("compare", JOB, "fitted", "k[b]/kit-1.yaml").out
    assert "k[b]/kit-1.yaml: kit" in run("check", "k[b]").out
    refused(run("explain", JOB, "helix=[/x]"), "'[/x]'")
    Path("[red].yaml").write_text("'[/b]': 1\n")
    refused(run("check", "[red].yaml"), "[red].yaml", "[/b]", out="[red].yaml: 1 problem\n")
