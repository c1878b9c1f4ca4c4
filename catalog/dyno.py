"""Reading a dyno curve from CSV: a header with units, then speed and torque or power."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog.errors import InputError, Problem, QuantityError
from catalog.files import FileText, read_text
from catalog.quantities import out_of_range, to_si
from catalog.wording import shown
from solver.engine import EngineCurve

__all__ = ["dyno_curve", "dyno_text", "read_dyno"]

_COLUMNS = {"speed": "rad/s", "torque": "N m", "power": "W"}
_LEAST_POINTS = 5
_MOST_POINTS = 5_000  # a logger's 50 Hz over a pull of 100 s
_MOST_BYTES = 1024 * 1024


def read_dyno(path: Path) -> EngineCurve:
    """Read a full-throttle curve: `dyno_curve` of `dyno_text`.

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
    return dyno_curve(dyno_text(path))


def dyno_text(path: Path) -> FileText:
    """Read the file of a curve, at most 1 MB.

    Parameters
    ----------
    path : Path

    Returns
    -------
    FileText

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        return read_text(path, _MOST_BYTES)
    except InputError as error:
        hint = "check engine.curve of the machine"
        told = [replace(p, message=f"cannot read the dyno curve: {p.message}", hint=hint) for p in error.problems]
        raise InputError(told) from None


def dyno_curve(file: FileText) -> EngineCurve:
    """Make a full-throttle curve of the text of a CSV file.

    The header names the columns with their units, `speed (rpm),torque (N m)` or `speed (rpm),power (kW)`.
    Empty lines and lines that start with # are passed over. A curve has 5 to 5,000 points.

    Parameters
    ----------
    file : FileText

    Returns
    -------
    EngineCurve

    Raises
    ------
    InputError
        With every problem of the file.
    """
    path, text = file.path, file.text
    problems: list[Problem] = []

    def problem(line: int, column: int, name: str, message: str, **facts: str) -> None:
        problems.append(Problem(str(path), line, column, name, message, **facts))

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
            [Problem(str(path), 1, 1, "", "the file holds no header", expected="speed (rpm),torque (N m)")]
        )
    points = len(lines) - 1
    if points > _MOST_POINTS:
        line = lines[_MOST_POINTS + 1][0]
        problem(
            line, 1, "", "the curve is too long", got=f"{points:,} points", expected=f"at most {_MOST_POINTS:,}",
            hint="average neighbouring points.",
        )  # fmt: skip
        raise InputError(problems)

    names, units = [], []
    head_line, head = lines[0]
    for number, cell in enumerate(head, 1):
        found = re.fullmatch(r"\s*(\w+)\s*[(\[]([^)\]]+)[)\]]\s*", cell)
        if found is None or found[1].lower() not in _COLUMNS:
            problem(
                head_line, number, "header", "unknown column or no unit",
                got=_cell(cell), expected="speed (rpm), and torque (N m) or power (kW)",
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
                problem(
                    line, number, name, error.message,
                    got=_cell(cell), expected=error.expected, hint=error.hint,
                )  # fmt: skip
                continue
            far = out_of_range(value, _COLUMNS[name])
            if value <= 0:
                problem(line, number, name, "must be above zero", got=shown(cell.strip()))
            elif far is not None:
                problem(line, number, name, far[0], got=shown(cell.strip()), expected=far[1])
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


def _cell(text: str) -> str:
    return f"'{shown(text) if text else ''}'"
