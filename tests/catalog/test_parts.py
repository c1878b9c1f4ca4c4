"""Part files with faults: each fault found at its own line and column, in words, and all of them at once.

A case adds one part to a copy of a demo file and changes some of its lines; ¦ marks where each fault must be found.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from yaml_files import part_problems, write_marked

from catalog.errors import InputError
from catalog.shelf import DEMO_PARTS, read_shelf

Edits = dict[str, str | None]
LINE = '{{rate: {rate}, free_length: "{free}", installed_length: "66 mm"}}'
HEAD = """\
  - id: "probe"
    description: "a part to break"
    source: "made up for this test"
    basis: example
    price: "10.00 EUR"
    stock: 1
"""
PROBES = {
    "drive_springs": """\
    fits: ["quern-drive"]
    outer_diameter: "68 mm"
    inner_diameter: "56 mm"
    solid_length: "29 mm"
    linear: {rate: "20 N/mm", free_length: "90 mm", installed_length: "66 mm"}
    marked:
    wire:
    table:
""",
    "driven_springs": """\
    fits: ["quern-driven"]
    kind: torsion
    outer_diameter:
    inner_diameter:
    solid_length:
    torsion_rate:
    marked:
    wire:
      diameter: "5 mm"
      mean_diameter: "64 mm"
      active_coils: 4
      total_coils: 6
      free_length: "100 mm"
      material: chrome-silicon
""",
    "flyweights": """\
    fits: ["quern-drive"]
    count: 3
    pin_diameter: "8 mm"
    roller_diameter: "15 mm"
    body: {mass: "64 g", along: "35 mm", across: "-6 mm"}
    profile:
      unit: mm
      points:
        - [28, -9]
        - [30, -12]
        - [32, -15]
        - [34, -18]
    thrust:
    stations:
      tip: {along: "54 mm", across: "-14 mm", seat: "m5", depth: "16 mm"}
""",
    "masses": """\
    stations: [tip]
    seat: "m5"
    length: "9 mm"
    mass: "6 g"
""",
    "helices": """\
    fits: ["quern-driven"]
    radius: "42 mm"
    travel: "24 mm"
    roller_diameter: "12 mm"
    angle: "40 deg"
    ramp:
    twist_steps: ["20 deg", "40 deg"]
    twist_range:
""",
    "belts": """\
    fits: ["quern-drive", "quern-driven"]
    pitch_length: "995 mm"
    half_angle: "13 deg"
    mass_per_length: "0.42 kg/m"
    max_tension: "4.4 kN"
    friction: 0.35
    losses:
      bending: "0.75 N m"
      wedging: 0.011
      stretch_stiffness: "160 kN"
      wedge_stiffness: "60 MPa"
""",
}


class Added(NamedTuple):
    """A file with a broken part: where its faults are marked, the part's number and its first line."""

    file: Path
    marks: list[tuple[int, int]]
    number: int
    first_line: int


AddPart = Callable[[str, Edits], Added]


@pytest.fixture
def add_part(tmp_path: Path) -> AddPart:
    """Adds the probe of a family, edited, to a copy of the demo file."""

    def add(family: str, edits: Edits) -> Added:
        file = tmp_path / f"{family}.yaml"
        text = (DEMO_PARTS / file.name).read_text(encoding="utf-8")
        marks = write_marked(file, text + edited(HEAD + PROBES[family], edits))
        return Added(file, marks, text.count("  - id: "), text.count("\n") + 1)

    return add


def edited(probe: str, edits: Edits) -> str:
    """The text with the value of each key replaced; "@…" replaces the key too, None takes the line away."""
    lines = probe.splitlines()
    for key, new in edits.items():
        at = next(n for n, line in enumerate(lines) if re.match(rf"[ -]*{re.escape(key)}(:|$)", line))
        indent = lines[at][: len(lines[at]) - len(lines[at].lstrip(" -"))]
        lines[at : at + 1] = [] if new is None else [indent + (new[1:] if new[0] == "@" else f"{key}: {new}")]
    return "\n".join(lines) + "\n"


