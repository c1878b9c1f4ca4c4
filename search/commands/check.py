"""`kitwright check`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from search.commands.options import warn
from search.streams import tell

if TYPE_CHECKING:
    from catalog.stock import Part

__all__ = ["register"]

_HELP = """Check files: jobs, machines, catalogue files, kit files and dyno curves. A folder stands for its files.

Every problem is reported at once as file:line:column: path: problem. Exit code 2 if there is one.

\b
Examples:
  kitwright check my-shop
  kitwright check --list my-shop/parts
  kitwright check my-shop/job.yaml my-shop/parts/helices.yaml
"""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("check", help=_HELP)(check_command)


def check_command(
    files: Annotated[list[Path], typer.Argument(help="Files or folders.", metavar="FILE...")],
    list_parts: Annotated[bool, typer.Option("--list", help="List the parts of catalogue files.")] = False,
) -> None:
    """Read each file as what it is."""
    from catalog.errors import InputError, Problem
    from search.screen import count, page

    problems: list[Problem] = []
    with page() as out:
        for file in _expand(files):
            try:
                description, parts = _describe(file)
            except InputError as error:
                problems += [p for p in error.problems if p not in problems]
                out.print(f"{file}: {count(len(error.problems), 'problem')}", soft_wrap=True)
                continue
            out.print(f"{file}: {description}", soft_wrap=True)
            for part in parts if list_parts else ():
                out.print(f"  {part.id}: {part.description}", soft_wrap=True)
    for problem in problems:
        tell(str(problem))
    if problems:
        raise typer.Exit(2)


def _expand(files: list[Path]) -> list[Path]:
    from catalog.errors import InputError, Problem

    out: list[Path] = []
    for file in files:
        if file.is_dir():
            found = sorted(f for f in file.rglob("*") if f.suffix in (".yaml", ".yml", ".csv"))
            if not found:
                raise InputError([Problem(str(file), 0, 0, "", "nothing to check here", "no file", "*.yaml or *.csv")])
            out += found
        else:
            out.append(file)
    return out


def _describe(file: Path) -> tuple[str, Sequence[Part]]:
    """Read a file as what its first keys say it is, and tell what it holds."""
    from catalog.dyno import read_dyno
    from catalog.errors import InputError, Problem
    from catalog.job import load_job
    from catalog.machine import Machine
    from catalog.quantities import TO_RPM
    from catalog.reading import read_document, validate
    from catalog.shelf import read_parts
    from search.kitfile import KitFile
    from search.screen import count
    from search.space import make_space

    if file.suffix == ".csv":
        curve = read_dyno(file)
        peak = f"{curve.peak_power / 1000:.1f} kW at {curve.peak_power_speed * TO_RPM:.0f} rpm"
        return f"dyno curve, {len(curve.speed)} points, {peak}", ()
    document = read_document(file)
    keys = set(document.data) if isinstance(document.data, dict) else set()
    if "family" in keys or "parts" in keys:
        _, family, parts = read_parts(file)
        return f"{len(parts)} {family.replace('_', ' ')}", parts
    if "engine" in keys:
        return f"machine {validate(document, Machine).id}", ()
    if "kit" in keys:
        validate(document, KitFile)
        return "kit; its parts are checked when it is used with a job", ()
    if "grounds" in keys or "machine" in keys:
        job = load_job(file)
        warn(job)
        space = make_space(job, where=str(file))
        grounds = count(len(job.spec.grounds), "ground")
        return f"job, {grounds}, {space.size:,} kits before any rule", ()
    raise InputError(
        [Problem(str(file), 0, 0, "", "cannot tell what this file is", ", ".join(sorted(map(str, keys))) or "no keys",
                 "a job, machine, catalogue file, kit file or dyno curve")]
    )  # fmt: skip
