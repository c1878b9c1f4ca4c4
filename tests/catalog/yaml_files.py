"""What the reader tests share: the type of a reader, texts with marked places, and the problems of a refusal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from catalog.errors import InputError, Problem
from catalog.reading import Document
from catalog.shelf import read_parts

Read = Callable[[str | bytes], Document]
INDICATORS = st.lists(
    st.sampled_from([*"\n \t-?:,[]{}#&*!|>'\"%@`~<\\=", "a", "0", "1", ": ", "- ", "\n  ", "&a ", "*a", "<<: ", "---"]),
    max_size=40,
).map("".join)


def refused(call: Callable[[], Any]) -> list[str]:
    """The problems of an InputError, without the file's folder."""
    with pytest.raises(InputError) as caught:
        call()
    return [str(p).removeprefix(str(Path(p.file).parent)).lstrip("/") for p in caught.value.problems]


def write_marked(file: Path, text: str) -> list[tuple[int, int]]:
    """Write a text without its marks and say where they stood, line and column."""
    places = []
    while (at := text.find("¦")) >= 0:
        places.append((text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)))
        text = text[:at] + text[at + 1 :]
    file.write_text(text, encoding="utf-8")
    return places


def part_problems(file: Path) -> list[Problem]:
    """The problems of a catalogue file, all of which name it."""
    with pytest.raises(InputError) as caught:
        read_parts(file)
    assert {problem.file for problem in caught.value.problems} == {str(file)}
    return list(caught.value.problems)
