"""`kitwright compare`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from search.commands.options import Format, FormatOption, JobArgument, print_csv, print_json, warn, warnings_of

if TYPE_CHECKING:
    from rich.console import Console

    from catalog.job import Job
    from search.curve import MarginLimit
    from search.score import Score

__all__ = ["register"]

_KITS_A_TABLE = 4

_HELP = """Put kits side by side: parts, terms and what breaks.

Each KIT is a rank in this job, parts as slot=id,slot=id, "fitted", or a kit file. Parts that differ are marked *.

\b
Examples:
  kitwright compare my-shop/job.yaml fitted 1 2
  kitwright compare my-shop/job.yaml fitted kits/kit-01.yaml --format csv
"""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("compare", help=_HELP)(compare_command)


def compare_command(
    job_file: JobArgument,
    kit_names: Annotated[list[str], typer.Argument(help="Two or more kits.", metavar="KIT KIT...")],
    output: FormatOption = Format.table,
) -> None:
    """Parse, score, render."""
    from catalog import load_job
    from catalog.errors import InputError, Problem
    from search.curve import margin_of
    from search.kitfile import find_kit
    from search.ranking import rank
    from search.score import score_kit
    from search.screen import page
    from search.terms import TERMS, UNITS

    if not 2 <= len(kit_names) <= 26:
        raise InputError([Problem("KIT", 0, 0, "", "cannot be compared", str(len(kit_names)), "2 to 26 kits")])
    job = load_job(job_file)
    warn(job)
    ranks = [int(name) for name in kit_names if re.fullmatch("[0-9]{1,6}", name)]
    known = {k.rank: k.kit for k in rank(job, top=max(ranks)).kits} if max(ranks, default=0) else {}
    scores = [score_kit(job, find_kit(job, name, known)) for name in kit_names]
    limits = [margin_of(job, score.kit) if score.terms else None for score in scores]
    rows: list[dict[str, Any]] = [
        {
            "kit": name,
            **score.kit.words(),
            "buildable": score.buildable,
            "score": score.score if score.buildable else None,
            **{term: score.terms.get(term) for term in TERMS},
            "belt_margin_limit": limit.limit if limit else None,
            "broken": "; ".join(f"{rule}: {reason}" for rule, reason in score.failures.items()),
        }
        for name, score, limit in zip(kit_names, scores, limits, strict=True)
    ]
    if output is Format.json:
        told = {"assumed": list(job.assumed), "warnings": warnings_of(job)}
        print_json({"kits": rows, "units": UNITS, "inputs": job.hashes, **told})
        return
    if output is Format.csv:
        print_csv(rows)
        return
    with page() as out:
        _show(out, job, kit_names, scores, limits)


def _show(
    out: Console, job: Job, names: Sequence[str], scores: Sequence[Score], limits: Sequence[MarginLimit | None]
) -> None:
    from catalog.slots import SLOTS
    from search.screen import CAUTION, number, plain_table
    from search.terms import TERMS

    words = [score.kit.words() for score in scores]
    letters = [chr(ord("A") + n) for n in range(len(scores))]
    for letter, name in zip(letters, names, strict=True):
        out.print(f"{letter}: {name}")
    for start in range(0, len(scores), _KITS_A_TABLE):
        chosen = slice(start, start + _KITS_A_TABLE)
        table = plain_table("", *letters[chosen], left=())
        table.columns[0].justify = "left"
        for slot in SLOTS:
            mark = "*" if len({word[slot] for word in words}) > 1 else " "
            table.add_row(f"{slot.replace('_', ' ')} {mark}", *(word[slot] for word in words[chosen]))
        table.add_row()
        table.add_row("score", *(number(s.score, 3) if s.buildable else "not ok" for s in scores[chosen]), style="bold")
        for name, term in TERMS.items():
            unit = job.currency if name == "cost" else term.unit
            values = (number(s.terms[name], term.digits) if name in s.terms else "–" for s in scores[chosen])
            table.add_row(term.label + (f", {unit}" if unit else ""), *values)
            if name == "belt_margin":
                table.add_row("  set by", *(limit.limit if limit else "–" for limit in limits[chosen]))
        out.print()
        out.print(table)
    for letter, score in zip(letters, scores, strict=True):
        for reason in score.failures.values():
            out.print(f"{letter} breaks a rule: {reason}")
    out.print()
    out.print(CAUTION)
