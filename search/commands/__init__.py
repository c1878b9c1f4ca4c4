"""The command line. One module a command: parse, call, render.

Standard output holds answers, standard error progress and problems. Exit codes: 0 done, 1 nothing buildable,
2 bad input, 130 interrupted.
"""

from __future__ import annotations

import sys

import typer

from search.commands import check, compare, explain, init, rank
from solver.errors import KitwrightError

__all__ = ["app", "main"]

app = typer.Typer(
    name="kitwright",
    help="Find the clutch kits a rubber-belt CVT can be built with, and rank them.\n\n"
    "Start with: kitwright init my-shop, then: kitwright rank my-shop/job.yaml",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for module in (rank, explain, compare, check, init):
    module.register(app)


def main() -> None:
    """Run the command line and end the process with its exit code."""
    try:
        app(standalone_mode=True)
    except KitwrightError as error:
        print(error, file=sys.stderr)  # noqa: T201
        sys.exit(2)
    except BrokenPipeError:  # the reader of a pipe has left, as `head` does
        sys.stderr.close()
        sys.exit(0)
