"""What is wrong with texts and files, with the place of each fault.

KitwrightError (solver.errors)
├── QuantityError   a text that is not a number with a fitting unit
└── InputError      problems in files, in options or in arguments, all at once
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from catalog.wording import printable
from solver.errors import KitwrightError

__all__ = ["InputError", "Problem", "QuantityError"]


class QuantityError(KitwrightError, ValueError):
    """A text that cannot be read as a quantity; carries what was got, what was expected, and a hint."""

    def __init__(self, message: str, *, got: object, expected: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.got = got
        self.expected = expected
        self.hint = hint

    def __str__(self) -> str:
        hint = f" {self.hint}" if self.hint else ""
        return printable(f"{self.message} (got {self.got!r}, expected {self.expected}){hint}")


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the input, with its place.

    `line` and `column` count from 1; 0 means the place is the file as a whole. The fields may quote the input as it is:
    printing neutralises what could drive a terminal.
    """

    file: str
    line: int
    column: int
    path: str
    message: str
    got: str = ""
    expected: str = ""
    hint: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        path = f" {self.path}:" if self.path else ""
        facts = [f"got {self.got}"] if self.got else []
        facts += [f"expected {self.expected}"] if self.expected else []
        bracket = f" ({', '.join(facts)})" if facts else ""
        hint = (f" {self.hint}" if bracket else f"; {self.hint}") if self.hint else ""
        return printable(f"{place}:{path} {self.message}{bracket}{hint}")


class InputError(KitwrightError):
    """Every problem found in the input, reported together."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.file, p.line, p.column, p.path)))
        super().__init__("\n".join(str(problem) for problem in self.problems))
