"""The strict reader: each YAML trap refused with its place, each model fault in plain words."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import Field, RootModel, ValidationError, model_validator

from catalog import documents
from catalog.quantities import Force, Fraction, Length, Mass, Number, refusal, to_si
from catalog.reading import Document, Id, Quoted, Strict, Text, problems_of, read_document, validate
from solver.errors import InputError

Read = Callable[[str | bytes], Document]


@pytest.fixture(params=["libyaml", "python"])
def read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Read:
    if request.param == "python":
        monkeypatch.setattr(documents, "_by_libyaml", lambda text: None)

    def write_and_read(text: str | bytes) -> Document:
        path = tmp_path / "job.yaml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_document(path)

    return write_and_read


def refused(call: Callable[[], Any]) -> list[str]:
    """The problems of an InputError, without the file's folder."""
    with pytest.raises(InputError) as caught:
        call()
    return [str(p).removeprefix(str(Path(p.file).parent)).lstrip("/") for p in caught.value.problems]


# ---- scalars ----


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5", 5),
        ("-5", -5),
        ("+5", 5),
        ("0", 0),
        ("9" * 30, int("9" * 30)),
        ("1.5", 1.5),
        ("1e3", 1000.0),
        ("1E-3", 0.001),
        (".5", 0.5),
        ("5.", 5.0),
        ("true", True),
        ("false", False),
        ("null", None),
        ("~", None),
        ("", None),
        ("60 lbf", "60 lbf"),
    ],
)
def test_plain_scalar_of_one_meaning_is_read(read: Read, text: str, value: object) -> None:
    found = read(f"a: {text}\n").data["a"]
    assert (found, type(found)) == (value, type(value))


@pytest.mark.parametrize(
    "text",
    [
        *("no", "yes", "on", "off", "y", "n", "True", "FALSE", "NULL", "0123", "-07", "00.5", "12:30", "1:30.5"),
        *("0x1F", "0o17", "0b11", "1_000", "2024-01-01", ".inf", "-.Inf", ".nan", "1e999", "9" * 400, "1.2.3", "--5"),
    ],
)
def test_scalar_that_readers_disagree_on_stays_text(read: Read, text: str) -> None:
    found = read(f"a: {text}\n").data["a"]
    assert (found, type(found)) == (text, str)


@pytest.mark.parametrize("text", ["'5'", '"5"', "|-\n  5", ">-\n  5"])
def test_quotes_and_blocks_make_quoted_text(read: Read, text: str) -> None:
    found = read(f"a: {text}\n").data["a"]
    assert (found, type(found)) == ("5", Quoted)


def test_empty_file_is_no_data(read: Read) -> None:
    assert read("").data is None
    assert read("# only words\n").data is None
    assert read("\ufeffa: 1\n").data == {"a": 1}


# ---- structure ----


def test_place_of_value_key_and_nearest_parent(read: Read) -> None:
    document = read("a: 1\nparts:\n  - rate: 5\n    load: 6\n")
    assert document.place(()) == (1, 1)
    assert document.place(("a",)) == (1, 4)
    assert document.place(("a",), key=True) == (1, 1)
    assert document.place(("parts",), key=True) == (2, 1)
    assert document.place(("parts", 0, "load")) == (4, 11)
    assert document.place(("parts", 0, "load"), key=True) == (4, 5)
    assert document.place(("parts", 0, "gone", "deeper")) == (3, 5)
    assert Document(Path("x"), None, {}).place(("a",)) == (0, 0)


