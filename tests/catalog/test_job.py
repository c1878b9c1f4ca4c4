"""Jobs and machines with faults: each fault found at its own line and column, in words, and all of them at once.

A case changes lines in copies of the demo files; ¦ marks where each fault must be found.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import yaml

from catalog import load_job
from catalog.errors import InputError, Problem
from catalog.shelf import DEMO_PARTS

CONFIGS = Path(__file__).parents[2] / "configs"
DEG = np.pi / 180
Edits = dict[str, str | None]


@pytest.fixture(scope="session")
def originals(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Copies of the demo files, with a catalogue of the fitted parts only, and without grid and locks.

    The machine has one gear range, and every ground the machine's target.
    """
    folder = tmp_path_factory.mktemp("demo")
    for name in ("machine.yaml", "engine.csv"):
        shutil.copy(CONFIGS / name, folder)
    machine = (folder / "machine.yaml").read_text(encoding="utf-8")
    machine = re.sub(r"^reduction:.*$", "reduction: 11.4", machine, flags=re.MULTILINE)
    (folder / "machine.yaml").write_text(machine, encoding="utf-8")
    text = (CONFIGS / "rescue.yaml").read_text(encoding="utf-8")
    text = re.sub(r"^catalogue:.*$", 'catalogue: ["parts"]', text, flags=re.MULTILINE)
    text = re.sub(r"^(grid|locks):.*\n( .*\n)*", "", text, flags=re.MULTILINE)
    text = re.sub(r"^    (target|range):.*\n", "", text, flags=re.MULTILINE)
    (folder / "job.yaml").write_text(text, encoding="utf-8")
    spec = yaml.safe_load(text)
    (folder / "parts").mkdir()
    for path in DEMO_PARTS.glob("*.yaml"):
        file = yaml.safe_load(path.read_text(encoding="utf-8"))
        file["parts"] = [part for part in file["parts"] if part["id"] in {spec["belt"], *spec["fitted"].values()}]
        (folder / "parts" / path.name).write_text(json.dumps(file, indent=1), encoding="utf-8")
    return folder


