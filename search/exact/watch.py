"""Who is told of a search, and what ends it early: its time, or whoever asked for it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

__all__ = ["INTERRUPTED", "TIME_UP", "Progress", "TimeUpError", "Watch"]

INTERRUPTED, TIME_UP = "interrupted", "the time was up"


class TimeUpError(Exception):
    """Ends a search that has used its time; `search_space` turns it into a result that is not proven."""


@dataclass(frozen=True)
class Progress:
    """How far a search is.

    Attributes
    ----------
    settled : float [-]
        Share of the kits, of those that no rule of one side leaves out, that are settled.
    bound : float
        No kit that should be kept and is not yet scores below this.
    best : float
        Best score so far; infinite if there is none.
    """

    settled: float
    bound: float
    best: float


@dataclass(frozen=True)
class Watch:
    """Who is told of a search, and when it has to end.

    Attributes
    ----------
    report : callable
        Told the progress now and then.
    seconds : float
        Time after `start` at which the search stops with what it has.
    start : float [s]
        Of `time.monotonic`: now, if left out; a command counts from its own start.
    interrupted : callable
        Says whether somebody wants the search to stop; Ctrl-C stops it without.
    """

    report: Callable[[Progress], None] = lambda _: None
    seconds: float = np.inf
    start: float = field(default_factory=time.monotonic)
    interrupted: Callable[[], bool] = lambda: False

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() - self.start > self.seconds

    def check(self) -> None:
        """End the search where its time is up or somebody wants it to stop: cheap enough for any loop.

        Raises
        ------
        TimeUpError
        KeyboardInterrupt
        """
        if self.over:
            raise TimeUpError
        if self.interrupted():
            raise KeyboardInterrupt
