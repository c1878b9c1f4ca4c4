"""Reading a dyno curve from CSV: a header with units, then speed and torque or power."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np

from catalog.errors import InputError, Problem, QuantityError
from catalog.quantities import to_si
from solver.engine import EngineCurve

__all__ = ["read_dyno"]

_COLUMNS = {"speed": "rad/s", "torque": "N m", "power": "W"}
_LEAST_POINTS = 5


def read_dyno(path: Path) -> EngineCurve:
    """Read a full-throttle curve.

    The header names the columns with their units, `speed (rpm),torque (N m)` or `speed (rpm),power (kW)`.
    Empty lines and lines that start with # are passed over.

    Parameters
    ----------
    path : Path

    Returns
    -------
    EngineCurve

    Raises
    ------
    InputError
        With every problem of the file.
    """
    problems: list[Problem] = []

    def problem(line: int, column: int, name: str, message: str, **facts: str) -> None:
        problems.append(Problem(str(path), line, column, name, message, **facts))

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise InputError(
            [
                Problem(
                    str(path), 0, 0, "", f"cannot read the dyno curve: {why}", hint="check engine.curve of the machine."
                )
            ]
        ) from None
    reader = csv.reader(text.splitlines())
    lines: list[tuple[int, list[str]]] = []
    try:
        last = 0
        for row in reader:
            if row and not row[0].startswith("#"):
                lines.append((last + 1, row))
            last = reader.line_num
    except csv.Error as error:
        raise InputError([Problem(str(path), reader.line_num, 1, "", f"not a CSV line: {error}")]) from None
    if not lines:
        raise InputError(
            [Problem(str(path), 0, 0, "", "the file holds no header", expected="speed (rpm),torque (N m)")]
        )

    names, units = [], []
    head_line, head = lines[0]
    for number, cell in enumerate(head, 1):
        found = re.fullmatch(r"\s*(\w+)\s*[(\[]([^)\]]+)[)\]]\s*", cell)
        if found is None or found[1].lower() not in _COLUMNS:
            problem(
                head_line, number, "header", "unknown column or no unit",
                got=repr(cell), expected="speed (rpm), and torque (N m) or power (kW)",
            )  # fmt: skip
            continue
        names.append(found[1].lower())
        units.append(found[2])
    if not problems and (sorted(names) not in (["speed", "torque"], ["power", "speed"])):
        problem(
            head_line, 1, "header", "columns missing", got=", ".join(names), expected="speed and one of torque, power"
        )
    if problems:
        raise InputError(problems)

    rows: list[dict[str, float]] = []
    for line, row in lines[1:]:
        if len(row) != len(names):
            problem(line, 1, "row", "wrong number of values", got=str(len(row)), expected=str(len(names)))
            continue
        values: dict[str, float] = {}
        for number, (name, unit, cell) in enumerate(zip(names, units, row, strict=True), 1):
            try:
                value = to_si(f"{cell.strip()} {unit}", _COLUMNS[name])
            except QuantityError as error:
                problem(line, number, name, error.message, got=repr(cell), expected=error.expected, hint=error.hint)
                continue
            if value <= 0:
                problem(line, number, name, "must be above zero", got=cell.strip())
            values[name] = value
        if rows and "speed" in values and "speed" in rows[-1] and values["speed"] <= rows[-1]["speed"]:
            problem(
                line, 1 + names.index("speed"), "speed", "speeds must rise from line to line",
                got=row[names.index("speed")], expected="more than the line before", hint="sort the file by speed.",
            )  # fmt: skip
        rows.append(values)
    if len(rows) < _LEAST_POINTS:
        problem(
            lines[-1][0],
            1,
            "",
            "the curve is too short",
            got=f"{len(rows)} points",
            expected=f"{_LEAST_POINTS} or more",
        )
    if problems:
        raise InputError(problems)
    speed = np.array([row["speed"] for row in rows])
    torque = np.array([row["torque"] if "torque" in row else row["power"] / row["speed"] for row in rows])
    return EngineCurve(speed, torque)
