"""The command line. One module a command: parse, call, render.

Standard output holds answers, standard error progress and problems. Exit codes: 0 done, 1 nothing buildable,
2 bad input, 130 interrupted.
"""

from __future__ import annotations

import io
import signal
import sys
from typing import Annotated

import typer

from search.commands import check, compare, explain, init, rank
from solver.errors import KitwrightError

__all__ = ["app", "main"]

app = typer.Typer(
    name="kitwright",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for module in (rank, explain, compare, check, init):
    module.register(app)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(version("kitwright"))  # noqa: T201
        raise typer.Exit


@app.callback()
def _common(
    _: Annotated[
        bool, typer.Option("--version", help="Show the version and end.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    """Find the clutch kits a rubber-belt CVT can be built with, and rank them.

    Start with: kitwright init my-shop, then: kitwright rank my-shop/job.yaml
    """


def main() -> None:
    """Run the command line and end the process with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console that lacks a sign shows ? for it
            stream.reconfigure(errors="replace")
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # a reader that leaves, as `head` does, ends us quietly
    try:
        app()
    except KitwrightError as error:
        print(error, file=sys.stderr)  # noqa: T201
        sys.exit(2)
    except OSError as error:  # a path that the system refuses, such as an overlong name
        print(f"{str(error.filename)[:200]}: {error.strerror}; name another path", file=sys.stderr)  # noqa: T201
        sys.exit(2)