BODY = '{mass: "1 g", along: "1 mm", across: "1 mm"}'
ROWS = '[{{length: "66 mm", load: "480 N"}}, {{length: "{}", load: "{}"}}]'
MARKS = '{{installed: "480 N", full_shift: "{}", installed_length: "66 mm"{}}}'
STEPS = '[{{travel: "0 mm", angle: "40 deg"}}, {{travel: "{}", angle: "{}"}}]'
BENCH = '{{speed: "7000 rpm", travel: ["0 mm", "{}", "25 mm"], bare: ["1 N", "2 N", {}], '
BENCH += 'per_mass: {{{}: ["1 N/g", "2 N/g", "3 N/g"]}}}}'
ARM = '{{mass: "64 g", along: "35 mm", across: "-6 mm", {}}}'
PLATE = '{{outline: {{unit: mm, points: ¦[{}]}}, thickness: "8 mm", density: "7850 kg/m^3"}}'
NO_FACE: Edits = {"body": None, "profile": None, "unit": None, "points": None} | dict.fromkeys(
    ("[28, -9]", "[30, -12]", "[32, -15]", "[34, -18]")
)

# Family, edits, words of the problem. Without a mark the problem stands somewhere in the part.
FAULTS: dict[str, list[tuple[Edits, str]]] = {
    "masses": [
        ({"stock": '@¦colour: "any"'}, "parts[#].colour: unknown key … known keys: id, description, source"),
        ({"price": '@¦prise: "10.00 EUR"'}, "parts[#].prise: unknown key … did you mean 'price'?"),
        ({"stock": "1\n    ¦stock: 2"}, "parts[#].stock: key given twice … first at line "),
        ({"id": "¦probe"}, "parts[#].id: an id must stand in quotes (got probe, "),
        ({"id": '¦"Probe 1"'}, 'not an id (got "Probe 1", '),
        ({"basis": "¦guessed"}, "not one of the choices (got guessed, expected 'measured', 'datasheet', "),
        ({"id": '@¦id: "probe"', "basis": None}, "parts[#].basis: required key missing"),
        ({"description": "¦12"}, "not text (got 12, expected text) … put it in quotes"),
        ({"description": '¦"two\\nlines"'}, "not a short text"),
        ({"price": '¦"10 euro"'}, "not a price (got 10 euro, expected an amount and a currency code"),
        ({"price": '¦"-1.00 EUR"'}, "not a price (got -1.00 EUR, "),
        ({"price": "¦10"}, "not a price (got 10, "),
        ({"price": '¦"1000000000.01 EUR"'}, "the price is beyond belief (got 1000000000.01 EUR, expected at most 1,0"),
        ({"price": f'¦"{"9" * 308} EUR"'}, "the price is beyond belief"),
        ({"price": '¦"١.00 EUR"'}, "not a price"),
        ({"stock": "¦" + "9" * 30}, "too large"),
        ({"mass": '¦"1e30 kg"'}, "1e+30 kg is not at most 100 kg (got 1e30 kg = 1e+30 kg, expected a mass at most"),
        ({"mass": '¦"1e-30 kg"'}, "is not at least 0.001 g"),
        ({"stock": "¦-1"}, "too small (got -1, expected at least 0)"),
        ({"stock": "¦no"}, "not a whole number (got no, expected a whole number such as 4) … `no` is text here"),
        ({"stock": "¦012"}, "(got 012, expected a whole number such as 4) … leading zeros are ambiguous"),
        ({"stock": "¦1e3"}, "not a whole number (got 1000.0, "),
        ({"stock": "¦12:30"}, "12:30 would be read as a base-60 number by some readers"),
        ({"stations": "[¦toe]"}, "stations[0]: not one of the choices (got toe, expected 'heel', 'mid' or 'tip')"),
        ({"stations": "¦[]"}, "too few entries (got a list of 0, expected at least 1)"),
        ({"stations": "¦tip"}, "not a list (got tip, expected a list)"),
        ({"mass": '¦"6 N"'}, "'N' is a unit of force, not of mass (got 6 N, expected a mass)"),
        ({"mass": '¦"6 gg"'}, "unknown unit 'gg' (got 6 gg, expected a mass)"),
        ({"mass": "¦6"}, "unit missing (got 6, expected a mass) … write for example '54 g'"),
        ({"mass": '¦"-6 g"'}, "-6 g is not above 0 g"),
        ({"mass": '¦"6,5 g"'}, "comma in a number"),
        ({"mass": "¦012 g"}, "leading zero in a number"),
    ],
    "drive_springs": [
        ({"fits": "¦[]"}, "too few entries (got a list of 0, expected at least 1)"),
        ({"fits": "[¦quern-drive]"}, "fits[0]: an id must stand in quotes (got quern-drive, "),
        ({"linear": None}, "no load given (got none of them, expected linear, marked, wire or table)"),
        ({"outer_diameter": None}, "the spring's own dimensions are needed (got no outer_diameter, "),
        ({"linear": LINE.format(rate='¦"20 kg/mm"', free="90 mm")}, "'kg' is a unit of mass here; write kgf"),
        ({"linear": "¦" + LINE.format(rate='"20 N/mm"', free="66 mm")}, "the spring is not pressed when installed"),
        ({"marked": "¦" + MARKS.format("480 N", "")}, "the load must rise"),
        ({"marked": "¦" + MARKS.format("960 N", "")}, "one marked length alone"),
        ({"marked": "¦" + MARKS.format("960 N", ', full_shift_length: "67 mm"')}, "must be shorter at full shift"),
        (
            {"marked": MARKS.format("900 N", ', full_shift_length: "42 mm"')},
            "linear and marked disagree (got 960 N and 900 N",
        ),
        ({"table": ROWS.format("42 mm", "900 N")}, "linear and table disagree"),
        ({"table": ROWS.format("67 mm", "960 N")}, "table out of order (got 960 N at 67 mm after 480 N at 66 mm"),
        ({"table": ROWS.format("42 mm", "480 N")}, "expected falling lengths with rising loads"),
        ({"table": '¦[{length: "66 mm", load: "480 N"}]'}, "table: too few entries (got a list of 1"),
    ],
    "driven_springs": [
        ({"kind": "¦conical"}, "not one of the choices (got conical, expected 'compression' or 'torsion')"),
        ({"kind": "compression", "torsion_rate": '"0.1 N m/deg"'}, "a compression spring is not wound"),
        ({"torsion_rate": '"0.9 N m/deg"'}, "torsion_rate and wire disagree"),
        ({"torsion_rate": '¦"0.1 N m"'}, "not of torsion spring rate"),
        ({"solid_length": '"40 mm"'}, "solid_length and wire disagree (got 40 mm, expected 30 mm from the wire)"),
        ({"outer_diameter": '"74 mm"'}, "outer_diameter and wire disagree (got 74 mm, expected 69 mm"),
        ({"free_length": '"30 mm"'}, "wire: free length is below the solid length (got 30 mm, expected above 30 mm)"),
        ({"total_coils": "3"}, "fewer coils in all than active ones"),
        ({"mean_diameter": '"10 mm"'}, "the coil is too tight for its wire"),
        ({"material": "¦chrome-silicone"}, "did you mean 'chrome-silicon'?"),
        ({"active_coils": "¦0"}, "0 is not above 0"),
        ({"diameter": None}, "wire.diameter: required key missing"),
    ],
    "flyweights": [
        ({"count": "¦1"}, "too small (got 1, expected at least 2)"),
        ({"count": "¦3.5"}, "not a whole number (got 3.5, "),
        ({"[32, -15]": "@[30, -15]"}, "does not lie further along the arm than the one before (got 30 after 30"),
        ({"[32, -15]": "@[32, ¦wide]"}, "profile.points[2][1]: not a number (got wide, "),
        ({"[32, -15]": "@[32, ¦1e308]"}, "profile.points[2][1]: too large (got 1e+308, expected at most 10000.0)"),
        ({"[32, -15]": "@[32, ¦-1e308]"}, "profile.points[2][1]: too small (got -1e+308, "),
        ({"[32, -15]": "@¦[32]"}, "profile.points[2]: too few entries"),
        ({"[32, -15]": None}, "profile.points: too few entries (got a list of 3, expected at least 4)"),
        ({"unit": "¦cm"}, "not one of the choices (got cm, expected 'mm' or 'in')"),
        ({"body": None}, "an arm is given by its geometry or by a thrust table (got "),
        ({"thrust": BENCH.format("9 mm", '"3 N"', "tip")}, "or by a thrust table (got "),
        (
            NO_FACE | {"thrust": BENCH.format("9 mm", '"3 N", "4 N"', "tip")},
            "bare has not one value a travel (got 4 values, expected 3",
        ),
        (NO_FACE | {"thrust": BENCH.format("26 mm", '"3 N"', "tip")}, "travel out of order"),
        (NO_FACE | {"thrust": BENCH.format("9 mm", '"3 N"', "mid")}, "no thrust per mass for station tip"),
        ({"body": '¦{mass: "64 g", along: "35 mm"}'}, "mass and centre are needed, or its outline (got mass, along, "),
        (
            {"body": "¦{}"},
            "mass and centre are needed, or its outline (got neither, expected mass, along and across, or",
        ),
        ({"body": "¦" + ARM.format('density: "7850 kg/m^3"')}, "or its outline (got mass, along, across, density, "),
        ({"body": "¦" + ARM.format('gyration: "40 mm", length: "60 mm"')}, "two ways to say how the mass is spread"),
        ({"body": ARM.format('gyration: ¦"30 mm"')}, "gyration: the radius of gyration is below the distance of the "),
        ({"body": ARM.format('gyration: ¦["35 mm", "9 mm"]')}, "(got 35 mm, expected at least 35.5106 mm)"),
        ({"body": ARM.format('gyration: ¦["40 mm", "9 mm", "9 mm"]')}, "gyration: too many entries (got a list of 3"),
        ({"body": ARM.format('gyration: ¦"40 g"')}, "gyration: 'g' is a unit of mass, not of length"),
        ({"body": ARM.format('gyration: ["40 mm", ¦"9 g"]')}, "gyration[1]: 'g' is a unit of mass, not of length"),
        (
            {"body": ARM.format('pendulum: ¦"0.37 s"')},
            "pendulum: no arm with its centre so far from the pivot swings so",
        ),
        ({"body": ARM.format('pendulum: ¦"40 s"')}, "pendulum: 40 s is not at most 10 s"),
        ({"body": ARM.replace("35", "0").replace("-6", "0").format('pendulum: ¦"0.4 s"')}, "pivot does not swing"),
        ({"body": PLATE.format("[0, 0], [60, 0], [0, 20], [60, 20]")}, "body.outline.points: the outline meets itself"),
        ({"body": PLATE.format("[0, 0], [60, 0]")}, "body.outline.points: too few entries"),
        ({"body": PLATE.format("[0, 0], [60, 0], [60, 0.00000001]")}, "area of the outline"),
        (
            {
                "body": "¦"
                + PLATE.replace("¦", "").replace("}}, th", '}}, along: "9 mm", th').format("[0, 0], [60, 0], [60, 9]")
            },
            "an outline says this by itself (got along, expected outline alone)",
        ),
        (
            {
                "body": "¦"
                + PLATE.replace("¦", "").replace("}}, th", '}}, mass: "9 g", th').format("[0, 0], [60, 0], [60, 9]")
            },
            "the weight of the outlined arm is needed once (got mass, thickness, density, ",
        ),
        (
            {"body": "¦{outline: {unit: mm, points: [[0, 0], [60, 0], [60, 9]]}}"},
            "the weight of the outlined arm is needed once (got neither, expected mass, or thickness and density)",
        ),
        ({"tip": '@¦tip: {along: "54 mm", across: "-14 mm", seat: "m5"}'}, "stations.tip.depth: required key missing"),
        (
            {"tip": '@tip: {along: "54 mm", across: "-14 mm", seat: "m5", depth: "16 mm", lies: ¦up}'},
            "stations.tip.lies: not one of the choices (got up, expected 'pin', 'along' or 'across')",
        ),
        ({"tip": '@¦toe: {along: "54 mm", across: "-14 mm", seat: "m5", depth: "16 mm"}'}, "stations.toe: not one of"),
    ],
    "helices": [
        ({"ramp": STEPS.format("9 mm", "38 deg")}, "a helix has one angle or a ramp (got both, "),
        ({"angle": None}, "a helix has one angle or a ramp (got neither, "),
        ({"angle": '¦"95 deg"'}, "95 deg is not below 90 deg"),
        ({"angle": None, "ramp": STEPS.format("9 mm", "0 deg")}, "angle: 0 deg is not above 0 deg"),
        ({"angle": None, "ramp": STEPS.format("0 mm", "38 deg")}, "ramp out of order"),
        (
            {"angle": None, "ramp": '¦[{travel: "9 mm", angle: "40 deg"}]'},
            "too few entries (got a list of 1, expected at least 2)",
        ),
        ({"twist_range": '["10 deg", "60 deg"]'}, "two ways of twist"),
        ({"twist_steps": None, "twist_range": '["60 deg", "10 deg"]'}, "twist range is empty"),
        ({"twist_steps": '["20 deg", ¦"40 mm"]'}, "twist_steps[1]: 'mm' is a unit of length, not of angle"),
        ({"twist_range": '¦["10 deg"]'}, "too few entries"),
        ({"twist_steps": None, "twist_range": '["0 deg", ¦"6e31 deg"]'}, "is not at most 1080 deg (got 6e31 deg"),
        ({"twist_steps": '["20 deg", ¦"1081 deg"]'}, "1081 deg is not at most 1080 deg"),
    ],
    "belts": [
        ({"friction": "¦1.6"}, "1.6 is not at most 1.5"),
        ({"friction": "¦.inf"}, "not a finite number (got .inf, "),
        ({"half_angle": '¦"50 deg"'}, "50 deg is not at most 45 deg"),
        ({"max_tension": '¦"4.4 kg"'}, "'kg' is not a unit of force"),
        ({"bending": '¦"1.2e30 N m"'}, "1.2e+30 N m is not at most 100 N m"),
        ({"wedging": '¦"30 %"'}, "0.3 is not below 0.2"),
    ],
}


