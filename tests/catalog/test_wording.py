"""What is echoed: nothing from outside reaches the terminal as it is, by whatever way."""

from __future__ import annotations

import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from yaml_files import Read, refused

from catalog.dyno import read_dyno
from catalog.errors import InputError, Problem, QuantityError
from catalog.quantities import to_si
from catalog.reading import read_document
from catalog.shelf import read_parts
from catalog.wording import place_after, printable, shown

NASTY = "\x1b[2J\x07\u202e\u2066\u200b\u2028\ud800\x85\xad"


def harmless(text: str) -> bool:
    return not any(unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" for c in text)


def test_every_character_is_printed_or_escaped() -> None:
    everything = printable("".join(map(chr, range(sys.maxunicode + 1))))
    assert harmless("".join(set(everything)))
    assert printable("Größe 42 µm – „weit“ 60° ½") == "Größe 42 µm – „weit“ 60° ½"
    assert printable("a\nb\u202ec") == "a\\nb\\u202ec"


@pytest.mark.parametrize("field", ["file", "path", "message", "got", "expected", "hint"])
def test_no_field_of_a_problem_drives_the_terminal(field: str) -> None:
    facts = {"file": "f", "path": "p", "message": "m", "got": "g", "expected": "e", "hint": "h"} | {field: f"<{NASTY}>"}
    problem = Problem(line=1, column=1, **facts)
    assert harmless(str(problem))
    assert harmless(str(InputError([problem])))
    assert harmless(str(QuantityError(f"m{NASTY}", got=NASTY, expected=NASTY, hint=NASTY)))


@pytest.mark.parametrize(
    "text",
    [
        'family: masses\nparts:\n  - {id: "a", price: "1.00 E\\x1b[31m\\u202e"}\n',
        'family: "\\x1b[31m\\u202e"\n',
        '"\\x1b[31m\\u202e": 1\nfamily: masses\nparts: []\n',
        'family: masses\nparts:\n  - {id: "\\u202e", mass: "3 \\x1b[0m", stock: "\\u2066"}\n',
    ],
)
def test_no_value_of_a_file_drives_the_terminal(text: str, tmp_path: Path) -> None:
    path = tmp_path / "parts.yaml"
    path.write_text(text, encoding="utf-8")
    assert all(harmless(problem) for problem in refused(lambda: read_parts(path)))


def test_no_cell_of_a_curve_drives_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "curve.csv"
    path.write_text("speed\x1b[2J (rpm),torque\u202e (N m)\n", encoding="utf-8")
    assert all(harmless(problem) for problem in refused(lambda: read_dyno(path)))
    path.write_text("speed (rpm),torque (N m)\n1\x1b[2J,2\u202e\n", encoding="utf-8")
    assert all(harmless(problem) for problem in refused(lambda: read_dyno(path)))


def test_no_file_name_drives_the_terminal(tmp_path: Path) -> None:
    assert harmless(str(_error(tmp_path / "a\x1b[2J\u202e.yaml")))


def _error(path: Path) -> InputError:
    with pytest.raises(InputError) as caught:
        read_document(path)
    return caught.value


@given(st.text(max_size=80) | st.binary(max_size=40).map(lambda raw: raw.decode("utf-8", "surrogateescape")))
def test_any_text_is_shown_on_one_harmless_line(text: str) -> None:
    assert harmless(shown(text))
    with pytest.raises(QuantityError) as caught:
        to_si(f"{text}!", "m")  # no unit holds this sign
    assert harmless(str(caught.value))


@given(st.text("ab\r\n", max_size=20))
def test_the_place_after_a_text_is_where_an_editor_would_type_on(text: str) -> None:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    assert place_after(text) == (len(lines), len(lines[-1]) + 1)


def test_a_value_is_shown_short(read: Read) -> None:
    (problem,) = [p for p in refused(lambda: read('a: !x "' + "y" * 5000 + '"')) if "tags" in p]
    assert len(problem) < 200
