"""`kitwright explain`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from search.commands.options import Format, FormatOption, JobArgument, print_csv, print_json
from search.streams import tell

if TYPE_CHECKING:
    from rich.console import Console

    from catalog.job import Job
    from search.explain import Explanation

__all__ = ["register"]

_GROUNDS_A_TABLE = 5
_STATUS = {
    "below_curve": "engine speed lies below the dyno curve, whose first torque is used",
    "above_curve": "engine speed lies above the dyno curve, whose last torque is used",
    "belt_slides": "the belt slips bodily; the engine speed shown is what the thrusts alone would give",
}
_NO_PART = {"empty": "nothing in this station", "none": "spring not wound"}

_HELP = """Show why a kit scores as it does: shift curve, what each ground sees, what the next parts would change.

KIT is a rank in this job, parts as slot=id,slot=id (what is fitted elsewhere), "fitted", or a kit file.

\b
Examples:
  kitwright explain my-shop/job.yaml 1
  kitwright explain my-shop/job.yaml helix=ramp-40,tip=tip-12-g
  kitwright explain my-shop/job.yaml kits/kit-01.yaml --format json
"""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("explain", help=_HELP)(explain_command)


def explain_command(
    job_file: JobArgument,
    kit_name: Annotated[str, typer.Argument(help="Rank, parts, 'fitted' or kit file.", metavar="KIT")],
    output: FormatOption = Format.table,
) -> None:
    """Parse, explain, render."""
    from catalog import load_job
    from search.explain import explain
    from search.kitfile import find_kit
    from search.screen import page

    job = load_job(job_file)
    facts = explain(job, find_kit(job, kit_name))
    if output is Format.json:
        print_json({**facts.to_dict(), "inputs": job.hashes, "assumed": list(job.assumed)})
    elif output is Format.csv:
        print_csv(_rows(facts))
        for line in _failures(facts):
            tell(line)
    else:
        with page() as out:
            _show(out, job, facts)
    if not facts.score.buildable:
        raise typer.Exit(1)


def _failures(facts: Explanation) -> list[str]:
    """Why a kit cannot be built; nothing where it can."""
    rows = [f"  {rule}: {reason}" for rule, reason in facts.score.failures.items()]
    return ["This kit cannot be built:", *rows] if not facts.score.buildable else []


def _rows(facts: Explanation) -> list[dict[str, Any]]:
    """The shift curve, one row a position, with each ground's mean engine speed where it spends time there."""
    from dataclasses import asdict

    rows = []
    for number, point in enumerate(facts.curve):
        row = asdict(point)
        for ground in facts.grounds:
            row[f"{ground.ground} upshift_rpm"] = ground.upshift_rpm[number] or ""
            row[f"{ground.ground} backshift_rpm"] = ground.backshift_rpm[number] or ""
        rows.append(row)
    return rows


def _show(out: Console, job: Job, facts: Explanation) -> None:
    from search.screen import CAUTION, number

    score = facts.score
    words = facts.kit.words()
    if score.buildable:
        fitted = f", the fitted kit {number(facts.fitted.score, 3)}" if facts.fitted.buildable else ""
        out.print(f"Score {number(score.score, 3)}{fitted} (lower is better)")
    else:
        for line in _failures(facts):
            out.print(line)
    out.print()
    _parts(out, job, words)
    if score.terms:
        _terms(out, job.currency, facts)
    if facts.curve:
        _curve(out, facts)
        _grounds(out, facts)
    if facts.neighbours:
        _neighbours(out, facts)
    out.print()
    out.print(CAUTION)


def _parts(out: Console, job: Job, words: dict[str, str]) -> None:
    from catalog.slots import SLOT_FAMILIES
    from search.screen import plain_table

    table = plain_table("Slot", "Part", "Description", left=(0, 1, 2))
    for slot, name in words.items():
        part = job.shelf.family(SLOT_FAMILIES.get(slot, "")).get(name)
        table.add_row(slot, name, part.description if part else _NO_PART.get(name, ""))
    out.print(table)
    out.print()


def _terms(out: Console, currency: str, facts: Explanation) -> None:
    from search.screen import number, plain_table

    terms, shares, fitted = facts.score.terms, facts.score.shares, facts.fitted.terms
    table = plain_table("Term", "This kit", "Fitted", "", "Points", left=(0, 3))
    rows = [
        ("flatness", "flatness", 2, "% RMS"), ("spring loss", "spring_loss", 2, "% of peak power"),
        ("belt margin", "belt_margin", 1, "%"), ("highest engine speed", "worst_high", 0, "rpm from target"),
        ("lowest engine speed", "worst_low", 0, "rpm from target"), ("engagement", "engagement", 0, "rpm"),
        ("power to the ground", "ground_power", 1, "%"), ("belt life", "belt_life", 2, "x the fitted kit's"),
        ("new parts", "cost", 2, currency),
        ("changed slots", "changes", 0, ""),
    ]  # fmt: skip
    for label, name, digits, unit in rows:
        points = number(shares[name], 3) if name in shares else ""
        mine, theirs = (number(t[name], digits) if name in t else "–" for t in (terms, fitted))
        table.add_row(label, mine, theirs, unit, points)
    out.print(table)
    out.print()


