"""The exact Pareto front of flatness, spring loss and belt margin over a whole space.

Terms are rounded to what a table shows before they are compared, so the front is exact at that resolution:
0.01 % band, 0.01 % loss, 0.1 % margin. Of kits with the same rounded terms the best-scored is listed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.exact.keepers import Keeper, Kept
from search.exact.pairs import Ends, Sides

__all__ = ["RESOLUTION", "ParetoFront", "nondominated"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

RESOLUTION = {"flatness": 2, "spring_loss": 2, "belt_margin": 1}  # decimals of a percentage
_SIGNS = {"flatness": 1, "spring_loss": 1, "belt_margin": -1}  # of the terms, smaller being better


def nondominated(points: Array) -> NDArray[np.bool_]:
    """Which points no other point dominates; smaller is better in every column.

    a dominates b if it is nowhere larger and somewhere smaller: equal points do not dominate each other.

    Parameters
    ----------
    points : ndarray, shape (n, d)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    unique, back = np.unique(points, axis=0, return_inverse=True)
    keep = np.ones(len(unique), bool)
    # In lexical order a point can only be dominated by one before it.
    front = np.empty((0, points.shape[1]))
    for number, point in enumerate(unique):
        if len(front) and (front <= point).all(axis=1).any():
            keep[number] = False
        else:
            front = np.vstack([front, point])
    return keep[back.ravel()]


class ParetoFront(Keeper):
    """The kits that no other beats in all three terms; of kits with the same rounded terms, the best-scored."""

    def choose(self, kits: Kept) -> Index:
        points = _points(kits)
        _, first = np.unique(points, axis=0, return_index=True)  # the first is the best-scored
        first = np.sort(first)
        return first[nondominated(points[first])]

    def widest(self, sides: Sides, ends: Ends, columns: Index) -> Array:
        """As wide as the flattest kit of the front that loses no more and holds no less."""
        if self.kept is None:
            return np.full(len(columns), np.inf)
        loss = 100 * (
            (ends.loss + sides.driven.loss[columns]) / sides.stage.drivetrain.engine.peak_power
        )  # as a term is
        loss = np.round(loss, RESOLUTION["spring_loss"])
        margin = -np.round(100 * sides.driven.margin[columns], RESOLUTION["belt_margin"])
        front = _points(self.kept)
        losses, of_loss = np.unique(front[:, 1], return_inverse=True)
        margins, of_margin = np.unique(front[:, 2], return_inverse=True)
        flattest = np.full((len(losses) + 1, len(margins) + 1), np.inf)  # [0]: of no kit of the front
        np.minimum.at(flattest, (of_loss + 1, of_margin + 1), front[:, 0])
        flattest = np.minimum.accumulate(np.minimum.accumulate(flattest, axis=0), axis=1)
        best = flattest[np.searchsorted(losses, loss, "right"), np.searchsorted(margins, margin, "right")]
        return best + 0.5 * 10.0 ** -RESOLUTION["flatness"]  # what may still round down to it


def _points(kits: Kept) -> Array:
    return np.column_stack([_SIGNS[name] * np.round(kits.terms[name], digits) for name, digits in RESOLUTION.items()])
