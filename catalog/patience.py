"""Somebody may want to stop while long files are read: their check is made now and then, by whoever reads.

The check is set by whoever reads for a person who waits (`looking`) and made by the readers (`look`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

__all__ = ["look", "looking"]

_check: ContextVar[Callable[[], None] | None] = ContextVar("check", default=None)


@contextmanager
def looking(check: Callable[[], None]) -> Iterator[None]:
    """Make a check now and then while files are read inside of this block; what it raises ends the reading."""
    before = _check.set(check)
    try:
        yield
    finally:
        _check.reset(before)


def look() -> None:
    """Make the check, if there is one; cheap enough for every part of a catalogue."""
    check = _check.get()
    if check is not None:
        check()
