"""The process around a command: its streams, Ctrl-C, and the exit code of whatever happens."""

from __future__ import annotations

import atexit
import errno
import os
import signal
import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import Any, NoReturn

from search.streams import abandon, settle, tell

__all__ = ["run"]

_BAD_INPUT, _INTERRUPTED = 2, 130
_NO_READER = 141  # what a shell reports of a process that a closed pipe has ended
_SHOW_CURSOR = b"\x1b[?25h"


def run() -> int:
    """Run the command that the arguments of the process name.

    Returns
    -------
    int
        The exit code.
    """
    started = time.monotonic()
    _take_interrupts()
    settle()
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # a reader that leaves, as `head` does, ends us quietly
    try:
        from solver.errors import KitwrightError
    except KeyboardInterrupt:
        return _INTERRUPTED
    try:
        code = _command(started)
        sys.stdout.flush()
    except KeyboardInterrupt:
        return _INTERRUPTED
    except KitwrightError as error:
        for line in str(error).split("\n"):
            tell(line)
        return _BAD_INPUT
    except BrokenPipeError:  # where there is no SIGPIPE
        abandon(sys.stdout)
        return _NO_READER
    except OSError as error:
        return _refused(error)
    return code


def _command(started: float) -> int:
    """The exit code of the command; it finds when the process began in its context."""
    import typer

    from search.commands.application import app

    wrong_usage: type[Exception] = typer.BadParameter.__mro__[1]  # UsageError, which typer itself does not export
    try:
        code = app(obj=started, prog_name="kitwright", standalone_mode=False)
    except typer.Abort:
        return _INTERRUPTED
    except wrong_usage as error:
        _tell_usage(error)
        return _BAD_INPUT
    return int(code or 0)


def _tell_usage(error: Any) -> None:
    """What typer has to say about wrong options; it quotes them as they came."""
    import io

    words = io.StringIO()
    error.show(file=words)
    for line in words.getvalue().rstrip("\n").split("\n"):
        tell(line)


def _refused(error: OSError) -> int:
    """Say which path the system refuses, such as an overlong name, or that the answer cannot be written."""
    if error.filename is not None:
        tell(f"{str(error.filename)[:200]}: {error.strerror}; name another path")
    else:
        abandon(sys.stdout)
        full = "make room, or " if error.errno in (errno.ENOSPC, errno.EDQUOT) else ""
        tell(f"standard output: the answer cannot be written: {error.strerror}; {full}send it elsewhere")
    return _BAD_INPUT


def _take_interrupts() -> None:
    """Let the first Ctrl-C raise KeyboardInterrupt, and the second end the process at once.

    One that ends up where nothing can catch it (between two statements of ours, in a finalizer, in an extension module
    that is being loaded) ends the process at once, too. That holds even where the parent has set the signal to be
    ignored, as a shell script does for its background jobs: it is the only way to ask a long search for what it has.
    """
    seen = False

    def stop(_number: int, _frame: FrameType | None) -> None:
        nonlocal seen
        if seen:
            _end()
        seen = True
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, stop)
    atexit.register(signal.signal, signal.SIGINT, signal.SIG_IGN)  # all is said and done, and the exit code stands
    sys.excepthook = _unless_interrupted(sys.excepthook, lambda kind, *_: kind)
    sys.unraisablehook = _unless_interrupted(sys.unraisablehook, lambda facts: facts.exc_type)


def _unless_interrupted(hook: Callable[..., Any], kind_of: Callable[..., Any]) -> Callable[..., Any]:
    def call(*facts: Any) -> None:
        if issubclass(kind_of(*facts), KeyboardInterrupt):
            _end()
        hook(*facts)

    return call


def _end() -> NoReturn:
    """End the process now; a progress bar may have hidden the cursor."""
    if sys.stderr.isatty():
        os.write(sys.stderr.fileno(), _SHOW_CURSOR)
    os._exit(_INTERRUPTED)
