"""The exact Pareto front of speed band, spring loss and belt margin over a whole space.

Terms are rounded to what a table shows before they are compared, so the front is exact at that resolution:
0.01 % band, 0.01 % loss, 0.1 % margin. Of kits with the same rounded terms the best-scored is listed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.exact import Found, Report, Screen
from search.score import PAIR_RULES, pair_terms
from search.workers import parallel

__all__ = ["RESOLUTION", "nondominated", "pareto_pairs"]

Array = NDArray[np.float64]
Pairs = NDArray[np.intp]

RESOLUTION = {"speed_band": 2, "spring_loss": 2, "belt_margin": 1}  # decimals of a percentage
_BATCH = 2_000  # pairs balanced between two looks at the front


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


class _Front:
    """The front so far: pairs, scores and rounded (band, loss, -margin)."""

    def __init__(self, screen: Screen) -> None:
        self.screen = screen
        self.pairs: Pairs = np.empty((0, 2), np.intp)
        self.scores: Array = np.empty(0)
        self.points: Array = np.empty((0, 3))

    def add(self, pairs: Pairs) -> None:
        screen = self.screen
        for start in range(0, len(pairs), _BATCH):
            batch = pairs[start : start + _BATCH]
            terms, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, batch)
            signs = {"speed_band": 1, "spring_loss": 1, "belt_margin": -1}
            rounded = [signs[name] * np.round(terms[name], digits) for name, digits in RESOLUTION.items()]
            all_pairs = np.concatenate([self.pairs, batch])
            all_scores = np.concatenate([self.scores, scores])
            points = np.concatenate([self.points, np.column_stack(rounded)])
            order = np.lexsort((all_pairs[:, 1], all_pairs[:, 0], all_scores))
            _, first = np.unique(points[order], axis=0, return_index=True)
            chosen = order[np.sort(first)]
            chosen = chosen[nondominated(points[chosen])]
            self.pairs, self.scores, self.points = all_pairs[chosen], all_scores[chosen], points[chosen]

    def take(self, block: slice) -> int:
        """Balance the pairs of a block that the front does not strictly dominate by their bounds; how many."""
        screen = self.screen
        open_ = screen.rule(block) == 0
        loss, margin = self.terms(np.arange(block.start, block.stop)[:, None], np.arange(len(screen.driven)))
        open_ &= np.round(screen.band_bound(block), RESOLUTION["speed_band"]) <= self.best_band(loss, margin)
        found = np.argwhere(open_)
        found[:, 0] += block.start
        band = np.round(screen.close_band(found), RESOLUTION["speed_band"])
        order = np.argsort(band, kind="stable")  # flat kits first: they close off most others
        found, band = found[order], band[order]
        taken = 0
        while len(found):
            loss, margin = self.terms(*found.T)
            still = band <= self.best_band(loss, margin)
            found, band = found[still], band[still]
            self.add(found[:_BATCH])
            taken += len(found[:_BATCH])
            found, band = found[_BATCH:], band[_BATCH:]
        return taken

    def terms(self, drive: NDArray[np.intp], driven: NDArray[np.intp]) -> tuple[Array, Array]:
        """Rounded spring loss and negative belt margin of pairs of halves."""
        screen = self.screen
        share = (screen.drive.loss[drive] + screen.driven.loss[driven]) / screen.job.engine.peak_power
        margin = np.round(100 * screen.driven.margin[driven], RESOLUTION["belt_margin"])
        return np.round(100 * share, RESOLUTION["spring_loss"]), np.broadcast_to(-margin, share.shape)

    def best_band(self, loss: Array, margin: Array) -> Array:
        """Smallest band on the front of kits that lose no more and hold no less; infinite where there is none."""
        points = self.points[np.argsort(self.points[:, 1], kind="stable")]
        best = np.full(loss.shape, np.inf)
        held = margin if margin.ndim == 1 else margin[0]  # of a block's pairs every row holds the same
        for value in np.unique(held):
            here = np.flatnonzero(held == value)
            rivals = points[points[:, 2] <= value]
            known = np.concatenate([[np.inf], np.minimum.accumulate(rivals[:, 0])])
            best[..., here] = known[np.searchsorted(rivals[:, 1], loss[..., here], side="right")]
        return best


def pareto_pairs(screen: Screen, report: Report = lambda _: None) -> Found:
    """Every pair on the Pareto front.

    Parameters
    ----------
    screen : Screen
    report : callable
        Told the share of the work done.

    Returns
    -------
    Found
        Best score first.
    """
    blocks = screen.blocks()
    front = _Front(screen)
    excluded = dict.fromkeys(PAIR_RULES, 0)

    def seeds(number: int) -> tuple[NDArray[np.int64], Pairs]:
        block = blocks[number]
        code = screen.rule(block)
        bound = screen.band_bound(block)
        bound[code > 0] = np.inf
        best = np.argmin(bound, axis=0)  # the flattest pair of each driven half spans loss and margin
        finite = np.isfinite(bound[best, np.arange(bound.shape[1])])
        pairs = np.column_stack([best + block.start, np.arange(bound.shape[1])])[finite]
        return np.bincount(code.ravel(), minlength=1 + len(PAIR_RULES)), pairs

    for number, (counts, pairs) in enumerate(parallel(seeds, len(blocks))):
        for rule, count in zip(PAIR_RULES, counts[1:], strict=True):
            excluded[rule] += int(count)
        front.add(pairs)
        report((number + 1) / len(blocks) * 0.4)
    scored = 0
    for number, block in enumerate(blocks):
        scored += front.take(block)
        report(0.4 + (number + 1) / len(blocks) * 0.6)
    order = np.lexsort((front.pairs[:, 1], front.pairs[:, 0], front.scores))
    chosen = front.pairs[order]
    terms, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, chosen)
    buildable = len(screen.drive) * len(screen.driven) - sum(excluded.values())
    return Found(chosen, scores, terms, excluded, buildable - scored, scored)
