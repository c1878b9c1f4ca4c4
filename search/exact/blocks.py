"""Blocks of drive builds: what their builds can bring at best, and a part's builds in leaves of a few dozen.

A leaf's builds lie close together, in thrust and in what the rules of pairs look at, so that most of its pairs are
settled without a look at any single one. What is told of a block holds for all its builds: each lies in the block's
box, so none is nearer to a driven build than the box; none has fewer points, less loss, more thrust at the speed limit
at any position, a lower price or fewer changes than the block is told, and every rule and limit moves one way with
these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from search.exact.bounds import Part

__all__ = ["Ends", "Leaves", "Leeway", "halved", "padded"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Ends:
    """What drive builds bring to a pair beside their thrust, or the best that a block of them can bring.

    Attributes
    ----------
    points : ndarray, shape (k,)
        Added to the score.
    loss : ndarray, shape (k,) [W]
    option : ndarray of int, shape (k,)
        Number of the option of the slot whose options are told apart; 0 if that is no drive slot.
    """

    points: Array
    loss: Array
    option: Index

    def take(self, chosen: Index) -> Ends:
        """Some of them, in any order."""
        return Ends(self.points[chosen], self.loss[chosen], self.option[chosen])

    @staticmethod
    def joined(each: Sequence[Ends]) -> Ends:
        """Several after each other, at least one."""
        return Ends(
            np.concatenate([ends.points for ends in each]),
            np.concatenate([ends.loss for ends in each]),
            np.concatenate([ends.option for ends in each]),
        )


@dataclass(frozen=True)
class Leeway:
    """What blocks of drive builds leave to the rules of pairs: in each respect the best of any of their builds.

    Attributes
    ----------
    given : ndarray, shape (l, positions) [N]
        Thrust at the speed limit.
    cost : ndarray, shape (l,)
        Infinite where no build states its price.
    changes : ndarray of int, shape (l,)
    """

    given: Array
    cost: Array
    changes: NDArray[np.int64]

    @staticmethod
    def joined(each: Sequence[Leeway]) -> Leeway:
        """Several after each other, at least one."""
        return Leeway(
            np.concatenate([leeway.given for leeway in each]),
            np.concatenate([leeway.cost for leeway in each]),
            np.concatenate([leeway.changes for leeway in each]),
        )


@dataclass(frozen=True)
class Leaves:
    """The drive builds of a part in leaves of nearly the same size; the shorter repeat their first build.

    Attributes
    ----------
    rows : ndarray of int, shape (l, s)
        The drive builds.
    real : ndarray of bool, shape (l, s)
        False where a build is only repeated.
    points : ndarray, shape (l, s, k)
        The drive builds along the axes of the group.
    low, high : ndarray, shape (l, k)
        The box of each leaf.
    ends : Ends
    leeway : Leeway
    """

    rows: Index
    real: NDArray[np.bool_]
    points: Array = field(repr=False)
    low: Array = field(repr=False)
    high: Array = field(repr=False)
    ends: Ends = field(repr=False)
    leeway: Leeway = field(repr=False)

    @staticmethod
    def of(part: Part, members: Index, real: NDArray[np.bool_], ends: Ends, leeway: Leeway) -> Leaves:
        """Leaves of a part, from the numbers of their builds in the part, shape (l, s)."""
        points = part.points[members]
        return Leaves(part.rows[members], real, points, points.min(axis=1), points.max(axis=1), ends, leeway)

    @property
    def sizes(self) -> Index:
        """Builds of each leaf."""
        return np.asarray(self.real.sum(axis=1))

    def floors(self, along: Array, off: Array) -> Array:
        """Lower bound of the squared flatness [-] of placed driven builds with any build of each leaf, shape (l, m).

        As `Part.floor`: no build is nearer to a driven build than the box that it lies in.
        """
        total = np.broadcast_to(off, (len(self.rows), len(off))).copy()
        for axis in range(along.shape[1]):
            at = along[:, axis]
            outside = np.maximum(self.low[:, axis, None] - at, at - self.high[:, axis, None])
            np.maximum(outside, 0.0, out=outside)
            outside *= outside
            total += outside
        return total

    def squares(self, leaf: Index, along: Array, off: Array) -> Array:
        """Lower bound of the squared flatness [-] of every build of chosen leaves with a placed driven build each.

        Shape (c, s); `leaf` and `off` have shape (c,), `along` (c, k).
        """
        away = self.points[leaf] - along[:, None]
        return np.asarray(np.einsum("csk,csk->cs", away, away) + off[:, None])


def halved(features: Array, most: int) -> list[Index]:
    """Rows of features halved along their widest column until no part has more than so many; sizes differ by 1 at most.

    Parameters
    ----------
    features : ndarray, shape (n, f)
        At least one row.
    most : int
    """
    parts = [np.arange(len(features))]
    while len(parts[-1]) > most:  # the last is always the largest
        parts = [half for rows in parts for half in _halves(features, rows)]
    return parts


def _halves(features: Array, rows: Index) -> tuple[Index, Index]:
    here = features[rows]
    order = rows[np.argsort(here[:, np.ptp(here, axis=0).argmax()], kind="stable")]
    return order[: len(rows) // 2], order[len(rows) // 2 :]


def padded(members: Sequence[Index]) -> tuple[Index, NDArray[np.bool_]]:
    """Members of each leaf as one array, (l, s), the first repeated in a shorter leaf; and where none is repeated."""
    sizes = np.array([len(each) for each in members])
    real = np.arange(sizes.max()) < sizes[:, None]
    out = np.repeat(np.array([each[0] for each in members])[:, None], real.shape[1], axis=1)
    out[real] = np.concatenate(members)
    return out, real