def test_every_duplicate_key_is_reported_with_both_places(read: Read) -> None:
    document = read('a: 1\nb:\n  - c: 1\n    "c": 2\na: 3\n')  # does not stop here, so that all problems come at once
    assert refused(lambda: validate(document, RootModel[Any])) == [
        "job.yaml:4:5: b[0].c: key given twice; first at line 3, column 5",
        "job.yaml:5:1: a: key given twice; first at line 1, column 1",
    ]


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("a:\n\t- 1", "job.yaml:2:1: tab where YAML wants spaces; indent with spaces"),
        ("a: b: c", "job.yaml:1:5: unexpected colon; check the indentation, or put the text in quotes"),
        ("a: 1\nb\nc: 2", "job.yaml:3:1: key without a colon"),
        ("a: *x", "job.yaml:1:4: alias without an anchor"),
        ("a: &x 1\nb: &x 2", "job.yaml:2:4: anchor defined twice"),
        ("a: 1\n---\nb: 2", "job.yaml:2:1: more than one document"),
        ("a: 'x", "job.yaml:1:6: text ends inside quotes or brackets"),
        ("a: [1, 2", "job.yaml:1:9: the structure breaks off here"),
        ("a:\n  b: 1\n c: 2", "job.yaml:3:2: the structure breaks off here"),
        ("a: @x", "job.yaml:1:4: a text cannot start with this character"),
        ("a: !!python/object:os.system x", "job.yaml:1:4: a: tags (!) are not allowed"),
        ("a: !!str 5", "job.yaml:1:4: a: tags (!) are not allowed"),
        ("a: !own [1]", "job.yaml:1:4: a: tags (!) are not allowed"),
        ("a: !e!x 1", "job.yaml:1:4: tags (!) are not allowed"),
        ("? [1]\n: 2", "job.yaml:1:3: a key must be plain text"),
        ("a: {!own b: 1}", "job.yaml:1:5: a: a key must be plain text"),
        ("<<: 3", "job.yaml:1:5: <<: a merge key takes a mapping"),
        ('a: "\\ud800"', "job.yaml:1:4: a: text holds half a character"),
        ('a: "\\UFFFFFFFF"', "job.yaml:1:7: not valid YAML: number or escape out of range"),
        ("%YAML 3.0\n---\na", "job.yaml:1:1: not valid YAML: found incompatible"),
        ("b: 1\na: \x07", "job.yaml:2:4: unprintable character"),
        (b"a: 1\nb: \xff", "job.yaml: not UTF-8 text: bad byte in line 2"),
        ("[" * 100, "job.yaml:1:41: nested more than 40 levels deep"),
        ("- " * 100, "job.yaml:1:81: nested more than 40 levels deep"),
        ("&x {<<: *x}", "job.yaml:1:1: nested more than 40 levels deep; an alias must not contain itself"),
    ],
)
def test_broken_yaml_is_one_problem_with_its_place(read: Read, text: str | bytes, problem: str) -> None:
    (found,) = refused(lambda: read(text))
    assert found.startswith(problem)


def test_alias_inside_itself_is_refused(read: Read) -> None:
    (found,) = refused(lambda: read("a: &x [*x]"))
    assert found.endswith("nested more than 40 levels deep; an alias must not contain itself")


def test_alias_bomb_is_refused(read: Read) -> None:
    nine = "".join(
        f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n" for old, new in zip("abcdefgh", "bcdefghi", strict=True)
    )
    (found,) = refused(lambda: read("a: &a [x]\n" + nine))
    assert "aliases expand to more than 200000 values" in found


def test_merge_bomb_is_refused(read: Read) -> None:
    ten = "".join(
        f"{new}: &{new} {{<<: [{','.join([f'*{old}'] * 10)}]}}\n"
        for old, new in zip("abcdefgh", "bcdefghi", strict=True)
    )
    (found,) = refused(lambda: read("a: &a {x: 1}\n" + ten))
    assert "aliases expand to more than 200000 values" in found


def test_too_many_values_and_too_many_bytes_are_refused(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "MAX_NODES", 100)
    (found,) = refused(lambda: read("[" + "1," * 200 + "]"))
    assert "more than 200000 values" in found
    (found,) = refused(lambda: read(b"#" * (4 * 1024 * 1024 + 1)))
    assert found == "job.yaml: file is larger than 4 MB; split it"


