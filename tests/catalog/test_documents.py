"""Strict YAML: each trap refused with its place, by both parsers alike."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import RootModel
from yaml_files import INDICATORS, Read, refused

from catalog import documents
from catalog.errors import InputError
from catalog.reading import Document, Quoted, read_document, validate

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
        (b"a: 1\nb: \xff", "job.yaml:2:4: not UTF-8 text: bad byte 0xff"),
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


def test_alias_bomb_is_refused(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "MAX_NODES", 50_000)
    nine = "".join(
        f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n" for old, new in zip("abcdefgh", "bcdefghi", strict=True)
    )
    (found,) = refused(lambda: read("a: &a [x]\n" + nine))
    assert "aliases expand to more than 50,000 values" in found


def test_merge_bomb_is_refused(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "MAX_NODES", 50_000)
    ten = "".join(
        f"{new}: &{new} {{<<: [{','.join([f'*{old}'] * 10)}]}}\n"
        for old, new in zip("abcdefgh", "bcdefghi", strict=True)
    )
    (found,) = refused(lambda: read("a: &a {x: 1}\n" + ten))
    assert "aliases expand to more than 50,000 values" in found


LONG = "x" * 60_000
COSTLY = {  # 80 to 160 kB each; the first two took 45 s and more
    "long text": (f'a: &a "{LONG}"\nb: [{",".join(["*a"] * 30_000)}]\n', "aliases expand to more than 4,194,304 char"),
    "small merged into large": (
        "a: &a {" + ",".join(f"k{n}: 1" for n in range(6_000)) + "}\nb: &b {z: 1}\n"
        "c: {<<: [*a," + ",".join(["*b"] * 20_000) + "]}\n",
        "",
    ),
    "large merged": (
        "a: &a {" + ",".join(f"k{n}: 1" for n in range(6_000)) + "}\nc: {<<: [" + ",".join(["*a"] * 20_000) + "]}\n",
        "aliases expand to more than 500,000 values",
    ),
    "twice merged": (
        "a: &a {" + ",".join(["k: 1"] * 400) + "}\nc: {<<: [" + ",".join(["*a"] * 20_000) + "]}\n",
        "key given twice",
    ),
}


@pytest.mark.parametrize("kind", COSTLY)
def test_the_work_of_aliases_is_bounded(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "costly.yaml"
    text, words = COSTLY[kind]
    path.write_text(text, encoding="utf-8")
    start = time.process_time()
    if words:
        problems = refused(lambda: read_document(path))
        assert words in problems[-1]
        assert len(problems) <= 501
    else:
        assert len(read_document(path).data["c"]) == 6_001
    assert time.process_time() - start < 20  # a guard against hanging, which it did for 45 s: no measurement


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            "a: 1\nb: \tc\n",
            "job.yaml:2:4: a file of 1,0.. characters is read by libyaml only, which may read this sign",
        ),
        ("a: 1\nb: c: d\n", "job.yaml:2:5: unexpected colon"),
        ("a: 1\nb: \x07\n", "job.yaml:2:4: unprintable character"),
        ("a: [1\nb: 2\n", "job.yaml:2:2: "),
    ],
)
@pytest.mark.skipif(not yaml.__with_libyaml__, reason="PyYAML stands without libyaml here")
def test_a_long_file_is_left_to_the_fast_parser(
    text: str, problem: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(documents, "MAX_CAREFUL", 1000)
    monkeypatch.setattr(documents, "_Loader", None)
    path = tmp_path / "job.yaml"
    path.write_text(text + "#" * 1000, encoding="utf-8")
    (found,) = refused(lambda: read_document(path))
    assert re.match(problem, found)
    path.write_text("#\n" * 1000, encoding="utf-8")
    assert read_document(path).data is None


def test_a_long_file_needs_the_fast_parser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "MAX_CAREFUL", 10)
    monkeypatch.setattr(yaml, "__with_libyaml__", False)
    (tmp_path / "job.yaml").write_text("a: 1\nb: 2\nc: 3\n", encoding="utf-8")
    (found,) = refused(lambda: read_document(tmp_path / "job.yaml"))
    assert "is read by libyaml only, and it is not installed" in found


def test_signs_inside_quotes_on_a_line_of_their_own_do_not_slow_the_reading() -> None:
    assert documents._by_libyaml('parts:\n  - description: "best!"\n    source: "who? | # [a: ]"\n') is not None
    assert documents._by_libyaml("parts:\n  - description: best!\n") is None


def test_too_many_values_and_too_many_bytes_are_refused(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "MAX_NODES", 100)
    (found,) = refused(lambda: read("[" + "1," * 200 + "]"))
    assert "more than 500,000 values" in found
    (found,) = refused(lambda: read(b"#" * (4 * 1024 * 1024 + 1)))
    assert found == "job.yaml: file is larger than 4 MB; split it"


def test_aliases_and_merge_keys_within_bounds_work(read: Read) -> None:
    document = read("a: &a {p: 1, q: 2}\nb: &b {q: 7, r: 8}\nc: {<<: [*a, *b], p: 3}\nd: *a\n'<<': 4\n")
    assert document.data["c"] == {"p": 3, "q": 2, "r": 8}
    assert document.data["d"] == {"p": 1, "q": 2}
    assert document.data["<<"] == 4
    assert document.place(("c", "r")) == (2, 17)


def test_unreadable_path_is_a_problem_of_the_file(tmp_path: Path) -> None:
    assert refused(lambda: read_document(tmp_path))[0].startswith(f"{tmp_path.name}: this is a directory, not a file")
    assert refused(lambda: read_document(tmp_path / "gone.yaml")) == ["gone.yaml: file not found; check the path"]
    assert "cannot be read" in refused(lambda: read_document("a\0b"))[0]


# ---- random files ----

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


QUOTED_LINES = st.lists(
    st.sampled_from(['a: "b!"\n', '  - c: "? d"\n', '"', "'", "\n", "|\n", "e: ", "[", "]", "- ", "#", "\\", ": ]"]),
    max_size=10,
).map("".join)


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=INDICATORS | pieces_of_the_demo() | QUOTED_LINES)
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
