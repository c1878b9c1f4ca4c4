"""`kitwright rank`."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from search.commands.options import (
    Format,
    FormatOption,
    JobArgument,
    as_options,
    pairs,
    print_csv,
    print_json,
    progress,
    report_empty,
    warn,
)
from search.streams import tell

if TYPE_CHECKING:
    from rich.console import Console

    from catalog.job import Job
    from search.ranking import Ranking
    from search.score import Score

__all__ = ["register"]

_HELP = """Rank the kits that can be built from the catalogue, best first.

The ranking is exact: it equals scoring every kit one by one. Lower scores are better. Ctrl-C and --time-limit
end the search early; then the best kits seen so far are listed as not proven, with what may have been missed.

\b
Examples:
  kitwright rank my-shop/job.yaml
  kitwright rank my-shop/job.yaml --lock-fitted --lock helix=any --lock twist=any
  kitwright rank my-shop/job.yaml --max-changes 3 --budget 150 --in-stock
  kitwright rank my-shop/job.yaml --lock helix=ramp-40,ramp-42 --lock "twist=10 deg..40 deg"
  kitwright rank my-shop/job.yaml --weight spring_loss=2 --pareto --format json
  kitwright rank my-shop/job.yaml --best-per helix
"""


class Method(StrEnum):
    """How the space is searched."""

    bounds = "bounds"
    plain = "plain"


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("rank", help=_HELP)(rank_command)


def rank_command(
    context: typer.Context,
    job_file: JobArgument,
    top: Annotated[int, typer.Option("--top", help="Kits to list; not with --pareto or --best-per.")] = 10,
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
    budget: Annotated[
        str | None, typer.Option("--budget", help="Most that new parts may cost: 150 or '150 EUR'.", metavar="AMOUNT")
    ] = None,
    in_stock: Annotated[bool, typer.Option("--in-stock", help="Only parts in stock or fitted already.")] = False,
    weight: Annotated[
        list[str] | None,
        typer.Option("--weight", help="Points of a term: flatness, spring_loss, belt_margin.", metavar="TERM=VALUE"),
    ] = None,
    pareto: Annotated[
        bool, typer.Option("--pareto", help="List every kit that no other beats in all three terms.")
    ] = False,
    best_per: Annotated[
        str | None,
        typer.Option("--best-per", help="List the best kit for each option of a slot, such as helix.", metavar="SLOT"),
    ] = None,
    method: Annotated[
        Method,
        typer.Option("--method", help="bounds proves most kits worse; plain balances every kit: same answer, slow."),
    ] = Method.bounds,
    time_limit: Annotated[
        float | None,
        typer.Option("--time-limit", help="Stop so long after the start of the command.", metavar="SECONDS"),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option("--save", help="Folder to write the listed kits to, one kit file each.", metavar="DIR"),
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Let --save replace kit files that kitwright wrote.")
    ] = False,
    output: FormatOption = Format.table,
) -> None:
    """Parse, rank, render."""
    from catalog import load_job
    from catalog.errors import InputError
    from catalog.patience import looking
    from search.exact.watch import INTERRUPTED, TimeUpError, Watch
    from search.kitfile import check_folder, save_kits
    from search.ranking import rank, request_of
    from search.score import score_kit
    from search.screen import page
    from search.space import fitted_kit

    weights = {name: _as_number("--weight", value) for name, value in pairs("--weight", weight or []).items()}
    locks = pairs("--lock", lock or [])
    watch_from = context.obj if isinstance(context.obj, float) else time.monotonic()
    watch = Watch(seconds=_seconds(time_limit), start=watch_from)
    try:
        with looking(watch.check):
            job = load_job(job_file)
    except TimeUpError:
        tell("Nothing found: the time was up while the files were read.")
        raise typer.Exit(1) from None
    warn(job)
    with as_options():
        request = request_of(job, weights=weights, budget=_budget(job, budget), max_changes=max_changes)
    if save is not None:
        check_folder(job, save, most=1 if pareto or best_per else top, overwrite=overwrite)
    narrowed = bool(
        lock or lock_fitted or weight or pareto or best_per or in_stock or budget or max_changes is not None
    )
    with _interruptible(), as_options(), progress("Ranking") as report:
        ranking = rank(
            job,
            top,
            locks,
            lock_fitted=lock_fitted,
            request=request,
            in_stock=in_stock or None,
            pareto=pareto,
            best_per=best_per,
            plain=method is Method.plain,
            watch=replace(watch, report=report),
        )
    unsaved: InputError | None = None
    if save is not None:
        try:
            save_kits(job, ranking, save, overwrite=overwrite)
        except InputError as error:  # the answer has taken its time: it is shown all the same
            unsaved = error
    if output is Format.json:
        print_json(ranking.to_dict())
    elif output is Format.csv:
        print_csv([{"rank": k.rank, "score": k.score, **k.kit.words(), **k.terms} for k in ranking.kits])
    elif ranking.kits:
        fitted = score_kit(job, fitted_kit(job), request_of(job, weights=weights))
        with page() as out:
            _show(out, job, ranking, fitted, narrowed)
    if unsaved is not None:
        raise unsaved
    if not ranking.kits:
        report_empty(ranking)
    if ranking.stopped == INTERRUPTED:
        raise typer.Exit(130)


def _seconds(limit: float | None) -> float:
    from catalog.errors import InputError, Problem

    if limit is None:
        return float("inf")
    if not limit > 0:
        raise InputError([Problem("--time-limit", 0, 0, "", "out of range", str(limit), "seconds, above 0")])
    return limit


def _as_number(option: str, text: str) -> float:
    from catalog.errors import InputError, Problem

    try:
        return float(text)
    except ValueError:
        raise InputError([Problem(option, 0, 0, "", "not a number", repr(text), "a number")]) from None


def _budget(job: Job, text: str | None) -> float | None:
    """An amount, with or without the catalogue's currency."""
    from catalog.errors import InputError, Problem

    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([A-Z]{3})?\s*", text)
    if found is None:
        raise InputError([Problem("--budget", 0, 0, "", "not an amount", repr(text), "150, or '150 EUR'")])
    if found[2] and found[2] != job.currency:
        raise InputError([Problem("--budget", 0, 0, "", "not the catalogue's currency", repr(text), job.currency)])
    return float(found[1])


