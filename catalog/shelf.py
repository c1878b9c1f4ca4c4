"""The catalogue: all part files of a job, read together, ids unique."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from pydantic import create_model

from catalog.errors import InputError, Problem
from catalog.parts import FAMILIES
from catalog.reading import Document, Strict, read_document, validate
from catalog.slots import EMPTY
from catalog.stock import Part

__all__ = ["DEMO_PARTS", "Shelf", "digest", "read_shelf"]

DEMO_PARTS = Path(str(resources.files("catalog"))) / "parts"


@dataclass(frozen=True)
class Shelf:
    """Parts by family and id.

    Attributes
    ----------
    parts : mapping of family -> mapping of id -> part
        Ids in rising order, so that nothing depends on the order of files.
    files : tuple of Path
    """

    parts: Mapping[str, Mapping[str, Part]]
    files: tuple[Path, ...]

    def family(self, name: str) -> Mapping[str, Part]:
        """Parts of one family by id; empty if the catalogue has none."""
        return self.parts.get(name, {})


@cache
def _file_model(family: str) -> type[Strict]:
    """Model of a catalogue file of one family."""
    fields: dict[str, Any] = {"family": (Literal[family], ...), "parts": (list[FAMILIES[family]], ...)}  # type: ignore[valid-type]
    return create_model(f"File_{family}", __base__=Strict, **fields)


def read_shelf(paths: Iterable[Path]) -> Shelf:
    """Read catalogue files; a folder stands for its *.yaml files.

    Parameters
    ----------
    paths : iterable of Path

    Returns
    -------
    Shelf

    Raises
    ------
    InputError
        With every problem of every file, id clashes included.
    """
    problems: list[Problem] = []
    files: list[Path] = []
    for path in paths:
        found = sorted(path.glob("*.yaml")) if path.is_dir() else [path]
        if not found:
            problems.append(Problem(str(path), 0, 0, "", "no catalogue file in this folder", expected="*.yaml files"))
        files += found
    parts: dict[str, dict[str, Part]] = {}
    seen: dict[str, str] = {}
    for file in files:
        try:
            document, family, read = read_parts(file)
        except InputError as error:
            problems += error.problems
            continue
        for number, part in enumerate(read):
            line, column = document.place(("parts", number, "id"))
            place = f"{file}:{line}:{column}"
            if part.id == EMPTY or part.id in seen:
                message = "this id is reserved" if part.id == EMPTY else f"id stands already at {seen[part.id]}"
                problems.append(
                    Problem(str(file), line, column, f"parts[{number}].id", message, repr(part.id), "an id of its own")
                )
                continue
            seen[part.id] = place
            parts.setdefault(family, {})[part.id] = part
    if problems:
        raise InputError(problems)
    ordered = {family: dict(sorted(parts[family].items())) for family in FAMILIES if family in parts}
    return Shelf(ordered, tuple(files))


def read_parts(file: Path) -> tuple[Document, str, list[Part]]:
    """Read one catalogue file.

    Parameters
    ----------
    file : Path

    Returns
    -------
    (Document, str, list of Part)
        The document, its family and its parts.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    document = read_document(file)
    family = document.data.get("family") if isinstance(document.data, dict) else None
    if family not in FAMILIES:
        line, column = document.place(("family",))
        raise InputError(
            [
                *document.faults,
                Problem(
                    str(file), line, column, "family", "unknown or missing part family",
                    repr(family), ", ".join(FAMILIES),
                )
            ]
        )  # fmt: skip
    model: Any = validate(document, _file_model(str(family)))
    return document, str(family), list(model.parts)


def digest(files: Iterable[Path]) -> str:
    """SHA-256 over the files' contents, first 16 hex digits; the files' order does not matter."""
    parts = sorted(hashlib.sha256(file.read_bytes()).hexdigest() for file in files)
    return hashlib.sha256("".join(parts).encode()).hexdigest()[:16]
