"""Work shared between threads: numpy lets go of the interpreter lock while it computes.

Whoever starts a search names its crew once: the executor that does the shares, and a check made before each of them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

__all__ = ["Executor", "check", "crew", "parallel", "parallel_slices"]

T = TypeVar("T")


class Executor(Protocol):
    """What does the shares: of `concurrent.futures`, or anything else with such a map that shares memory."""

    def map(self, fn: Callable[[int], Any], *iterables: Iterable[int]) -> Iterator[Any]:
        """Results of fn for each number, in order; what has not begun is dropped once one of them fails."""


class _Alone:
    """Does one share after the other."""

    def map(self, fn: Callable[[int], Any], *iterables: Iterable[int]) -> Iterator[Any]:
        return map(fn, *iterables)


@dataclass(frozen=True)
class _Crew:
    executor: Executor
    check: Callable[[], None]


_crew: ContextVar[_Crew | None] = ContextVar("crew", default=None)


@contextmanager
def crew(executor: Executor | None = None, looking: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Do what `parallel` is given inside of this block with one executor.

    Parameters
    ----------
    executor : Executor, optional
        As many threads as there are processors, if left out.
    looking : callable
        The check, called before each share; what it raises ends the work and comes out of `parallel`.
    """
    own = ThreadPoolExecutor(max_workers=os.cpu_count() or 1) if executor is None else None
    before = _crew.set(_Crew(executor or own or _Alone(), looking))
    try:
        yield
    finally:
        _crew.reset(before)
        if own is not None:
            own.shutdown(wait=True, cancel_futures=True)


def check() -> None:
    """Make the crew's check, in a loop that has no shares and takes longer than a few dozen milliseconds."""
    here = _crew.get()
    if here is not None:
        here.check()


def parallel(work: Callable[[int], T], count: int) -> list[T]:
    """Results of work(0), work(1), … in that order, as many at a time as the crew has threads.

    Parameters
    ----------
    work : callable
        Takes the number of its share; shares must not depend on each other.
    count : int
        Number of shares.
    """
    here = _crew.get()
    if here is None:
        with crew():
            return parallel(work, count)
    alone = _Crew(_Alone(), here.check)

    def share(number: int) -> T:
        before = _crew.set(alone)  # a share that is split again must not wait for its own thread
        try:
            here.check()
            return work(number)
        finally:
            _crew.reset(before)

    return list((here if count > 1 else alone).executor.map(share, range(count)))


def parallel_slices(work: Callable[[slice], T], count: int, size: int) -> list[T]:
    """Results of work(slice) for slices of at most `size` that cover range(count), in order."""
    return parallel(lambda n: work(slice(n * size, (n + 1) * size)), -(-count // size))