def test_aliases_and_merge_keys_within_bounds_work(read: Read) -> None:
    document = read("a: &a {p: 1, q: 2}\nb: &b {q: 7, r: 8}\nc: {<<: [*a, *b], p: 3}\nd: *a\n'<<': 4\n")
    assert document.data["c"] == {"p": 3, "q": 2, "r": 8}
    assert document.data["d"] == {"p": 1, "q": 2}
    assert document.data["<<"] == 4
    assert document.place(("c", "r")) == (2, 17)


def test_unreadable_path_is_a_problem_of_the_file(tmp_path: Path) -> None:
    assert refused(lambda: read_document(tmp_path)) == [f"{tmp_path.name}: this is a directory, not a file"]
    assert refused(lambda: read_document(tmp_path / "gone.yaml")) == ["gone.yaml: file not found; check the path"]
    assert "cannot be read" in refused(lambda: read_document("a\0b"))[0]


# ---- random files ----

INDICATORS = st.lists(
    st.sampled_from([*"\n \t-?:,[]{}#&*!|>'\"%@`~<\\=", "a", "0", "1", ": ", "- ", "\n  ", "&a ", "*a", "<<: ", "---"]),
    max_size=40,
).map("".join)


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


DEMO = [path.read_text(encoding="utf-8") for path in sorted(Path(__file__).parents[2].glob("c*/**/*.yaml"))]


@st.composite
def pieces_of_the_demo(draw: st.DrawFn) -> str:
    """A piece of a demo file with a few characters changed."""
    text = draw(st.sampled_from(DEMO))
    start = draw(st.integers(0, len(text)))
    text = text[start : start + draw(st.integers(1, 300))]
    for _ in range(draw(st.integers(0, 3))):
        where = draw(st.integers(0, len(text)))
        text = text[:where] + draw(INDICATORS)[:3] + text[where + draw(st.integers(0, 2)) :]
    return text


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=INDICATORS | pieces_of_the_demo())
def test_both_parsers_read_the_same(tmp_path: Path, text: str) -> None:
    path = tmp_path / "both.yaml"
    path.write_bytes(text.encode())

    def outcome() -> object:
        try:
            document = read_document(path)
        except InputError as error:
            return error.problems
        return repr(document.data), document.places, document.keys, document.faults

    fast = outcome()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(documents, "_by_libyaml", lambda text: None)
        assert outcome() == fast


@pytest.mark.skipif(not yaml.__with_libyaml__, reason="PyYAML stands without libyaml here")
@pytest.mark.parametrize("text", DEMO)
def test_the_demo_is_read_by_libyaml(text: str) -> None:
    assert documents._by_libyaml(text) is not None


def test_files_are_read_without_libyaml_too(tmp_path: Path) -> None:
    (tmp_path / "plain.yaml").write_text("a: [1, '2']")
    code = "import sys; sys.modules['yaml._yaml'] = None; from catalog.documents import read_document as read; "
    code += "import yaml; assert not yaml.__with_libyaml__; print(read(sys.argv[1]).data)"
    ran = subprocess.run([sys.executable, "-c", code, tmp_path / "plain.yaml"], capture_output=True, text=True)
    assert ran.stdout == "{'a': [1, '2']}\n"


TEXTS = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "Z", "S")), max_size=10)
NUMBERS = st.integers(-(10**17), 10**17) | st.floats(allow_nan=False, allow_infinity=False)
JSON_LIKE = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text("abc", min_size=1), inner, max_size=4),
    max_leaves=15,
)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=JSON_LIKE)
def test_data_written_as_json_reads_back(tmp_path: Path, data: Any) -> None:
    path = tmp_path / "back.yaml"
    path.write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
    assert _same(read_document(path).data, data)


def _same(found: Any, data: Any) -> bool:
    if isinstance(data, dict):
        return found.keys() == data.keys() and all(_same(found[k], v) for k, v in data.items())
    if isinstance(data, list):
        return len(found) == len(data) and all(map(_same, found, data))
    return bool(found == data) and isinstance(found, bool) == isinstance(data, bool)


# ---- models ----


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
        "job.yaml: not a mapping (got nothing, expected keys with values)"
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
        Coil(kind="coil", id="c", mean_diameter="5 mm").turns = 3  # type: ignore[arg-type,misc]
