"""The catalogue: all part files of a job, read together, ids unique."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

from catalog.errors import InputError, Problem
from catalog.files import is_folder
from catalog.parts import FAMILIES
from catalog.patience import look
from catalog.reading import MOST_FAULTS, Document, Strict, Text, read_document, validate
from catalog.slots import EMPTY
from catalog.stock import Part
from catalog.wording import shown

__all__ = ["DEMO_PARTS", "MOST_PARTS", "Shelf", "digest", "read_parts", "read_shelf"]

MOST_PARTS = 100_000
DEMO_PARTS = Path(str(resources.files("catalog"))) / "parts"


@dataclass(frozen=True)
class Shelf:
    """Parts by family and id.

    Attributes
    ----------
    parts : mapping of family -> mapping of id -> part
        Ids in rising order, so that nothing depends on the order of files.
    files : tuple of Path
    hashes : tuple of str
        SHA-256 of what was read of each file.
    folders : tuple of Path
        Of which every *.yaml file was read.
    """

    parts: Mapping[str, Mapping[str, Part]]
    files: tuple[Path, ...]
    hashes: tuple[str, ...] = ()
    folders: tuple[Path, ...] = ()

    def family(self, name: str) -> Mapping[str, Part]:
        """Parts of one family by id; empty if the catalogue has none."""
        return self.parts.get(name, {})


class PartsFile(Strict):
    """A catalogue file; each part is validated by itself, so that a file of faults ends after the first few hundred."""

    family: Text
    parts: list[Any]


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
    folders: list[Path] = []
    for path in paths:
        found = [path]
        if is_folder(path):
            folders.append(path)
            try:
                found = sorted(file for file in path.iterdir() if file.match("*.yaml"))
            except OSError as error:
                message, hint = f"cannot be read: {error.strerror or error}", "check the permissions of this folder."
                problems.append(Problem(str(path), 0, 0, "", message, hint=hint))
                continue
        if not found:
            problems.append(Problem(str(path), 0, 0, "", "no catalogue file in this folder", expected="*.yaml files"))
        files += found
    parts: dict[str, dict[str, Part]] = {}
    seen: dict[str, str] = {}
    hashes: list[str] = []
    first: tuple[str, str] | None = None
    count = 0
    for file in files:
        try:
            document, family, read = read_parts(file)
        except InputError as error:
            problems += error.problems
            continue
        hashes.append(document.sha256)
        count += len(read)
        if count > MOST_PARTS:
            message, got = "too many parts in the catalogue", f"{count:,} up to this file"
            problems.append(
                Problem(str(file), 1, 1, "", message, got, f"at most {MOST_PARTS:,}", "name fewer files or folders.")
            )
            break
        first, differing = _other_currency(document, read, first)
        problems += differing
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
    return Shelf(ordered, tuple(files), tuple(hashes), tuple(folders))


def _other_currency(
    document: Document, parts: Sequence[Part], first: tuple[str, str] | None
) -> tuple[tuple[str, str] | None, list[Problem]]:
    """The first price's currency and place, and a problem where a file first differs from it."""
    for number, part in enumerate(parts):
        if part.price is None:
            continue
        file = str(document.path)
        line, column = document.place(("parts", number, "price"))
        first = first or (part.price.currency, f"{file}:{line}:{column}")
        if part.price.currency != first[0]:
            message, want = "prices in several currencies", f"{first[0]} as at {first[1]}"
            return first, [Problem(file, line, column, f"parts[{number}].price", message, str(part.price), want)]
    return first, []


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
    if not isinstance(family, str) or family not in FAMILIES:
        line, column = document.place(("family",))
        raise InputError(
            [
                *document.faults,
                Problem(
                    str(file), line, column, "family", "unknown or missing part family",
                    repr(shown(family)) if isinstance(family, str) else shown(family), ", ".join(FAMILIES),
                )
            ]
        )  # fmt: skip
    problems: list[Problem] = []
    try:
        count = len(validate(document, PartsFile).parts)
    except InputError as error:
        problems += error.problems
        listed = document.data.get("parts")
        count = len(listed) if isinstance(listed, list) else 0
    told = replace(document, faults=())
    parts: list[Part] = []
    for number in range(count):
        look()
        try:
            parts.append(validate(told, FAMILIES[family], at=("parts", number)))
        except InputError as error:
            problems += error.problems
        if len(problems) > MOST_FAULTS and number + 1 < count:
            line, column = document.place(("parts", number + 1))
            message = f"{count - 1 - number:,} further parts were not looked at"
            problems.append(Problem(str(file), line, column, "parts", message, hint="correct those above first."))
            break
    if problems:
        raise InputError(problems)
    return document, family, parts


def digest(hashes: Iterable[str]) -> str:
    """SHA-256 over the hashes of files as they were read, first 16 hex digits; the files' order does not matter."""
    return hashlib.sha256("".join(sorted(hashes)).encode()).hexdigest()[:16]
