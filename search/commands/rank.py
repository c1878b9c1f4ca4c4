"""`kitwright rank`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from search.commands.options import (
    Format,
    FormatOption,
    JobArgument,
    pairs,
    print_csv,
    print_json,
    progress,
    report_empty,
)

if TYPE_CHECKING:
    from catalog.job import Job
    from search.ranking import Ranking
    from search.score import Score

__all__ = ["register"]

_HELP = """Rank the kits that can be built from the catalogue, best first.

The ranking is exact: it equals scoring every kit one by one. Lower scores are better.

\b
Examples:
  kitwright rank my-shop/job.yaml
  kitwright rank my-shop/job.yaml --lock-fitted --lock helix=any --lock twist=any
  kitwright rank my-shop/job.yaml --max-changes 3 --budget 150 --in-stock
  kitwright rank my-shop/job.yaml --lock helix=ramp-40,ramp-42 --lock "twist=10 deg..40 deg"
  kitwright rank my-shop/job.yaml --weight spring_loss=2 --pareto --format json
"""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("rank", help=_HELP)(rank_command)


def rank_command(
    job_file: JobArgument,
    top: Annotated[int, typer.Option("--top", help="Kits to list.")] = 10,
    lock: Annotated[
        list[str] | None,
        typer.Option(
            "--lock", help="slot=id, slot=id,id or slot=any; twist takes angles, a range, none.", metavar="SLOT=IDS"
        ),
    ] = None,
    lock_fitted: Annotated[
        bool, typer.Option("--lock-fitted", help="Keep what is fitted in every slot that no --lock names.")
    ] = False,
    max_changes: Annotated[
        int | None, typer.Option("--max-changes", help="Most slots that may differ from the fitted kit.")
    ] = None,
    budget: Annotated[float | None, typer.Option("--budget", help="Most that new parts may cost.")] = None,
    in_stock: Annotated[bool, typer.Option("--in-stock", help="Only parts in stock or fitted already.")] = False,
    weight: Annotated[
        list[str] | None,
        typer.Option("--weight", help="Points of a term: speed_band, spring_loss, belt_margin.", metavar="TERM=VALUE"),
    ] = None,
    pareto: Annotated[
        bool, typer.Option("--pareto", help="List every kit that no other beats in all three terms.")
    ] = False,
    save: Annotated[
        Path | None, typer.Option("--save", help="Folder to write the listed kits to, one kit file each.")
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Let --save replace kit files.")] = False,
    output: FormatOption = Format.table,
) -> None:
    """Parse, rank, render."""
    from catalog import load_job
    from search.kitfile import kit_file_text, write_text
    from search.kits import fitted_kit
    from search.ranking import rank, request_of
    from search.score import score_kit

    weights = {name: _as_number("--weight", value) for name, value in pairs("--weight", weight or []).items()}
    locks = pairs("--lock", lock or [])
    job = load_job(job_file)
    request = request_of(job, weights=weights, budget=budget, max_changes=max_changes)
    with progress("Ranking") as report:
        ranking = rank(
            job,
            top,
            locks,
            lock_fitted=lock_fitted,
            request=request,
            in_stock=in_stock or None,
            pareto=pareto,
            report=report,
        )
    if save is not None:
        for kit in ranking.kits:
            write_text(save / f"kit-{kit.rank:02d}.yaml", kit_file_text(job, kit, ranking), overwrite=overwrite)
    if output is Format.json:
        print_json(ranking.to_dict())
    elif output is Format.csv:
        print_csv([{"rank": k.rank, "score": k.score, **k.kit.words(), **k.terms} for k in ranking.kits])
    elif ranking.kits:
        _show(job, ranking, score_kit(job, fitted_kit(job), request_of(job, weights=weights)))
    if not ranking.kits:
        report_empty(ranking)


def _as_number(option: str, text: str) -> float:
    from solver.errors import InputError, Problem

    try:
        return float(text)
    except ValueError:
        raise InputError([Problem(option, 0, 0, "", "not a number", repr(text), "a number")]) from None


def _show(job: Job, ranking: Ranking, fitted: Score) -> None:
    from search.screen import CAUTION, console, number, plain_table

    out = console()
    out.print(f"{job.spec.description}: {len(ranking.kits)} kits listed, {ranking.guarantee}.")
    out.print(f"Target {job.target_speed * 9.549297:,.0f} rpm, limit {job.speed_limit * 9.549297:,.0f} rpm.")
    out.print()
    price = next((str(p.price).split()[1] for f in job.shelf.parts.values() for p in f.values() if p.price), "")
    table = plain_table("Rank", "Score", "Band", "High", "Low", "Loss", "Margin", "Engages", "Changes", "Cost", left=())
    table.add_row("", "", "% RMS", "rpm", "rpm", "%", "%", "rpm", "", price, style="dim")

    def row(name: str, score: float, terms: dict[str, float]) -> None:
        table.add_row(
            name, number(score, 3), number(terms["speed_band"]), f"{terms['worst_high']:+.0f}",
            f"{terms['worst_low']:+.0f}", number(terms["spring_loss"]), number(terms["belt_margin"], 1),
            number(terms["engagement"], 0), number(terms["changes"], 0), number(terms["cost"]),
        )  # fmt: skip

    for kit in ranking.kits:
        row(str(kit.rank), kit.score, dict(kit.terms))
    if fitted.buildable:
        row("fitted", fitted.score, dict(fitted.terms))
    out.print(table)
    if not fitted.buildable:
        out.print(f"The fitted kit breaks: {'; '.join(fitted.failures.values())}")
    out.print()
    for kit in ranking.kits:
        words = kit.kit.words()
        twist = words.pop("twist")
        line = ", ".join([*words.values(), f"twist {twist}"])
        out.print(f"{kit.rank:>6}  {line}")
    out.print()
    counts = dict(ranking.counts)
    space, away, scored = counts.pop("space"), counts.pop("bounded_away"), counts.pop("scored")
    out.print(f"Of {space:,} kits {away:,} are proven worse than those listed, {scored:,} were balanced in full.")
    out.print("Left out by rule: " + ", ".join(f"{rule} {count:,}" for rule, count in counts.items() if count) + ".")
    out.print("Assumed: " + "; ".join(ranking.assumed) + ".")
    out.print()
    out.print(CAUTION)