@pytest.mark.parametrize(("family", "edits", "words"), [(f, *case) for f, cases in FAULTS.items() for case in cases])
def test_a_fault_is_named_with_its_place(family: str, edits: Edits, words: str, add_part: AddPart) -> None:
    added = add_part(family, edits)
    (problem,) = part_problems(added.file)
    path = f"parts[{added.number}]"
    assert problem.path.startswith(path)
    assert all(part in str(problem) for part in words.replace("#", str(added.number)).split(" … "))
    assert problem.column > 0
    if added.marks:
        assert [(problem.line, problem.column)] == added.marks
    else:
        assert problem.line >= added.first_line


INSIDE: list[tuple[str, Edits]] = [
    ("flyweights", {"[32, -15]": "@¦[30, -15]"}),
    ("flyweights", NO_FACE | {"thrust": BENCH.replace("bare: ", "bare: ¦").format("9 mm", '"3 N", "4 N"', "tip")}),
    ("drive_springs", {"table": '[{length: "66 mm", load: "480 N"},\n      ¦{length: "67 mm", load: "960 N"}]'}),
    (
        "helices",
        {"angle": None, "ramp": '[{travel: "9 mm", angle: "40 deg"},\n      ¦{travel: "9 mm", angle: "38 deg"}]'},
    ),
    ("helices", {"twist_steps": None, "twist_range": '¦["60 deg", "10 deg"]'}),
]


