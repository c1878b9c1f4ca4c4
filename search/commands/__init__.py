"""The command line. One module a command: parse, call, render.

Standard output holds answers, standard error progress and problems. Exit codes: 0 done, 1 nothing buildable,
2 bad input or output that cannot be written, 130 interrupted. Nothing is imported here, so that a Ctrl-C finds `main`
ready for it.
"""

from __future__ import annotations

TYPE_CHECKING = False  # as in `typing`
if TYPE_CHECKING:
    from typing import Any

__all__ = ["main"]


def main() -> None:
    """Run the command line and end the process with its exit code."""
    try:
        from search.commands.process import run

        code = run()
    except KeyboardInterrupt:  # before `run` could see to it
        code = 130
    raise SystemExit(code)


def __getattr__(name: str) -> Any:
    """The typer application `app`, on first use."""
    if name != "app":
        raise AttributeError(f"module 'search.commands' has no attribute {name!r}")
    from search.commands.application import app

    return app
