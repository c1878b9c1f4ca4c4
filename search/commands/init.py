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
    folder: Annotated[Path, typer.Argument(help="Folder to write to: new or empty.", metavar="DIR")],
) -> None:
    """Copy the starter files."""
    from importlib import resources

    from catalog.errors import InputError, Problem
    from catalog.shelf import DEMO_PARTS
    from search.kitfile import write_text
    from search.screen import CAUTION, console

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError([Problem(str(folder), 0, 0, "", "not a new or empty folder", hint="name another.")])
    configs = resources.files("configs")
    texts = {Path(name): (configs / name).read_text(encoding="utf-8") for name in ("machine.yaml", "engine.csv")}
    job = (configs / "rescue.yaml").read_text(encoding="utf-8")
    texts[Path("job.yaml")] = job.replace('catalogue: ["demo"]', 'catalogue: ["parts"]')
    for part in sorted(DEMO_PARTS.glob("*.yaml")):
        texts[Path("parts") / part.name] = part.read_text(encoding="utf-8")
    for file, text in texts.items():
        write_text(folder / file, text)
    out = console()
    out.print(f"{len(texts)} files written to {folder}. Next:", soft_wrap=True)
    out.print(f"  kitwright rank {folder / 'job.yaml'}", soft_wrap=True)
    out.print()
    out.print(CAUTION)
