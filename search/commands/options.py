"""Options and output shared by the commands."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from enum import StrEnum
from math import isfinite
from typing import TYPE_CHECKING, Annotated, Any

import typer

from catalog.errors import InputError, Problem
from catalog.wording import printable
from search.streams import deliver, tell

if TYPE_CHECKING:
    from catalog.job import Job
    from search.exact.search import Progress
    from search.ranking import Ranking

__all__ = [
    "Format",
    "FormatOption",
    "JobArgument",
    "as_options",
    "pairs",
    "print_csv",
    "print_json",
    "progress",
    "report_empty",
    "warn",
    "warnings_of",
]

_OPTIONS = {  # argument of the library -> option of the command
    "top": "--top", "locks": "--lock", "weights": "--weight", "budget": "--budget", "max_changes": "--max-changes",
    "best_per": "--best-per",
}  # fmt: skip
_FORMULA = tuple("=+-@＝＋－＠")  # begins what a spreadsheet runs; tab and line ends are escaped before


class Format(StrEnum):
    """How an answer is printed."""

    table = "table"
    json = "json"
    csv = "csv"


JobArgument = Annotated[str, typer.Argument(help="Job file.", metavar="JOB")]
FormatOption = Annotated[
    Format,
    typer.Option(
        "--format", help="How to print the answer; in csv, a name that a spreadsheet would run has a ' before it."
    ),
]


def warn(job: Job) -> None:
    """Say on standard error what a job's files ask for and cannot have."""
    for text in warnings_of(job):
        tell(text)


def warnings_of(job: Job) -> list[str]:
    """What a job's files ask for and cannot have, with its place, and what was done instead."""
    return [str(problem) for problem in job.warnings]


def pairs(option: str, texts: Sequence[str]) -> dict[str, str]:
    """Read name=value options.

    Raises
    ------
    InputError
        For a text without "=", or a name given twice.
    """
    found: dict[str, str] = {}
    problems = []
    for text in texts:
        name, equals, value = text.partition("=")
        name = name.strip()
        if not equals or not name or not value.strip():
            problems.append(Problem(option, 0, 0, "", "not a pair", repr(text), "name=value"))
        elif name in found:
            problems.append(Problem(option, 0, 0, name, "given twice", repr(text), "one value, or several with commas"))
        else:
            found[name] = value.strip()
    if problems:
        raise InputError(problems)
    return found


@contextmanager
def as_options() -> Iterator[None]:
    """Name the options where the library blames its arguments."""
    try:
        yield
    except InputError as error:
        raise InputError(
            [p if p.line else replace(p, file=_OPTIONS.get(p.file, p.file)) for p in error.problems]
        ) from None


def print_json(data: Any) -> None:
    """One JSON object on standard output; what does not print plainly stands in it as an escape.

    Raises
    ------
    InputError
        If a number is not finite.
    """
    _require_finite(data)
    text = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False)
    deliver("".join(c if c == "\n" or c.isprintable() else json.dumps(c)[1:-1] for c in text) + "\n")


def print_csv(rows: Sequence[dict[str, Any]]) -> None:
    """Rows as CSV on standard output, their texts inert in a terminal and in a spreadsheet.

    Raises
    ------
    InputError
        If a number is not finite.
    """
    import csv
    import io

    _require_finite(rows)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([_inert(cell) for cell in cells] for cells in (*map(list, rows[:1]), *(r.values() for r in rows)))
    deliver(text.getvalue())


def _inert(cell: Any) -> Any:
    if not isinstance(cell, str):
        return cell
    text = printable(cell)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def _require_finite(data: Any) -> None:
    """Refuse an answer that holds a number which is none."""
    from catalog.documents import path_text

    hint = "an input is out of all proportion: change it; --format table shows the rest of the answer."
    problems = [
        Problem("answer", 0, 0, path_text(place), "not a finite number", str(value), hint=hint)
        for place, value in _numbers(data)
        if not isfinite(value)
    ]
    if problems:
        raise InputError(problems)


def _numbers(data: Any, place: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], float]]:
    if isinstance(data, float):
        yield place, data
    elif isinstance(data, dict):
        for key, value in data.items():
            yield from _numbers(value, (*place, key))
    elif isinstance(data, (list, tuple)):
        for number, value in enumerate(data):
            yield from _numbers(value, (*place, number))


@contextmanager
def progress(label: str) -> Iterator[Callable[[Progress], None]]:
    """A progress bar on standard error, with bound and best score so far; shown only on a terminal."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich import progress as bars

    from search.screen import console

    columns = (bars.TextColumn("{task.description}", markup=False), bars.BarColumn(), bars.TimeElapsedColumn())
    with bars.Progress(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"{label}: working out both sides", total=None)

        def show(now: Progress) -> None:
            best = "none yet" if now.best == float("inf") else f"{now.best:.3f}"
            words = f"{label}: best {best}, no other below {now.bound:.3f}"
            bar.update(task, description=words, total=1.0, completed=now.settled)

        yield show


def report_empty(ranking: Ranking) -> None:
    """Say on standard error which rules left nothing, or why nothing was found; end with exit code 1, or 130."""
    from search.exact.search import INTERRUPTED

    if ranking.stopped:
        tell(f"Nothing found: {ranking.guarantee}.")
        raise typer.Exit(130 if ranking.stopped == INTERRUPTED else 1)
    tell(f"Nothing can be built: {ranking.guarantee}. Left out by")
    for line in ranking.emptied_by:
        tell(f"  {line}")
    raise typer.Exit(1)
