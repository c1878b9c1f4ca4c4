"""`kitwright explain`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from search.commands.options import Format, FormatOption, JobArgument, print_csv, print_json, warn, warnings_of
from search.streams import tell

if TYPE_CHECKING:
    from rich.console import Console

    from catalog.job import Job
    from search.explain import Explanation
    from search.grounds import StartFacts

__all__ = ["register"]

_GROUNDS_A_TABLE = 5
_PLOT, _PLOT_LABELS = 60, 9  # cells of the plot, and those its labels take
_STATUS = {
    "below_curve": "engine speed lies below the dyno curve, whose first torque is used",
    "above_curve": "engine speed lies above the dyno curve, whose last torque is used",
    "belt_slides": "the belt slips bodily; the engine speed shown is what the thrusts alone would give",
}
_LIMITING = {
    "drive sheave": "the drive sheave, on which the belt would slip first",
    "driven sheave": "the driven sheave, on which the belt would slip first",
    "tension": "the belt's rated tension",
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
    warn(job)
    facts = explain(job, find_kit(job, kit_name))
    if output is Format.json:
        print_json(
            {**facts.to_dict(), "inputs": job.hashes, "assumed": list(job.assumed), "warnings": warnings_of(job)}
        )
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
        ("power to the ground", "ground_power", 1, "% of what is asked"),
        ("belt temperature", "belt_temperature", 0, "degC on the hottest ground"),
        ("belt life", "belt_life", 2, "x the fitted kit's"),
        ("new parts", "cost", 2, currency),
        ("changed slots", "changes", 0, ""),
    ]  # fmt: skip
    for label, name, digits, unit in rows:
        points = number(shares[name], 3) if name in shares else ""
        mine, theirs = (number(t[name], digits) if name in t else "–" for t in (terms, fitted))
        table.add_row(label, mine, theirs, unit, points)
    out.print(table)
    if facts.margin is not None:
        margin = facts.margin
        where = f"shift position {margin.position:.2f}, {margin.branch}, {' and '.join(margin.grounds)}"
        out.print(f"The belt margin is set by {_LIMITING[margin.limit]}: {where}.")
    if facts.springs is not None:
        springs = facts.springs
        out.print(
            f"Springs: the belt loses {number(springs.belt / 1000)} kW at the tensions that they make, "
            f"{number(springs.least / 1000)} kW at the least that hold with the wanted margin; load changes rub away "
            f"{number(springs.friction)} W more by their forces."
        )
    out.print()


def _curve(out: Console, facts: Explanation) -> None:
    from search.screen import number, plain_table, plot, whole

    last, start = facts.curve[-1], facts.starts[0]
    top = last.upshift_rpm / last.upshift_kmh
    beyond = last.upshift_kmh * 1.06
    slipping = min(start.take_up_rpm or facts.limit_rpm, facts.limit_rpm)
    locked = start.lock_up_kmh or 0.0
    up_x = [0.0, locked, *(p.upshift_kmh for p in facts.curve if p.upshift_kmh > locked), beyond]
    up_y = [slipping, slipping, *(p.upshift_rpm for p in facts.curve if p.upshift_kmh > locked), beyond * top]
    back_x = [p.backshift_kmh for p in facts.curve]
    back_y = [p.backshift_rpm for p in facts.curve]
    out.print("Engine speed over road speed at full torque: u upshift, b backshift, . target")
    width = min(_PLOT, out.width - _PLOT_LABELS)
    curves = [("b", back_x, back_y), ("u", up_x, up_y)]
    lines = plot(curves, [(".", facts.target_rpm)], width=width, across="km/h", up="rpm")
    for line in lines:
        out.print(line)
    out.print(
        f"Engages at {number(facts.engagement_rpm, 0)} rpm, {number(facts.engagement_rpm - facts.idle_rpm, 0)} above "
        f"idle; shifts from {number(facts.shift_start_kmh, 0)} to {number(facts.shift_out_kmh, 0)} km/h. Below and "
        f"above, engine speed follows the road. Target {number(facts.target_rpm, 0)}, limit "
        f"{number(facts.limit_rpm, 0)} rpm."
    )
    out.print()
    _starts(out, facts)
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
        "Drive, Driven: thrust of the parts; Tight, Slack: belt tension; Slip, Tension: reserve to slip and to the "
        "rated tension at full torque of the target speed, the lesser of both branches. The belt margin counts only "
        "where grounds ask for it, and so may be larger."
    )
    if len(facts.ranges) > 1:
        out.print(f"km/h beside a shift position: in range {facts.ranges[-1].name}.")
    first = facts.curve[0]
    out.print(
        f"Bushes and guides take {number(first.drive_friction, 0)} N of the drive thrust and "
        f"{number(first.driven_friction, 0)} N of the driven thrust at shift position 0, against the shift."
    )
    for status in sorted({p.status for p in facts.curve} - {"balanced"}):
        where = [p.position for p in facts.curve if p.status == status]
        out.print(f"Shift position {where[0]:.2f} to {where[-1]:.2f}: {_STATUS[status]}.")
    out.print()


def _starts(out: Console, facts: Explanation) -> None:
    """Pulling away on the level, and in which gear range."""
    from search.screen import number

    words = ("full", "a quarter")
    for start, word in zip(facts.starts, words, strict=True):
        if start.take_up_rpm is None or start.lock_up_kmh is None:
            out.print(f"Pulling away on the level at {word} torque: the belt never carries the engine.")
            continue
        line = (
            f"Pulling away on the level at {word} torque: the belt slips at {number(start.take_up_rpm, 0)} rpm, "
            f"{number(start.take_up_rpm - facts.engagement_rpm, 0)} past engagement"
        )
        if start.slip_heat is None or start.seconds is None:
            out.print(
                f"{line}, and the machine never comes to {number(start.lock_up_kmh, 0)} km/h, where belt and road meet."
            )
            continue
        out.print(
            f"{line}, until {number(start.lock_up_kmh, 0)} km/h: {number(start.seconds, 1)} s and "
            f"{number(start.slip_heat, 1)} kJ of slip heat."
        )
    full = facts.starts[0]
    if full.grips_rpm is None or full.take_up_rpm is None or full.grips_rpm > full.take_up_rpm * (1 + 1e-6):
        grips = f"at {number(full.grips_rpm, 0)} rpm" if full.grips_rpm is not None else "nowhere"
        out.print(
            f"With equal speeds the belt has to grip, which takes more thrust than slipping along the groove: at full "
            f"torque it grips fully {grips}, and may creep until then."
        )
    for gears in facts.ranges:
        if gears.full_kmh is None or gears.quarter_kmh is None:
            continue
        name = f"In range {gears.name}" if gears.name else "In its only range"
        lower = "" if gears is facts.ranges[0] else f"; below, use range {facts.ranges[0].name}"
        out.print(
            f"{name} the belt slips below {number(gears.full_kmh, 0)} km/h at full torque and below "
            f"{number(gears.quarter_kmh, 0)} km/h at a quarter, and shifts from {number(gears.shift_start_kmh, 0)} "
            f"km/h{lower}."
        )
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
    out.print(
        "Spins: time in which tyres slip before the torque asked for. Share of it: of the flatness squared. Steady "
        "running is judged at the torque that the ground states, not at road load."
    )
    out.print()
    table = plain_table("Ground", "Torque", "Target", "Drive", "Driven", "Belt", "Start", "Heat", "Gentle", "Heat")
    table.add_row("", "%", "rpm", "kW", "kW", "degC", "km/h", "kJ", "km/h", "kJ", style="dim")
    for g in facts.grounds:
        cells = [cell for start in g.starts for cell in _start_cells(start)]
        table.add_row(
            g.ground, number(g.torque, 0), whole(g.target_rpm), number(g.drive_heat), number(g.driven_heat),
            number(g.belt_temperature, 0), *cells,
        )  # fmt: skip
    out.print(table)
    out.print(
        "Drive, Driven, Belt: heat of the belt at each sheave and steady temperature of the belt, at target speed. "
        "Start, Gentle: a start at full and at a quarter torque, belt slipping until this road speed, and its heat."
    )
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
    alike: dict[tuple[float, float], list[str]] = {}
    for g in facts.grounds:
        if not g.traction_limited:
            alike.setdefault((round(g.torque, 6), round(g.target_rpm)), []).append(g.ground)
    for (torque, _), names in alike.items():
        if len(names) > 1:
            out.print(
                f"{', '.join(names)} ask for the same torque ({number(torque, 0)} %): at a shift position they see the "
                "same engine speeds, and differ in the time spent there."
            )
            out.print()


def _start_cells(start: StartFacts) -> tuple[str, str]:
    """Lock-up speed and slip heat of a start; a word where it is none."""
    from search.screen import number

    if start.slip_heat is None:
        return "stays", "–"
    return number(start.lock_up_kmh or 0.0, 0), number(start.slip_heat, 1)


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