@pytest.mark.parametrize(("family", "edits"), INSIDE)
def test_a_fault_inside_a_list_is_placed_at_its_entry(family: str, edits: Edits, add_part: AddPart) -> None:
    added = add_part(family, edits)
    (problem,) = part_problems(added.file)
    assert (problem.line, problem.column) == added.marks[0]


def test_a_quoted_number_without_unit_is_told_to_take_a_unit(add_part: AddPart) -> None:
    (problem,) = part_problems(add_part("masses", {"mass": '"6"'}).file)
    assert "unit missing (got 6" in str(problem)
    assert problem.hint == "write for example '54 g'"


IMPOSSIBLE = [  # half a geometry, a twist below zero, a spring inside out, one shorter free than solid
    (
        "flyweights",
        NO_FACE | {"body": BODY, "thrust": BENCH.format("9 mm", '"3 N"', "tip")},
    ),
    ("helices", {"twist_steps": '["-20 deg", "20 deg"]'}),
    ("drive_springs", {"inner_diameter": '"69 mm"'}),
    ("drive_springs", {"linear": LINE.format(rate='"20 N/mm"', free="28 mm").replace("66 mm", "27 mm")}),
]


@pytest.mark.parametrize(("family", "edits"), IMPOSSIBLE)
def test_a_part_that_cannot_be_is_refused(family: str, edits: Edits, add_part: AddPart) -> None:
    assert len(part_problems(add_part(family, edits).file)) == 1


