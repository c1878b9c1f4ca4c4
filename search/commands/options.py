"""Options and output shared by the commands."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from catalog.errors import InputError, Problem

if TYPE_CHECKING:
    from search.exact.search import Progress
    from search.ranking import Ranking

__all__ = ["Format", "FormatOption", "JobArgument", "pairs", "print_csv", "print_json", "progress", "report_empty"]


class Format(StrEnum):
    """How an answer is printed."""

    table = "table"
    json = "json"
    csv = "csv"


JobArgument = Annotated[str, typer.Argument(help="Job file.", metavar="JOB")]
FormatOption = Annotated[Format, typer.Option("--format", help="How to print the answer.")]


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


def print_json(data: Any) -> None:
    """One JSON object on standard output."""
    json.dump(data, sys.stdout, indent=2, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


def print_csv(rows: Sequence[dict[str, Any]]) -> None:
    """Rows as CSV on standard output."""
    import csv

    writer = csv.DictWriter(sys.stdout, fieldnames=list(rows[0]) if rows else [], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


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
    from search.screen import console

    err = console(stderr=True)
    if ranking.stopped:
        err.print(f"Nothing found: {ranking.guarantee}.")
        raise typer.Exit(130 if ranking.stopped == INTERRUPTED else 1)
    err.print(f"Nothing can be built: {ranking.guarantee}. Left out by")
    for line in ranking.emptied_by:
        err.print(f"  {line}")
    raise typer.Exit(1)
