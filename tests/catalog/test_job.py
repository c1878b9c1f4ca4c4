"""Jobs and machines with faults: each fault found at its own line and column, in words, and all of them at once.

A case changes lines in copies of the demo files; ¦ marks where each fault must be found.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import yaml

from catalog import load_job
from catalog.shelf import DEMO_PARTS
from solver.errors import InputError, Problem

CONFIGS = Path(__file__).parents[2] / "configs"
DEG = np.pi / 180
Edits = dict[str, str | None]


class Files:
    """Copies of the demo files, with a catalogue of the fitted parts only, and the places marked in them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.marks: list[tuple[str, int, int]] = []
        for name, source in (("job.yaml", "rescue.yaml"), ("machine.yaml", "machine.yaml"), ("engine.csv", "engine.csv")):
            (folder / name).write_text((CONFIGS / source).read_text(encoding="utf-8"), encoding="utf-8")
        self.edit("job.yaml", {"catalogue": '["parts"]'})
        spec = yaml.safe_load((folder / "job.yaml").read_text(encoding="utf-8"))
        wanted = {spec["belt"], *spec["fitted"].values()}
        (folder / "parts").mkdir()
        for path in DEMO_PARTS.glob("*.yaml"):
            file = yaml.safe_load(path.read_text(encoding="utf-8"))
            file["parts"] = [part for part in file["parts"] if part["id"] in wanted]
            text = json.dumps(file, indent=1, ensure_ascii=False)
            (folder / "parts" / path.name).write_text(text, encoding="utf-8")

    def edit(self, name: str, edits: Edits) -> None:
        """Give keys other values; "@…" replaces the key too, None takes the line away, "key#2" is the third of a name."""
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
def files(tmp_path: Path) -> Files:
    return Files(tmp_path)


# ---- one fault ----