def _curve(out: Console, facts: Explanation) -> None:
    from search.screen import number, plain_table, plot, whole

    last = facts.curve[-1]
    top = last.upshift_rpm / last.upshift_kmh
    beyond = last.upshift_kmh * 1.06
    up_x = [0.0, facts.lock_up_kmh, *(p.upshift_kmh for p in facts.curve), beyond]
    up_y = [facts.stall_rpm, facts.stall_rpm, *(p.upshift_rpm for p in facts.curve), beyond * top]
    back_x = [p.backshift_kmh for p in facts.curve]
    back_y = [p.backshift_rpm for p in facts.curve]
    out.print("Engine speed over road speed at full throttle: u upshift, b backshift, . target")
    lines = plot([("b", back_x, back_y), ("u", up_x, up_y)], [(".", facts.target_rpm)], across="km/h", up="rpm")
    for line in lines:
        out.print(line)
    out.print(
        f"Engages at {number(facts.engagement_rpm, 0)} rpm, {number(facts.engagement_rpm - facts.idle_rpm, 0)} above "
        f"idle; shifts from {number(facts.shift_start_kmh, 0)} to {number(facts.shift_out_kmh, 0)} km/h. Below and "
        f"above, engine speed follows the road. Target {number(facts.target_rpm, 0)}, limit "
        f"{number(facts.limit_rpm, 0)} rpm."
    )
    out.print()
    table = plain_table("Pulling away, rpm", *(number(p.rpm, 0) for p in facts.launch))
    table.add_row("Drive thrust, N", *(number(p.drive_thrust, 0) for p in facts.launch))
    table.add_row("Belt carries, N m", *(number(p.capacity, 0) for p in facts.launch))
    table.add_row("Engine gives, N m", *(number(p.engine_torque, 0) for p in facts.launch))
    out.print(table)
    out.print(
        f"At full throttle the belt slips up to {number(facts.stall_rpm, 0)} rpm, and until the road has caught up at "
        f"{number(facts.lock_up_kmh, 0)} km/h."
    )
    out.print()
    table = plain_table(
        "Shift", "Ratio", "km/h", "Up", "Back", "Drive", "Driven", "Tight", "Slack", "Slip", "Tension", "Loss", left=()
    )
    table.add_row("", "", "", "rpm", "rpm", "N", "N", "N", "N", "%", "%", "kW", style="dim")
    for p in facts.curve:
        table.add_row(
            number(p.position), number(p.ratio), number(p.upshift_kmh, 0), whole(p.upshift_rpm),
            whole(p.backshift_rpm), whole(p.drive_thrust), whole(p.driven_thrust), whole(p.tight_tension),
            whole(p.slack_tension), number(p.slip_reserve, 0), number(p.tension_reserve, 0),
            number(p.belt_loss / 1000),
        )  # fmt: skip
    out.print(table)
    out.print(
        "Drive, Driven: thrust; Tight, Slack: belt tension; Slip, Tension: reserve to slip and to the rated tension."
    )
    for status in sorted({p.status for p in facts.curve} - {"balanced"}):
        where = [p.position for p in facts.curve if p.status == status]
        out.print(f"Shift position {where[0]:.2f} to {where[-1]:.2f}: {_STATUS[status]}.")
    out.print()


def _grounds(out: Console, facts: Explanation) -> None:
    from search.screen import number, plain_table, whole

    table = plain_table("Ground", "Share", "km/h", "Flatness", "Mean", "Lowest", "Highest", "Spins", "Share of it")
    table.add_row("", "%", "", "% RMS", "rpm", "rpm", "rpm", "%", "%", style="dim")
    for g in facts.grounds:
        table.add_row(
            g.ground, number(g.share, 0), f"{whole(g.low_kmh)}–{whole(g.high_kmh)}", number(g.flatness),
            whole(g.mean_rpm), whole(g.lowest_rpm), whole(g.highest_rpm), number(g.traction_limited, 0),
            number(g.share_of_flatness, 0),
        )  # fmt: skip
    out.print(table)
    out.print("Spins: time in which tyres slip before the torque asked for. Share of it: of the flatness squared.")
    out.print()
    for start in range(0, len(facts.grounds), _GROUNDS_A_TABLE):
        shown = facts.grounds[start : start + _GROUNDS_A_TABLE]
        table = plain_table("Shift", "km/h", *(g.ground for g in shown), left=())
        table.add_row("", "", *["up/back"] * len(shown), style="dim")
        for n, point in enumerate(facts.curve):
            cells = [_band(g.upshift_rpm[n], g.backshift_rpm[n]) for g in shown]
            if any(cells):
                table.add_row(number(point.position), number(point.upshift_kmh, 0), *cells)
        out.print(table)
        out.print()


def _band(up: float, back: float) -> str:
    """Engine speeds of both branches; empty where a ground spends no time."""
    from search.screen import whole

    return f"{whole(up) if up else '–'}/{whole(back) if back else '–'}" if up or back else ""


def _neighbours(out: Console, facts: Explanation) -> None:
    from search.screen import number, plain_table, signed

    out.print(
        "One part changed for the next of its kind" + (":" if facts.score.buildable else " (Score: of the kit then):")
    )
    table = plain_table("Slot", "Instead", "Mean", "Flatness", "Loss", "Margin", "Score", left=(0, 1))
    table.add_row("", "", "rpm", "%", "%", "%", "", style="dim")
    for n in facts.neighbours:
        changed = [signed(n.mean_rpm, 0), signed(n.flatness), signed(n.spring_loss), signed(n.belt_margin, 1)]
        table.add_row(
            n.slot, n.instead, *changed, n.broken or (signed if facts.score.buildable else number)(n.score, 3)
        )
    out.print(table)
