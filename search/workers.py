"""Work shared between threads: numpy lets go of the interpreter lock while it computes."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["parallel", "parallel_slices"]

T = TypeVar("T")


def parallel(work: Callable[[int], T], count: int) -> Iterator[T]:
    """Results of work(0), work(1), … in that order, as many at a time as there are processors.

    Parameters
    ----------
    work : callable
        Takes the number of its share; shares must not depend on each other.
    count : int
        Number of shares.

    Yields
    ------
    The results, in order whatever the number of threads.
    """
    if count <= 1:
        yield from map(work, range(count))
        return
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        yield from pool.map(work, range(count))


def parallel_slices(work: Callable[[slice], T], count: int, size: int) -> list[T]:
    """Results of work(slice) for slices of at most `size` that cover range(count), in order."""
    return list(parallel(lambda n: work(slice(n * size, (n + 1) * size)), -(-count // size)))
