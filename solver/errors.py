"""The exception tree of kitwright. It stands in the lowest package so that every room can raise from it.

KitwrightError
├── PhysicalRangeError   a number no machine can have: value, unit, limit, input to change
├── QuantityError        a text that is not a number with a fitting unit
└── InputError           problems in files or on the command line, all at once
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

__all__ = [
    "InputError",
    "KitwrightError",
    "PhysicalRangeError",
    "Problem",
    "QuantityError",
    "require",
]


class KitwrightError(Exception):
    """Base of every error that kitwright raises on purpose."""


class PhysicalRangeError(KitwrightError, ValueError):
    """An input outside what the physics allows."""


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
        return f"{self.message} (got {self.got!r}, expected {self.expected}){hint}"


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the input, with its place.

    `line` and `column` count from 1; 0 means the place is the file as a whole.
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
        return f"{place}:{path} {self.message}{bracket}{hint}"


class InputError(KitwrightError):
    """Every problem found in the input, reported together."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.file, p.line, p.column, p.path)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


def require(ok: Any, name: str, value: Any, unit: str, limit: str, change: str = "") -> None:
    """Raise PhysicalRangeError unless `ok` holds everywhere.

    Parameters
    ----------
    ok : bool or array of bool
        The condition, any shape.
    name, unit, limit : str
        What is out of range, its unit, and the limit in words ("> 0").
    value : float or array
        The value tested; the first offender is printed.
    change : str
        The inputs to change, where that is not `name` itself.

    Raises
    ------
    PhysicalRangeError
        Naming input, value, unit and limit.
    """
    import numpy as np  # here, so that asking for help loads no numeric library

    fine = np.asarray(ok)
    if fine.all():
        return
    values, fine = np.broadcast_arrays(np.asarray(value), fine)
    worst = values[~fine].flat[0]
    raise PhysicalRangeError(f"{name} = {worst:.6g} {unit} is outside {limit}; change {change or name}")
