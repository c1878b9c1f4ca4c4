"""Catalogue files as wholes: family, limits, order, hashes."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
from yaml_files import part_problems, write_marked

from catalog import shelf
from catalog.errors import InputError
from catalog.shelf import DEMO_PARTS, digest, read_shelf


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "family: ¦pulleys\nparts: []\n",
            "family: unknown or missing part family (got 'pulleys', expected drive_springs, ",
        ),
        ("¦parts: []\n", "family: unknown or missing part family (got nothing"),
        ("¦family: masses\n", "parts: required key missing"),
        ("family: masses\nparts: []\n¦note: 3\n", "note: unknown key … known keys: family, parts"),
        ("family: masses\nparts: []\n¦family: belts\n", "family: key given twice … first at line 1, column 1"),
        ("¦[]\n", "unknown or missing part family"),
        (
            "family: ¦[helices]\nparts: []\n",
            "unknown or missing part family (got a list of 1, expected drive_springs, ",
        ),
        ("family: ¦{helices: 1}\nparts: []\n", "unknown or missing part family (got a mapping of 1"),
        ("family: ¦3\nparts: []\n", "unknown or missing part family (got 3"),
        ("family: masses\nparts: ¦3\n", "parts: not a list (got 3, expected a list)"),
        ("family: masses\nparts: [¦3]\n", "parts[0]: not a mapping (got 3, expected keys with values)"),
    ],
)
def test_a_file_says_its_family_and_its_parts(text: str, words: str, tmp_path: Path) -> None:
    marks = write_marked(tmp_path / "parts.yaml", text)
    (problem,) = part_problems(tmp_path / "parts.yaml")
    assert all(part in str(problem) for part in words.split(" … "))
    assert [(problem.line, problem.column)] == marks


def test_a_folder_without_files_and_a_missing_file_are_named(tmp_path: Path) -> None:
    (tmp_path / "bare").mkdir()
    with pytest.raises(InputError) as caught:
        read_shelf([tmp_path / "bare", tmp_path / "none.yaml"])
    assert [p.message for p in caught.value.problems] == ["no catalogue file in this folder", "file not found"]


def test_nothing_depends_on_the_order_of_files() -> None:
    files = sorted(DEMO_PARTS.glob("*.yaml"))
    one, other = read_shelf(files), read_shelf(files[::-1])
    assert [(f, list(p)) for f, p in one.parts.items()] == [(f, list(p)) for f, p in other.parts.items()]
    assert all(list(parts) == sorted(parts) for parts in one.parts.values())
    assert read_shelf([DEMO_PARTS]).parts == one.parts


def test_a_file_of_faults_ends_after_the_first_few_hundred(tmp_path: Path) -> None:
    path = tmp_path / "masses.yaml"
    path.write_text("family: masses\nparts:\n" + "  - {id: x}\n" * 5_000, encoding="utf-8")
    problems = part_problems(path)
    assert 500 < len(problems) < 520
    assert "further parts were not looked at" in problems[-1].message


def test_a_catalogue_of_too_many_parts_is_refused_with_their_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shelf, "MOST_PARTS", 20)
    with pytest.raises(
        InputError, match=r"too many parts in the catalogue \(got [0-9]+ up to this file, expected at m"
    ):
        read_shelf([DEMO_PARTS])


def test_the_hash_of_a_catalogue_is_that_of_what_was_read(tmp_path: Path) -> None:
    file = tmp_path / "masses.yaml"
    file.write_text("family: masses\nparts: []\n", encoding="utf-8")
    read = read_shelf([tmp_path])
    file.unlink()
    assert len(digest(read.hashes)) == 16
    assert digest(["b", "a"]) == digest(["a", "b"]) != digest(["a"])


def test_a_folder_that_cannot_be_read_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(_: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", forbidden)  # whoever runs the tests may be allowed to read everything
    with pytest.raises(InputError, match="cannot be read: Permission denied; check the permissions of this folder"):
        read_shelf([tmp_path])
