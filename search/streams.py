"""Standard output and standard error of this process: fit to be written to, whoever holds their other ends.

Tables are made in `search.screen`, data in `search.commands.options`.
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import suppress
from typing import TextIO

from catalog.wording import printable

__all__ = ["abandon", "deliver", "settle", "tell"]


def settle() -> None:
    """Let text go through whatever the streams are: a sign that they lack becomes ?, a closed one swallows all."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by who started us, who wants to hear nothing
            nowhere = open(os.devnull, "w", encoding="utf-8", errors="replace")  # noqa: SIM115 - until the process ends
            setattr(sys, name, nowhere)
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def deliver(answer: str) -> None:
    """A whole answer on standard output.

    Raises
    ------
    OSError
        If it cannot be written, as on a full disk.
    """
    sys.stdout.write(answer)
    sys.stdout.flush()


def tell(text: str) -> None:
    """One line on standard error; if that cannot be written, the exit code has to say it all."""
    try:
        sys.stderr.write(printable(text) + "\n")
        sys.stderr.flush()
    except OSError:
        abandon(sys.stderr)


def abandon(stream: TextIO) -> None:
    """Send what a stream still holds nowhere, so that the end of the process does not fail on it again."""
    with suppress(OSError):  # a stream without a descriptor is not looked at in the end
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
