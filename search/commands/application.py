"""The typer application: every command, and the options that go without one."""

from __future__ import annotations

from typing import Annotated

import typer

from search.commands import check, compare, explain, init, rank
from search.streams import deliver

__all__ = ["app"]

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

        deliver(version("kitwright") + "\n")
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
