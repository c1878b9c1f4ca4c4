"""The exact Pareto front of flatness, spring loss and belt margin over a whole space.

Terms are rounded to what a table shows before they are compared, so the front is exact at that resolution:
0.01 % flatness, 0.01 % loss, 0.1 % margin. Of kits with the same rounded terms the best-scored is listed.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from search.exact.blocks import Ends
from search.exact.keepers import Keeper, Kept
from search.exact.pairs import Sides

__all__ = ["RESOLUTION", "ParetoFront", "nondominated"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

RESOLUTION = {"flatness": 2, "spring_loss": 2, "belt_margin": 1}  # decimals of a percentage
_MOST_STEPS = 1_500  # of the table in which the flattest kit is looked up, each way: bounds the memory
_SIGNS = {"flatness": 1, "spring_loss": 1, "belt_margin": -1}  # of the terms, smaller being better


def nondominated(points: Array) -> NDArray[np.bool_]:
    """Which points no other point dominates; smaller is better in every column.

    a dominates b if it is nowhere larger and somewhere smaller: equal points do not dominate each other.

    Parameters
    ----------
    points : ndarray, shape (n, 3)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    unique, back = np.unique(points, axis=0, return_inverse=True)
    keep = np.ones(len(unique), bool)
    # In lexical order a point can only be dominated by one before it: where one is no larger in the other two. Of those
    # before, only a staircase counts: second coordinates that rise while the third ones fall.
    second: list[float] = [-np.inf]
    third: list[float] = [np.inf]
    for number, (_, b, c) in enumerate(unique.tolist()):
        at = bisect_right(second, b)  # steps before `at` are no larger in the second coordinate
        if third[at - 1] <= c:
            keep[number] = False
            continue
        if second[at - 1] == b:
            at -= 1
        end = at
        while end < len(third) and third[end] >= c:
            end += 1
        second[at:end], third[at:end] = [b], [c]
    return keep[back.ravel()]


@dataclass(frozen=True)
class _Staircase:
    """The flattest kit of a front that loses no more and holds no less: looked up, not searched for.

    Attributes
    ----------
    losses, margins : ndarray, rising
        Steps, of rounded terms, smaller being better; the terms of the front themselves if they are few enough.
    flattest : ndarray, shape (losses + 1, margins + 1)
        Rounded flatness of the flattest kit of the front up to a step of both; [0] of no kit of the front.
    """

    losses: Array
    margins: Array
    flattest: Array

    @staticmethod
    def of(front: Array) -> _Staircase:
        """The staircase of the points of a front."""
        losses, margins = _steps(front[:, 1]), _steps(front[:, 2])
        flattest = np.full((len(losses) + 1, len(margins) + 1), np.inf)
        # A kit between two steps counts from the higher one on: a look-up may find too wide a kit, none too flat.
        at = np.searchsorted(losses, front[:, 1]) + 1, np.searchsorted(margins, front[:, 2]) + 1
        np.minimum.at(flattest, at, front[:, 0])
        flattest = np.minimum.accumulate(np.minimum.accumulate(flattest, axis=0), axis=1)
        return _Staircase(losses, margins, flattest)

    def at(self, loss: Array, margin: Array) -> Array:
        """Flatness of the flattest kit of the front with no larger loss and margin, shape (k,)."""
        of_loss, of_margin = np.searchsorted(self.losses, loss, "right"), np.searchsorted(self.margins, margin, "right")
        return np.asarray(self.flattest[of_loss, of_margin])


def _steps(values: Array) -> Array:
    steps = np.unique(values)
    return steps[np.linspace(0, len(steps) - 1, min(len(steps), _MOST_STEPS)).astype(np.intp)]


class ParetoFront(Keeper):
    """The kits that no other beats in all three terms; of kits with the same rounded terms, the best-scored."""

    def __init__(self) -> None:
        self._last: tuple[Kept | None, _Staircase] = None, _Staircase.of(np.empty((0, 3)))

    def choose(self, kits: Kept) -> Index:
        points = _points(kits)
        _, first = np.unique(points, axis=0, return_index=True)  # the first is the best-scored
        first = np.sort(first)
        return first[nondominated(points[first])]

    def hopeful(self, kits: Kept) -> NDArray[np.bool_]:
        points = _points(kits)
        return np.asarray(points[:, 0] <= self._staircase().at(points[:, 1], points[:, 2]))

    def widest(self, sides: Sides, ends: Ends, columns: Index) -> Array:
        """As wide as the flattest kit of the front that loses no more and holds no less."""
        if self.kept is None:
            return np.full(len(columns), np.inf)
        loss = 100 * ((ends.loss + sides.driven.loss[columns]) / sides.job.engine.peak_power)  # as a term is
        loss = np.round(loss, RESOLUTION["spring_loss"])
        margin = -np.round(100 * sides.driven.margin[columns], RESOLUTION["belt_margin"])
        return self._staircase().at(loss, margin) + 0.5 * 10.0 ** -RESOLUTION["flatness"]  # may still round down to it

    def _staircase(self) -> _Staircase:
        """Worked out once for what is kept."""
        kept, stairs = self._last
        if kept is not self.kept:
            kept = self.kept
            assert kept is not None
            stairs = _Staircase.of(_points(kept))
            self._last = kept, stairs
        return stairs


def _points(kits: Kept) -> Array:
    return np.column_stack([_SIGNS[name] * np.round(kits.terms[name], digits) for name, digits in RESOLUTION.items()])
