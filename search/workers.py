"""Work shared between threads: numpy lets go of the interpreter lock while it computes."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["parallel"]

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