class Files:
    """Job, machine, curve and parts to change, and the places marked in them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.marks: list[tuple[str, int, int]] = []

    def edit(self, name: str, edits: Edits) -> None:
        """Give keys other values; "@…" replaces the key too, None takes the line away, "key#1" is the second such."""
        path = self.folder / name
        lines = path.read_text(encoding="utf-8").split("\n")
        for where, new in edits.items():
            key, _, number = where.partition("#")
            found = [n for n, line in enumerate(lines) if re.match(rf'[ -]*"?{re.escape(key)}"?:', line)]
            at = found[int(number or 0)]
            indent = lines[at][: len(lines[at]) - len(lines[at].lstrip(" -"))]
            comma = "," if lines[at].endswith(",") else ""
            quote = '"' if lines[at].lstrip(" -")[0] == '"' else ""
            text = "" if new is None else indent + (new[1:] if new[0] == "@" else f"{quote}{key}{quote}: {new}{comma}")
            lines[at : at + 1] = [] if new is None else text.split("\n")
        text = "\n".join(lines)
        while (at := text.find("¦")) >= 0:
            self.marks.append((name, text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)))
            text = text[:at] + text[at + 1 :]
        path.write_text(text, encoding="utf-8")

    def problems(self) -> list[Problem]:
        with pytest.raises(InputError) as caught:
            load_job(self.folder / "job.yaml")
        return list(caught.value.problems)

    def places(self) -> list[tuple[str, int, int]]:
        return [(str(Path(p.file).relative_to(self.folder)), p.line, p.column) for p in self.problems()]


@pytest.fixture
def files(originals: Path, tmp_path: Path) -> Files:
    return Files(shutil.copytree(originals, tmp_path / "job"))


# ---- one fault ----

JOB: list[tuple[Edits, str]] = [
    ({"belt": '"scree-belt"\n¦blet: "x"'}, "blet: unknown key … did you mean 'belt'?"),
    ({"belt": '"scree-belt"\n¦belt: "x"'}, "belt: key given twice … first at line "),
    ({"belt": "¦scree-belt"}, "belt: an id must stand in quotes (got scree-belt, "),
    ({"machine": "¦12"}, "machine: not text (got 12, expected text)"),
    ({"catalogue": "¦[]"}, "catalogue: too few entries (got a list of 0, expected at least 1)"),
    ({"catalogue": '¦"parts"'}, "catalogue: not a list"),
    ({"site": '{altitude: ¦"1450", temperature: "6 degC"}'}, "site.altitude: unit missing (got 1450, "),
    ({"site": '{altitude: "0 m", temperature: ¦"6 C"}'}, "unknown unit 'C' (got 6 C, expected a temperature) … did"),
    ({"site": '@¦site: {altitude: "0 m"}'}, "site.temperature: required key missing"),
    ({"share": '¦"25 mm"'}, "grounds[0].share: 'mm' is a unit of length, not of plain number"),
    ({"share": '¦"0 %"'}, "grounds[0].share: "),
    ({"share#1": '¦"120 %"'}, "grounds[1].share: "),
    ({"rolling": "¦no"}, "grounds[0].rolling: not a plain number (got no, "),
    ({"rolling": "¦0123"}, "leading zero"),
    ({"rolling": "¦12:30"}, "12:30"),
    ({"rolling": "¦1e3"}, "1000 is not at most 1"),
    ({"adhesion": "¦0"}, "grounds[0].adhesion: 0 is not above 0"),
    ({"grade": '¦"110 %"'}, "grounds[0].grade: "),
    ({"speed": '¦["25 km/h"]'}, "grounds[0].speed: too few entries"),
    ({"speed": '["25 km/h", ¦"80 km"]'}, "grounds[0].speed[1]: 'km' is a unit of length, not of speed"),
    ({"speed": '["80 km/h", "25 km/h"]'}, "speed range is empty (got 80 km/h to 25 km/h, expected [low, high])"),
    ({"torque": '¦"0 %"'}, "grounds[0].torque: "),
    ({"torque": '¦"120 %"'}, "grounds[0].torque: 1.2 is not at most 1"),
    ({"torque": '"90 %"\n    ¦throttle: "80 %"'},
     "grounds[0].throttle: unknown key … it is called torque now: a share of the engine's full torque"),
    ({"rolling": '0.03\n    target: ¦"6000"'}, "grounds[0].target: unit missing (got 6000, expected a "),
    ({"rolling": "0.03\n    range: ¦2"}, "grounds[0].range: not text (got 2, expected text)"),
    ({"limits": '\n  belt_temperature: ¦"90"'}, "limits.belt_temperature: unit missing (got 90, "),
    ({"limits": '\n  belt_temperature: ¦"-40 degC"'}, "limits.belt_temperature: "),
    ({"load_changes": '¦"3 rpm"'}, "load_changes: 'rpm' is a unit of speed of rotation, not of count per time"),
    ({"load_changes": '¦"-1 /min"'}, "grounds[0].load_changes: "),
    ({"engagement": '["1900 rpm", ¦"2700"]'}, "limits.engagement[1]: unit missing (got 2700, "),
    ({"engagement": '["2700 rpm", "1900 rpm"]'}, "engagement window is empty (got 2700 rpm to 1900 rpm, "),
    ({"limits": '\n  budget: ¦"10"'}, "limits.budget: not a price (got 10, "),
    ({"limits": "\n  in_stock: ¦yes"}, "in_stock: not a truth value (got yes, … `yes` is text"),
    ({"limits": '\n  spring_stress: ¦"130 %"'}, "limits.spring_stress: "),
    ({"wanted_margin": '¦"-5 %"'}, "score.wanted_margin: "),
    ({"weights": "{flatness: 1, ¦belt_marg: 1}"}, "weights.belt_marg: unknown key … did you mean 'belt_margin'?"),
    ({"weights": "{flatness: ¦-1}"}, "score.weights.flatness: -1 is not at least 0"),
    ({"fitted": "@grid: {positions: ¦4}\nfitted:"}, "grid.positions: too small (got 4, expected at least 5)"),
    ({"fitted": '@grid: {¦torque_levels: ["50 %", "100 %"]}\nfitted:'},
     "grid.torque_levels: unknown key … every ground is balanced at the torque that it asks for: take this key out"),
    ({"fitted": '@locks: {¦helx: "any"}\nfitted:'}, "locks.helx: not one of the choices"),
    ({"fitted": "@¦fitted:", "tip": None}, "fitted.tip: required key missing"),
    ({"heel": "¦empty"}, "fitted.heel: an id must stand in quotes"),
    ({"twist": '¦"loose"'}, "fitted.twist: not an angle (got loose, expected an angle or 'none')"),
    ({"twist": '¦"-10 deg"'}, "fitted.twist: "),
]  # fmt: skip
MACHINE: list[tuple[Edits, str]] = [
    ({"mass": '"900 kg"\n¦mas: "1 kg"'}, "mas: unknown key … did you mean 'mass'?"),
    ({"mass": '"900 kg"\n¦mass: "900 kg"'}, "mass: key given twice … first at line "),
    ({"id": "¦tarnbeck-carrier"}, "id: an id must stand in quotes"),
    ({"basis": "¦guess"}, "basis: not one of the choices (got guess, "),
    ({"air": "¦raw"}, "engine.air: not one of the choices (got raw, expected 'corrected' or 'as-measured')"),
    ({"idle_speed": "¦1150"}, "engine.idle_speed: unit missing (got 1150, expected a speed of rotation)"),
    ({"idle_speed": '¦"1150 Hz"'}, "engine.idle_speed: 'Hz' is a unit of count per time, not of speed of rotation"),
    ({"half_angle": '¦"46 deg"'}, "half_angle: 46 deg is not at most 45 deg"),
    ({"centre_distance": '¦"-256 mm"'}, "centre_distance: "),
    ({"max_radius": '"34 mm"'}, "drive_clutch: the drive sheave does not shift (got max_radius 34 mm, expected above "),
    ({"arms": "¦1"}, "drive_clutch.arms: too small (got 1, expected at least 2)"),
    ({"roller_friction": "¦1.5"}, "drive_clutch.roller_friction: 1.5 is not at most 1"),
    ({"spring": '¦{installed_length: "66 mm", outer_limit: "54 mm", inner_limit: "54 mm"}'}, "the pocket has no room"),
    ({"spring_tangs": "¦no"}, "driven_clutch.spring_tangs: not a truth value (got no, expected true or false)"),
    ({"driveline_efficiency": '¦"120 %"'}, "driveline_efficiency: 1.2 is not at most 1"),
    ({"reduction": "¦0"}, "reduction: … (got 0, expected a plain number above 0 or "),
    ({"reduction": '¦"low"'}, "reduction: not a plain number (got low, "),
    ({"reduction": "¦{}"}, "reduction: "),
    ({"reduction": "{low: ¦0, high: 11.4}"}, "reduction.low: 0 is not above 0"),
    ({"speed_limit": '¦"1e300 rpm"'}, "engine.speed_limit: 1e+300 rpm is not at most"),
    ({"belt_cooling": '¦"0.06 W/K"'}, "belt_cooling: … (got 0.06 W/K, expected a thermal conductance at least 1 "),
    ({"belt_cooling": '{conductance: ¦"0.06 W/K", at: "6000 rpm"}'}, "belt_cooling.conductance: 0.06 W/K is not at"),
    ({"belt_cooling": '@¦belt_cooling: {conductance: "60 W/K"}'}, "belt_cooling.at: required key missing"),
    ({"drag_area": None, "id": '@¦id: "tarnbeck-carrier"'}, "drag_area: required key missing"),
]  # fmt: skip
TOGETHER: list[tuple[Edits, str]] = [  # faults that show only when all files are read
    ({"share": '"75 %"', "share#1": '"75 %"'}, "grounds: the shares do not add up (got "),
    ({"name": '"one"', "name#1": '¦"one"'}, "two grounds of one name (got 'one', expected a name of its own)"),
    ({"belt": '¦"other-belt"'}, "belt: no such belt in the catalogue (got 'other-belt', expected one of scree-belt)"),
    ({"helix": '¦"nothing-such"'}, "fitted.helix: no such part among the helices (got 'nothing-such', "),
    ({"drive_spring": '¦"empty"'}, "fitted.drive_spring: no such part among the drive_springs (got 'empty', "),
    ({"mid": '¦"nothing-such"'}, "fitted.mid: no such part among the masses"),
    ({"limits": '\n  budget: "300 CHF"'}, "currencies (got CHF, EUR, expected one currency)"),
    ({"name": '@¦name: "fast"', "speed": '["200 km/h", "220 km/h"]'}, "'fast' lies outside the shift"),
    ({"name": '@¦name: "slow"', "speed": '["0.1 km/h", "0.2 km/h"]'}, "'slow' lies outside the shift"),
    ({"name": '@¦name: "wall"', "grade": '"90 %"'}, "ground 'wall'"),
    ({"rolling": '0.03\n    range: ¦"crawler"'}, "range: no such gear range of the machine (got 'crawler', expected "),
    ({"rolling": '0.03\n    target: ¦"9000 rpm"'}, "target speed must lie between idle and the speed limit: target"),
]  # fmt: skip
CASES = [("job.yaml", *case) for case in JOB + TOGETHER] + [("machine.yaml", *case) for case in MACHINE]


@pytest.mark.parametrize(("file", "edits", "words"), CASES)
def test_a_fault_is_named_with_its_place(file: str, edits: Edits, words: str, files: Files) -> None:
    files.edit(file, edits)
    (problem,) = files.problems()
    assert all(part in str(problem) for part in words.split(" … "))
    assert problem.column > 0
    assert files.places() == files.marks or not files.marks


MISMATCHES: list[tuple[str, Edits, str]] = [
    ("parts/belts.yaml", {"pitch_length": '"600 mm"'}, "centre_distance: belt_length = 0.6 m leaves less than 1 mm"),
    ("machine.yaml", {"max_radius#1": '"64.5 mm"'}, "less than 1 mm of shift between the stops"),
    ("parts/belts.yaml", {"half_angle": '"15 deg"'}, "belt: scree-belt has a flank angle of 15 deg, the sheaves have "),
    ("machine.yaml", {"family": '"loam-drive"'}, "belt: scree-belt is made for "),
    ("machine.yaml", {"speed_limit": '"3000 rpm"'}, "target speed must lie between idle and the speed limit"),
    ("machine.yaml", {"idle_speed": '"7600 rpm"'}, "target speed must lie between idle and the speed limit"),
    ("job.yaml", {"limits": '\n  engine_speed: "3000 rpm"'}, "target speed must lie between idle and"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "edits", "words"), MISMATCHES)
def test_what_does_not_go_together_is_named(file: str, edits: Edits, words: str, files: Files) -> None:
    files.edit("parts/belts.yaml", {"id": '"scree-belt"'})
    files.edit("job.yaml", {"belt": '"scree-belt"'})
    files.edit(file, edits)
    (problem,) = files.problems()
    blamed = "job.yaml" if "limits" in edits or words.startswith("belt:") else "machine.yaml"
    assert problem.file == str(files.folder / blamed)
    assert words in str(problem)


@pytest.mark.parametrize(
    ("file", "edits"),
    [
        ("job.yaml", {"belt": '¦"scree-belt-short"'}),
        ("machine.yaml", {"centre_distance": '¦"400 mm"'}),
        ("job.yaml", {"limits": '\n  engine_speed: ¦"3000 rpm"'}),
    ],
)
def test_what_does_not_go_together_is_named_with_its_place(file: str, edits: Edits, files: Files) -> None:
    files.edit(file, edits)
    assert files.places() == files.marks


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("machine", "machine.yaml: file not found"),
        ("catalogue", "parts: file not found"),
        ("curve", "cannot read the dyno"),
    ],
)
def test_a_missing_file_is_named(name: str, words: str, files: Files) -> None:
    path = files.folder / {"machine": "machine.yaml", "catalogue": "parts", "curve": "engine.csv"}[name]
    path.rename(path.with_name("elsewhere"))
    (problem,) = files.problems()
    assert words in str(problem)


@pytest.mark.parametrize(
    ("reduction", "expected"),
    [("11.4", "no range: the machine has one reduction"), ("{high: 11.4, low: 21}", "one of low, high")],
)
def test_an_unknown_gear_range_is_told_which_there_are(reduction: str, expected: str, files: Files) -> None:
    files.edit("machine.yaml", {"reduction": reduction})
    files.edit("job.yaml", {"name#1": '"two"\n    range: ¦"lo"'})
    (problem,) = files.problems()
    assert files.places() == files.marks
    assert (problem.path, problem.got, problem.expected) == ("grounds[1].range", "'lo'", expected)


def test_a_job_file_of_before_is_told_what_its_keys_are_called_now(files: Files) -> None:
    grid = {"fitted": '@grid: {torque_levels: ["100 %"]}\nfitted:'}
    files.edit("job.yaml", {"torque": '@throttle: "90 %"'} | grid)
    told = {problem.path: problem for problem in files.problems()}
    assert set(told) == {"grounds[0].throttle", "grounds[0].torque", "grid.torque_levels"}
    assert told["grounds[0].throttle"].hint == "it is called torque now: a share of the engine's full torque"
    assert told["grid.torque_levels"].hint.endswith("at the torque that it asks for: take this key out")
    assert all(problem.line > 0 for problem in told.values())


# ---- several faults ----


def test_all_faults_of_a_job_file_are_named_at_once(files: Files) -> None:
    files.edit(
        "job.yaml",
        {"belt": "¦scree-belt", "share": "¦25", "rolling": "¦no", "grade#1": '¦"200 %"', "wanted_margin": "¦20 mm"}
        | {"weights": "{¦speed: 1, spring_loss: ¦-1}", "fitted": "@¦fitted:", "tip": None, "mid": "¦12"},
    )
    assert files.places() == sorted(files.marks)


def test_all_faults_of_job_and_catalogue_together_are_named_at_once(files: Files) -> None:
    edits = {"name": '"one"', "share": '"90 %"', "name#1": '¦"one"', "belt": '¦"none-such"', "helix": '¦"none-such"'}
    files.edit("job.yaml", edits | {"limits": '\n  budget: "3 CHF"'})
    assert set(files.marks) < set(files.places())
    assert len(files.problems()) == 5  # shares and currencies stand at lists


def test_faults_of_machine_and_parts_are_named_at_once(files: Files) -> None:
    files.edit("machine.yaml", {"idle_speed": "¦1150", "arms": "¦1", "roller_friction": "¦1.5"})
    files.edit("parts/helices.yaml", {"radius": '¦"42"', "stock": "¦-1"})
    files.edit("parts/masses.yaml", {"mass": "¦3"})
    assert sorted(files.places()) == sorted(files.marks)


def test_faults_of_curve_and_catalogue_are_named_at_once(files: Files) -> None:
    files.edit("parts/helices.yaml", {"stock": "¦-1"})
    (files.folder / "engine.csv").write_text("speed (rpm),torque\n", encoding="utf-8")
    assert files.places() == [("engine.csv", 1, 2), *files.marks]


WAVES: list[dict[str, Edits]] = [
    {"job.yaml": {"share": "¦25"}, "machine.yaml": {"arms": "¦1"}},
    {"job.yaml": {"name": '"one"', "name#1": '¦"one"'}, "machine.yaml": {"arms": "¦1"}},
    {"job.yaml": {"name": '"one"', "name#1": '¦"one"', "speed": '["200 km/h", "220 km/h"]'}},
    {"machine.yaml": {"half_angle": '"16 deg"'}, "job.yaml": {"helix": '¦"none-such"'}},
]


@pytest.mark.parametrize("edits", WAVES)
def test_faults_of_all_files_are_named_at_once(edits: dict[str, Edits], files: Files) -> None:
    for name, changes in edits.items():
        files.edit(name, changes)
    assert set(files.marks) <= set(files.places())
    assert len(files.problems()) == 2


# ---- what should be refused ----


@pytest.mark.parametrize(
    "site",
    ['{altitude: ¦"20 km", temperature: "6 degC"}', '{altitude: "0 m", temperature: ¦"2 K"}'],
)
def test_air_of_no_place_on_earth_is_refused_with_its_place(site: str, files: Files) -> None:
    files.edit("job.yaml", {"site": site})
    assert files.places() == files.marks


def test_a_fitted_mass_of_another_station_is_refused(files: Files) -> None:
    tip = yaml.safe_load((files.folder / "job.yaml").read_text(encoding="utf-8"))["fitted"]["tip"]
    files.edit("job.yaml", {"heel": f'¦"{tip}"'})
    assert files.places() == files.marks


# ---- what is read ----


def test_paths_stand_relative_to_the_file_they_stand_in(files: Files, monkeypatch: pytest.MonkeyPatch) -> None:
    (files.folder / "machines").mkdir()
    for name in ("machine.yaml", "engine.csv"):
        (files.folder / name).rename(files.folder / "machines" / name)
    files.edit("job.yaml", {"machine": '"machines/machine.yaml"', "catalogue": '["parts/belts.yaml", "parts2"]'})
    (files.folder / "parts2").mkdir()
    for path in (files.folder / "parts").glob("[!b]*.yaml"):
        path.rename(files.folder / "parts2" / path.name)
    monkeypatch.chdir(files.folder.parent)
    assert load_job(Path("job") / "job.yaml").spec.belt == "scree-belt"


def test_hashes_of_the_inputs_follow_the_files(files: Files) -> None:
    before = load_job(files.folder / "job.yaml").hashes
    for name, key in [
        ("job.yaml", "job"),
        ("machine.yaml", "machine"),
        ("engine.csv", "machine"),
        ("parts/belts.yaml", "catalogue"),
    ]:
        path = files.folder / name
        text = path.read_text(encoding="utf-8")
        path.write_text(text + "\n", encoding="utf-8")
        after = load_job(files.folder / "job.yaml").hashes
        assert {k for k in before if before[k] != after[k]} == {key}
        path.write_text(text, encoding="utf-8")
    assert load_job(files.folder / "job.yaml").hashes == before


def test_twists_are_those_of_all_helices_and_of_the_grid(files: Files) -> None:
    path = files.folder / "parts" / "helices.yaml"
    file = json.loads(path.read_text(encoding="utf-8"))
    plain = {key: value for key, value in file["parts"][0].items() if not key.startswith("twist")}
    parts = [plain | {"twist_steps": ["20 deg", "35 deg"]}, plain | {"id": "plain"}]
    parts += [plain | {"id": "stepless", "twist_range": ["12 deg", "30 deg"]}]
    path.write_text(json.dumps(file | {"parts": parts}), encoding="utf-8")
    for step, twists in (("10 deg", [20, 30, 35]), ("6 deg", [12, 18, 20, 24, 30, 35])):
        files.edit("job.yaml", {"fitted": f'@grid: {{twist_step: "{step}"}}\nfitted:'})
        job = load_job(files.folder / "job.yaml")
        assert job.twists == (None, *(pytest.approx(angle * DEG, abs=1e-8) for angle in twists))
        files.edit("job.yaml", {"grid": None})


@pytest.mark.parametrize("step", ["1e-300 deg", "5e-324 rad", "1e-3 deg"])
def test_more_twist_settings_than_a_search_can_take_are_counted_and_refused(step: str, files: Files) -> None:
    path = files.folder / "parts" / "helices.yaml"
    file = json.loads(path.read_text(encoding="utf-8"))
    file["parts"][0] |= {"twist_range": ["0 deg", "60 deg"]}
    file["parts"][0].pop("twist_steps", None)
    path.write_text(json.dumps(file), encoding="utf-8")
    files.edit("job.yaml", {"fitted": f'@grid: {{twist_step: ¦"{step}"}}\nfitted:'})
    (problem,) = files.problems()
    assert files.places() == files.marks
    assert problem.message == "the twist can be set in too many ways"
    count = {"1e-3 deg": "60,000", "1e-300 deg": "6e+301", "5e-324 rad": "inf"}[step]
    assert (problem.got, problem.expected) == (count, "at most 2,000")


@pytest.mark.parametrize(
    ("name", "edits"),
    [
        ("job.yaml", {"machine": '¦"a\\0b.yaml"'}),
        ("job.yaml", {"catalogue": '[¦"a\\0b"]'}),
        ("machine.yaml", {"curve": '¦"a\\0b.csv"'}),
    ],
)
def test_a_name_that_no_file_can_have_is_refused_with_its_place(name: str, edits: Edits, files: Files) -> None:
    files.edit(name, edits)
    assert set(files.marks) <= {(Path(p.file).name, p.line, p.column) for p in files.problems()}
    assert all(str(problem).isprintable() for problem in files.problems())


def test_twist_steps_of_all_helices_together_are_counted(files: Files) -> None:
    path = files.folder / "parts" / "helices.yaml"
    file = json.loads(path.read_text(encoding="utf-8"))
    plain = {key: value for key, value in file["parts"][0].items() if not key.startswith("twist")}
    file["parts"] = [plain] + [
        plain | {"id": f"many-{n}", "twist_steps": [f"{1 + (40 * n + k) / 50} deg" for k in range(40)]}
        for n in range(51)
    ]
    path.write_text(json.dumps(file), encoding="utf-8")
    (problem,) = files.problems()
    assert str(problem).endswith("(got 2,040, expected at most 2,000) give the helices fewer twist_steps.")
    assert problem.column > 0
    file["parts"].pop()
    path.write_text(json.dumps(file), encoding="utf-8")
    assert len(load_job(files.folder / "job.yaml").twists) == 2_001


def test_the_demo_loads_without_the_heavy_libraries_it_does_not_need() -> None:
    code = "import sys; from catalog import load_job; load_job(sys.argv[1]); print(*sys.modules, sep='\\n')"
    ran = subprocess.run(
        [sys.executable, "-c", code, CONFIGS / "rescue.yaml"], capture_output=True, text=True, check=True
    )
    assert not {"pint", "pandas", "optuna", "matplotlib", "rich", "scipy.integrate"} & set(ran.stdout.split())