JOB: list[tuple[Edits, str]] = [
    ({"belt": '"scree-belt"\n¦blet: "x"'}, "blet: unknown key did you mean 'belt'?"),
    ({"belt": '"scree-belt"\n¦belt: "x"'}, "belt: key given twice first at line "),
    ({"belt": "¦scree-belt"}, "belt: an id must stand in quotes (got scree-belt, "),
    ({"machine": "¦12"}, "machine: not text (got 12, expected text)"),
    ({"catalogue": "¦[]"}, "catalogue: too few entries (got a list of 0, expected at least 1)"),
    ({"catalogue": '¦"parts"'}, "catalogue: not a list"),
    ({"site": '{altitude: ¦"1450", temperature: "6 degC"}'}, "site.altitude: unit missing (got 1450, "),
    ({"site": '{altitude: "0 m", temperature: ¦"6 C"}'}, "unknown unit 'C' (got 6 C, expected a temperature) did you mean 'degC'?"),
    ({"site": '¦{altitude: "0 m"}'}, "site.temperature: required key missing"),
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
    ({"throttle": '¦"0 %"'}, "grounds[0].throttle: "),
    ({"load_changes": '¦"3 rpm"'}, "grounds[0].load_changes: 'rpm' is a unit of speed of rotation, not of count per time"),
    ({"load_changes": '¦"-1 /min"'}, "grounds[0].load_changes: "),
    ({"engagement": '["1900 rpm", ¦"2700"]'}, "limits.engagement[1]: unit missing (got 2700, "),
    ({"engagement": '["2700 rpm", "1900 rpm"]'}, "engagement window is empty (got 2700 rpm to 1900 rpm, "),
    ({"limits": '\n  budget: ¦"10"'}, "limits.budget: not a price (got 10, "),
    ({"limits": "\n  in_stock: ¦yes"}, "limits.in_stock: not a truth value (got yes, expected true or false) `yes` is text here"),
    ({"limits": '\n  spring_stress: ¦"130 %"'}, "limits.spring_stress: "),
    ({"wanted_margin": '¦"-5 %"'}, "score.wanted_margin: "),
    ({"weights": "{speed_band: 1, ¦belt_marg: 1}"}, "score.weights.belt_marg: unknown key did you mean 'belt_margin'?"),
    ({"weights": "{speed_band: ¦-1}"}, "score.weights.speed_band: -1 is not at least 0"),
    ({"fitted": "@grid: {positions: ¦4}\nfitted:"}, "grid.positions: too small (got 4, expected at least 5)"),
    ({"fitted": '@grid: ¦{torque_levels: ["50 %", "40 %", "100 %"]}\nfitted:'}, "torque levels out of order"),
    ({"fitted": '@grid: ¦{torque_levels: ["50 %"]}\nfitted:'}, "torque levels out of order"),
    ({"fitted": '@locks: {¦helx: "any"}\nfitted:'}, "locks.helx: not one of the choices"),
    ({"fitted": "@¦fitted:", "tip": None}, "fitted.tip: required key missing"),
    ({"heel": "¦empty"}, "fitted.heel: an id must stand in quotes"),
    ({"twist": '¦"loose"'}, "fitted.twist: fits none of the forms allowed here (got \"loose\", expected an angle or 'none')"),
    ({"twist": '¦"-10 deg"'}, "fitted.twist: "),
]  # fmt: skip
MACHINE: list[tuple[Edits, str]] = [
    ({"mass": '"900 kg"\n¦mas: "1 kg"'}, "mas: unknown key did you mean 'mass'?"),
    ({"mass": '"900 kg"\n¦mass: "900 kg"'}, "mass: key given twice first at line "),
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
    ({"driveline_efficiency": '¦"120 %"'}, "driveline_efficiency: 120 % "),
    ({"reduction": "¦0"}, "reduction: 0 is not above 0"),
    ({"drag_area": None, "id": '@¦id: "tarnbeck-carrier"'}, "drag_area: required key missing"),
]  # fmt: skip
TOGETHER: list[tuple[Edits, str]] = [  # faults that show only when all files are read
    ({"grounds": "\n  ¦- name: \"more\"\n    share: \"50 %\"\n    source: \"x\"\n    rolling: 0.03\n    adhesion: 0.6\n    grade: \"1 %\"\n    speed: [\"25 km/h\", \"40 km/h\"]\n    throttle: \"90 %\"\n    load_changes: \"3 /min\""}, "grounds: the shares do not add up (got 150 %, expected 100 %)"),
    ({"name": '"one"', "name#1": '¦"one"'}, "grounds.1.name: two grounds of one name (got 'one', expected a name of its own)"),
    ({"belt": '¦"other-belt"'}, "belt: no such belt in the catalogue (got 'other-belt', expected one of scree-belt)"),
    ({"helix": '¦"nothing-such"'}, "fitted.helix: no such part among the helices (got 'nothing-such', expected one of "),
    ({"drive_spring": '¦"empty"'}, "fitted.drive_spring: no such part among the drive_springs (got 'empty', "),
    ({"mid": '¦"nothing-such"'}, "fitted.mid: no such part among the masses"),
    ({"limits": '\n  budget: ¦"300 CHF"'}, "limits.budget: budget and prices in different currencies (got CHF, expected EUR)"),
    ({"name": '@¦name: "fast"', "speed": '["200 km/h", "220 km/h"]'}, "speed range 200 to 220 km/h of ground 'fast' lies outside the shift"),
    ({"name": '@¦name: "slow"', "speed": '["0.1 km/h", "0.2 km/h"]'}, "speed range 0.1 to 0.2 km/h of ground 'slow' lies outside the shift"),
    ({"name": '@¦name: "wall"', "grade": '"90 %"'}, "ground 'wall'"),
]  # fmt: skip
CASES = [("job.yaml", *case) for case in JOB + TOGETHER] + [("machine.yaml", *case) for case in MACHINE]


@pytest.mark.parametrize(("file", "edits", "words"), CASES)
def test_show(file, edits, words, files):
    files.edit(file, edits)
    try: load_job(files.folder/"job.yaml")
    except InputError as e:
        got=[(str(Path(p.file).relative_to(files.folder)), p.line, p.column) for p in e.problems]
        ok = (got==files.marks or (not files.marks and len(got)==1 and got[0][1]>0)) and words in str(e)
        if not ok: print("\n", f"PLACE {files.marks}" if got!=files.marks else "WORDS", words); print("\n".join("       "+str(p).replace(str(files.folder),"") for p in e.problems))
    else: print("\nPASSED", edits)
