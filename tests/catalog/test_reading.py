"""Models read from files: each fault in plain words, all at once, with its place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import Field, ValidationError, model_validator
from yaml_files import INDICATORS, Read, refused

from catalog.errors import InputError
from catalog.quantities import Force, Fraction, Length, Mass, Number, refusal, to_si
from catalog.reading import Id, Strict, Text, problems_of, read_document, validate


class Coil(Strict):
    kind: Literal["coil"]
    id: Id
    mean_diameter: Length
    turns: int = 4


class Arm(Strict):
    kind: Literal["arm"]
    id: Id
    mass: Mass
    curve: tuple[float, ...] | Force | Literal["auto"] = "auto"
    closed: bool = False


class Span(Strict):
    low: Number
    high: Number

    @model_validator(mode="after")
    def _rises(self) -> Span:
        if self.low > self.high:
            raise refusal("span is upside down", got=str(self.low), expected="low <= high", at=("low",))
        if self.low == self.high:
            raise ValueError("span is empty")
        return self


class Job(Strict):
    name: Text
    parts: Annotated[tuple[Annotated[Coil | Arm, Field(discriminator="kind")], ...], Field(max_length=9)] = ()
    locks: dict[Id, Fraction] = Field(default_factory=dict)
    masses: dict[Literal["heel", "tip"], Mass] = Field(default_factory=dict)
    spare: Coil | None = None
    either: Coil | Arm | None = None
    span: Span | None = None
    pair: tuple[float, float] | None = None
    material: Literal["music-wire", "oil-tempered"] = "music-wire"
    count: Annotated[int, Field(ge=1, le=9)] = 1
    share: float = 0.5


def problem(read: Read, text: str) -> str:
    (found,) = refused(lambda: validate(read("name: x\n" + text), Job))
    return found


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=200) | INDICATORS.map(str.encode) | st.text(max_size=60).map(lambda t: t.encode()))
def test_random_file_is_read_or_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "random.yaml"
    path.write_bytes(content)
    try:
        validate(read_document(path), Job)
    except InputError as error:
        problems = error.problems
    else:
        return
    assert problems
    assert all(p.line >= 0 and str(p).isprintable() and "pydantic" not in str(p) for p in problems)


def test_good_job_is_read(read: Read) -> None:
    job = validate(
        read(
            """\
            name: no
            parts:
              - {kind: coil, id: "coil-52", mean_diameter: 52 mm, turns: 6}
              - {kind: arm, id: 'arm-1', mass: 54 g, curve: [1, 2.5], closed: true}
              - {kind: arm, id: 'arm-2', mass: 54 g, curve: 60 lbf}
            locks: {"coil-52": 20 %}
            pair: [1, 2]
            material: "oil-tempered"
            share: 1
            """
        ),
        Job,
    )
    assert job.name == "no"
    coil, arm, other = job.parts
    assert isinstance(coil, Coil)
    assert isinstance(arm, Arm)
    assert isinstance(other, Arm)
    assert (coil.id, coil.mean_diameter, coil.turns) == ("coil-52", 0.052, 6)
    assert type(coil.id) is str
    assert (arm.curve, arm.closed) == ((1.0, 2.5), True)
    assert other.curve == to_si("60 lbf", "N")
    assert job.locks == {"coil-52": 0.2}
    assert (job.pair, job.share) == ((1.0, 2.0), 1.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # numbers and truth values
        ("count: 0123", "2:8: count: not a whole number (got 0123, expected a whole number such as 4) leading zeros"),
        ("count: 12:30", "2:8: count: not a whole number (got 12:30, expected a whole number such as 4) 12:30 would"),
        ("count: 0x1F", "2:8: count: not a whole number (got 0x1F, expected a whole number such as 4) 0x1F is text"),
        ("count: 1_000", "2:8: count: not a whole number (got 1_000, expected a whole number such as 4) write the dig"),
        ('count: "5"', '2:8: count: not a whole number (got "5", expected a whole number such as 4) remove the quotes'),
        ("count: 2.0", "2:8: count: not a whole number (got 2.0, expected a whole number such as 4)"),
        ("count: true", "2:8: count: not a whole number (got true, expected a whole number such as 4)"),
        ("count:", "2:7: count: not a whole number (got nothing, expected a whole number such as 4)"),
        ("count: 0", "2:8: count: too small (got 0, expected at least 1)"),
        ("count: 10", "2:8: count: too large (got 10, expected at most 9)"),
        ("share: .inf", "2:8: share: not a number (got .inf, expected a number such as 0.35) only finite numbers"),
        ("share: 2024-01-01", "2:8: share: not a number (got 2024-01-01, expected a number such as 0.35) a date is"),
        ("share: yes", "2:8: share: not a number (got yes, expected a number such as 0.35) `yes` is text here"),
        (
            'parts: [{kind: arm, id: "a", mass: 1 g, closed: no}]',
            "2:49: parts[0].closed: not a truth value (got no, expected true or false) `no` is text here; "
            "a truth value is written false",
        ),
        (
            'parts: [{kind: arm, id: "a", mass: 1 g, closed: 1}]',
            "2:49: parts[0].closed: not a truth value (got 1, expected true or false)",
        ),
        # quantities
        (
            'parts: [{kind: arm, id: "a", mass: 60 lbf}]',
            "2:36: parts[0].mass: 'lbf' is not a unit of mass (got 60 lbf, expected a mass) 'lbf' is a unit of force "
            "here; write lb for mass",
        ),
        ('parts: [{kind: arm, id: "a", mass: 5}]', "2:36: parts[0].mass: unit missing (got 5, expected a mass)"),
        ('parts: [{kind: arm, id: "a", mass: 0 g}]', "2:36: parts[0].mass: 0 g is not above 0 g (got 0 g, expected"),
        # ids and texts
        ("parts: [{kind: arm, id: arm-1, mass: 1 g}]", "2:25: parts[0].id: an id must stand in quotes (got arm-1,"),
        ("parts: [{kind: arm, id: 52, mass: 1 g}]", "2:25: parts[0].id: an id must stand in quotes (got 52,"),
        ('parts: [{kind: arm, id: "Arm 1", mass: 1 g}]', '2:25: parts[0].id: not an id (got "Arm 1", expected'),
        ("locks: {ab: 0.5}", "2:9: locks.ab: an id must stand in quotes (got ab, expected"),
        ('locks: {"ab": 2}', "2:15: locks.ab: 2 is not at most 1 (got 2, expected a plain number at most 1)"),
        ("masses: {heal: 5 g}", "2:10: masses.heal: not one of the choices (got heal, expected 'heel' or 'tip') did"),
        (
            "material: music",
            "2:11: material: not one of the choices (got music, expected 'music-wire' or 'oil-tempered'",
        ),
        # keys and shapes
        ("matterial: music-wire", "2:1: matterial: unknown key; did you mean 'material'?"),
        (
            "zzz: 1",
            "2:1: zzz: unknown key; known keys: name, parts, locks, masses, spare, either, span, pair, material",
        ),
        (
            'spare: {kind: coil, id: "c", mean_diameter: 5 mm, turn: 5}',
            "2:51: spare.turn: unknown key; did you mean 'turns'?",
        ),
        (
            'parts: [{kind: arm, id: "a", mass: 1 g, close: true}]',
            "2:41: parts[0].close: unknown key; did you mean 'closed'?",
        ),
        ('spare:\n  kind: coil\n  id: "c"', "2:1: spare.mean_diameter: required key missing"),
        ('parts:\n  - kind: arm\n    id: "a"', "3:5: parts[0].mass: required key missing"),
        ("spare: 3", "2:8: spare: not a mapping (got 3, expected keys with values)"),
        ("spare: [3]", "2:8: spare: not a mapping (got a list of 1, expected keys with values)"),
        ("parts: {a: 1}", "2:8: parts: not a list (got a mapping of 1, expected a list)"),
        ("parts: []\npair: [1]", "3:7: pair: too few entries"),
        ("pair: [1, 2, 3]", "2:7: pair: too many entries (got a list of 3, expected at most 2)"),
        # alternatives
        ("parts: [{kind: arn}]", "2:16: parts[0].kind: not one of the choices (got arn, expected 'coil', 'arm') did"),
        ('parts: [{id: "a"}]', "2:9: parts[0].kind: required key missing"),
        ('either: {kind: arm, id: "a"}', "2:1: either.mass: required key missing"),
        ('either: {kind: coil, id: "a", mean_diameter: 1 mm, turns: x}', "2:59: either.turns: not a whole number"),
        (
            'parts: [{kind: arm, id: "a", mass: 1 g, curve: 60 lb}]',
            "2:48: parts[0].curve: 'lb' is not a unit of force (got 60 lb, expected a list or a force or 'auto')",
        ),
        (
            'parts: [{kind: arm, id: "a", mass: 1 g, curve: [1, x]}]',
            "2:52: parts[0].curve[1]: not a number (got x, expected a number such as 0.35)",
        ),
        # checks across fields
        ("span: {low: 2, high: 1}", "2:13: span.low: span is upside down (got 2.0, expected low <= high)"),
        ("span: {low: 1, high: 1}", "2:7: span: span is empty"),
    ],
)
def test_model_fault_is_told_in_plain_words(read: Read, text: str, expected: str) -> None:
    found = problem(read, text)
    assert found.startswith(f"job.yaml:{expected}")
    assert "pydantic" not in found
    assert "http" not in found


@pytest.mark.parametrize("name", ["''", '"  "', '"a\\x07b"', '"a\\nb"', '"a\\u2028b"', "x" * 401])
def test_text_is_short_and_without_control_characters(read: Read, name: str) -> None:
    (found,) = refused(lambda: validate(read(f"name: {name}"), Job))
    assert found.startswith("job.yaml:1:7: name: not a short text (got ")
    assert found.isprintable()


@pytest.mark.parametrize("name", ["5", "true", "[a]", "null"])
def test_text_is_text(read: Read, name: str) -> None:
    (found,) = refused(lambda: validate(read(f"name: {name}"), Job))
    assert found.startswith("job.yaml:1:7: name: not text (got ")


def test_all_problems_come_at_once_in_order_of_place(read: Read) -> None:
    text = 'nam: x\ncount: 0\nparts:\n  - kind: coil\n    id: c\n  - {kind: arm, id: "b"}\n'
    assert [found.split(" ")[:2] for found in refused(lambda: validate(read(text), Job))] == [
        ["job.yaml:1:1:", "nam:"],
        ["job.yaml:1:1:", "name:"],
        ["job.yaml:2:8:", "count:"],
        ["job.yaml:4:5:", "parts[0].mean_diameter:"],
        ["job.yaml:5:9:", "parts[0].id:"],
        ["job.yaml:6:5:", "parts[1].mass:"],
    ]


def test_keys_given_twice_and_faults_of_the_model_come_at_once(read: Read) -> None:
    text = "name: x\ncount: 0\nname: y\nzzz: 1\n"
    assert [found.split(" (")[0].split(";")[0] for found in refused(lambda: validate(read(text), Job))] == [
        "job.yaml:2:8: count: too small",
        "job.yaml:3:1: name: key given twice",
        "job.yaml:4:1: zzz: unknown key",
    ]


def test_part_of_a_document_keeps_its_places(read: Read) -> None:
    document = read('jobs:\n  - kind: coil\n    id: "c"\n    mean_diameter: 5\n')
    (found,) = refused(lambda: validate(document, Coil, at=("jobs", 0)))
    assert found.startswith("job.yaml:4:20: jobs[0].mean_diameter: unit missing")
    (found,) = refused(lambda: validate(document, Coil, at=("jobs", 3)))
    assert found == "job.yaml:1:1: jobs[3]: required key missing"


def test_empty_file_is_not_a_mapping(read: Read) -> None:
    assert refused(lambda: validate(read(""), Job)) == [
        "job.yaml:1:1: the file holds nothing (expected keys with values)"
    ]


def test_problems_can_be_collected_without_a_model(read: Read) -> None:
    document = read("nam: x\n")
    with pytest.raises(ValidationError) as caught:
        Job.model_validate(document.data)
    assert [p.message for p in problems_of(document, caught.value)] == ["required key missing", "unknown key"]


def test_context_reaches_the_validators(read: Read) -> None:
    seen: list[Any] = []

    class Asks(Strict):
        a: int

        @model_validator(mode="before")
        @classmethod
        def _look(cls, data: Any, info: Any) -> Any:
            seen.append(dict(info.context))
            return data

    validate(read("a: 1"), Asks, context={"folder": "x"})
    assert seen == [{"yaml": True, "folder": "x"}]


def test_model_made_in_python_takes_plain_ids_but_no_other_scalar_kind() -> None:
    assert Coil(kind="coil", id="c", mean_diameter="5 mm").id == "c"  # type: ignore[arg-type]
    with pytest.raises(ValidationError, match="turns"):
        Coil.model_validate({"kind": "coil", "id": "c", "mean_diameter": "5 mm", "turns": "4"})
    with pytest.raises(ValidationError, match="frozen"):
        Coil(kind="coil", id="c", mean_diameter="5 mm").turns = 3  # type: ignore[arg-type]
