"""`kitwright init`."""

from __future__ import annotations

import os
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
    folder: Annotated[Path, typer.Argument(help="Folder to write to: new or empty.", metavar="DIR")],
) -> None:
    """Copy the starter files."""
    from importlib import resources

    from catalog.errors import InputError, Problem
    from catalog.shelf import DEMO_PARTS
    from search.saving import LEFT_BEHIND, claimed, make_folder, write_set
    from search.screen import CAUTION, page

    def require_empty() -> None:
        there = [f for f in folder.iterdir() if not f.name.startswith(LEFT_BEHIND)] if folder.is_dir() else [folder]
        if os.path.lexists(folder) and there:
            raise InputError([Problem(str(folder), 0, 0, "", "not a new or empty folder", hint="name another.")])

    require_empty()
    configs = resources.files("configs")
    texts = {name: (configs / name).read_text(encoding="utf-8") for name in ("machine.yaml", "engine.csv")}
    job = (configs / "rescue.yaml").read_text(encoding="utf-8")
    texts["job.yaml"] = job.replace('catalogue: ["demo"]', 'catalogue: ["parts"]')
    for part in sorted(DEMO_PARTS.glob("*.yaml")):
        texts[f"parts/{part.name}"] = part.read_text(encoding="utf-8")
    make_folder(folder)
    with claimed(folder):
        require_empty()
        write_set(folder, texts)
    with page() as out:
        out.print(f"{len(texts)} files written to {folder}. Next:", soft_wrap=True)
        out.print(f"  kitwright rank {folder / 'job.yaml'}", soft_wrap=True)
        out.print()
        out.print(CAUTION)