def test_all_faults_of_a_file_are_named_at_once(add_part: AddPart) -> None:
    # The first mark is for the seat that is missing.
    edits = {"id": "@¦id: ¦probe", "price": "¦10", "stock": "¦-1", "seat": '@¦seet: "m5"', "mass": "¦6"}
    added = add_part("masses", edits)
    assert [(p.line, p.column) for p in part_problems(added.file)] == added.marks


def test_a_key_given_twice_does_not_hide_other_faults(add_part: AddPart) -> None:
    added = add_part("masses", {"stock": "¦-1\n    ¦stock: 2", "mass": "¦6"})
    assert [(p.line, p.column) for p in part_problems(added.file)] == added.marks


def test_faults_of_several_files_are_named_at_once(add_part: AddPart) -> None:
    added = [add_part(family, {"stock": "¦-1"}) for family in PROBES]
    with pytest.raises(InputError) as caught:
        read_shelf([added[0].file.parent])
    named = {(p.file, p.line, p.column) for p in caught.value.problems}
    assert named == {(str(a.file), *a.marks[0]) for a in added}


# ---- ids and files ----


def test_an_id_that_stands_twice_is_named_with_both_places(add_part: AddPart) -> None:
    first, second = add_part("belts", {"id": '¦"probe"'}), add_part("masses", {"id": '¦"probe"'})
    with pytest.raises(InputError) as caught:
        read_shelf([second.file.parent])
    places = [":".join(map(str, (added.file, *added.marks[0]))) for added in (first, second)]
    assert str(caught.value).startswith(f"{places[1]}: parts[{second.number}].id: id stands already at {places[0]}")


def test_the_word_for_an_empty_station_is_no_id(add_part: AddPart) -> None:
    added = add_part("masses", {"id": '¦"empty"'})
    with pytest.raises(InputError) as caught:
        read_shelf([added.file])
    (problem,) = caught.value.problems
    assert (problem.line, problem.column, problem.message) == (*added.marks[0], "this id is reserved")


def test_the_first_price_in_another_currency_is_named_with_its_place(add_part: AddPart) -> None:
    first = add_part("helices", {"price": '¦"10.00 CHF"'})
    other = add_part("masses", {"id": '"probe-two"', "price": '¦"11.00 CHF"'})
    with pytest.raises(InputError) as caught:
        read_shelf([first.file.parent])
    assert [(p.file, p.line, p.column) for p in caught.value.problems] == [
        (str(added.file), *added.marks[0]) for added in (first, other)
    ]
    assert "prices in several currencies (got 10.00 CHF, expected EUR as at " in str(caught.value)
