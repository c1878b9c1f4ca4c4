"""`kitwright init`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]

_HELP = """Write a starter job: machine, engine curve, ground mix and a parts catalogue of your own to edit.

The files hold an invented machine and invented parts; they rank without edits. Put your own numbers in.

\b
Example:
  kitwright init my-shop
  kitwright rank my-shop/job.yaml
"""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("init", help=_HELP)(init_command)


def init_command(
    folder: Annotated[Path, typer.Argument(help="Folder to write to; made if it is not there.", metavar="DIR")],
) -> None:
    """Copy the starter files, all or none."""
    from importlib import resources

    from catalog.shelf import DEMO_PARTS
    from search.kitfile import write_text
    from search.screen import CAUTION, console
    from solver.errors import InputError, Problem

    configs = resources.files("configs")
    texts = {folder / name: (configs / name).read_text(encoding="utf-8") for name in ("machine.yaml", "engine.csv")}
    job = (configs / "rescue.yaml").read_text(encoding="utf-8")
    texts[folder / "job.yaml"] = job.replace('catalogue: ["demo"]', 'catalogue: ["parts"]')
    for part in sorted(DEMO_PARTS.glob("*.yaml")):
        texts[folder / "parts" / part.name] = part.read_text(encoding="utf-8")
    there = [file for file in texts if file.exists()]
    if there:
        raise InputError(
            [Problem(str(file), 0, 0, "", "the file exists", hint="choose another folder.") for file in there]
        )
    for file, text in texts.items():
        write_text(file, text)
    out = console()
    out.print(f"{len(texts)} files written to {folder}. Next:", soft_wrap=True)
    out.print(f"  kitwright rank {folder / 'job.yaml'}", soft_wrap=True)
    out.print()
    out.print(CAUTION)