@contextmanager
def _interruptible() -> Iterator[None]:
    """Ctrl-C ends the search with a word about it."""
    try:
        yield
    except KeyboardInterrupt:
        tell("Interrupted before the search was finished: nothing is ranked or saved.")
        raise typer.Exit(130) from None


def _show(out: Console, job: Job, ranking: Ranking, fitted: Score, narrowed: bool) -> None:
    from catalog.quantities import TO_RPM
    from catalog.slots import BELT, SLOTS
    from search.screen import CAUTION, count, number, plain_table, signed

    out.print(f"{job.spec.description}: {count(len(ranking.kits), 'kit')} listed, {ranking.guarantee}.")
    drivetrain = job.drivetrain
    target, limit = (float(speed) * TO_RPM for speed in (drivetrain.target_speed, drivetrain.speed_limit))
    out.print(f"Target {target:,.0f} rpm, limit {limit:,.0f} rpm.")
    out.print()
    headings = "Rank", "Score", "Flatness", "High", "Low", "Loss", "Margin", "Engages", "Changes", "Cost"
    table = plain_table(*headings, left=())
    table.add_row("", "", "% RMS", "rpm", "rpm", "%", "%", "rpm", "", job.currency, style="dim")

    def row(name: str, score: str, terms: Mapping[str, float], unpriced: bool) -> None:
        table.add_row(
            name, score, number(terms["flatness"]), signed(terms["worst_high"], 0), signed(terms["worst_low"], 0),
            number(terms["spring_loss"]), number(terms["belt_margin"], 1), number(terms["engagement"], 0),
            number(terms["changes"], 0), ("> " if unpriced else "") + number(terms["cost"]),
        )  # fmt: skip

    for kit in ranking.kits:
        row(str(kit.rank), number(kit.score, 3), kit.terms, kit.unpriced)
    if fitted.terms:
        row("fitted", number(fitted.score, 3) if fitted.buildable else "not ok", fitted.terms, False)
    out.print(table)
    for reason in fitted.failures.values():
        out.print(f"The fitted kit breaks a rule: {reason}")
    out.print()
    fitted_belt = job.spec.belt
    shown = [slot for slot in SLOTS if slot != BELT or any(kit.parts[BELT] != fitted_belt for kit in ranking.kits)]
    parts = plain_table("Rank", ", ".join(slot.replace("_", " ") for slot in shown), left=(1,))
    for kit in ranking.kits:
        words = kit.kit.words()
        parts.add_row(str(kit.rank), ", ".join(words[slot] for slot in shown))
    out.print(parts)
    if narrowed:
        out.print()
        out.print("These ranks are of this request alone: use --save, or name a kit by its parts, to explain one.")
    out.print()
    counts = dict(ranking.counts)
    space, away, scored = counts.pop("space"), counts.pop("bounded_away"), counts.pop("scored")
    unsettled = counts.pop("unsettled")
    out.print(
        f"Of {space:,} kits {away:,} are proven worse by bounds, {scored:,} others were balanced in full"
        + (f", {unsettled:,} are not settled." if unsettled else ".")
    )
    out.print("Left out by rule: " + ", ".join(f"{rule} {left:,}" for rule, left in counts.items() if left) + ".")
    out.print("Assumed: " + "; ".join(ranking.assumed) + ".")
    out.print()
    out.print(CAUTION)
