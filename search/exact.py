"""Exact ranking of a whole space: a lower bound for every pair of halves, full fidelity where it matters.

At target speed the thrusts miss their balance by c = (A w^2 - K) - F1, a difference between a number of the
drive half and one of the driven half. The engine speed error r at a duty point obeys |r| >= |c| / B, where B
bounds how fast the imbalance changes with speed. The weighted sum of c^2 / B^2 over all duty points is a product
of two matrices, one of drive halves and one of driven halves. That bounds the speed band of every pair from below;
only pairs whose bound is not worse than the k-th best score are balanced in full.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.jobfile import SLOT_FAMILIES
from search.halves import DRIVE_RULES, DRIVEN_RULES, Halves, drive_halves, driven_halves, target_pull
from search.kits import DRIVE_SLOTS, DRIVEN_SLOTS, Kit, Space
from search.score import PAIR_RULES, Request, overspeed_sides, pair_terms, side_score
from search.workers import parallel
from solver import balance
from solver.balance import DrivenSide, DriveSide

__all__ = ["Found", "Report", "Screen", "make_screen", "top_pairs"]

Array = NDArray[np.float64]
Pairs = NDArray[np.intp]
Report = Callable[[float], None]

_BLOCK = 4_000_000  # pairs screened at once: 32 MB an array
_BATCH = 20_000  # pairs balanced between two looks at the threshold
_CLOSE = 2_000  # pairs bounded closely at once
_PULLS = 5  # pulls at which the secant of thrust over pull is taken, and how far it is widened for those between
_WIDENING = 0.01
# Rounding of the expanded square, relative to the terms it is a difference of; far above what doubles lose.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Screen:
    """Both sides of a space, ready for bounding.

    Attributes
    ----------
    job, space, request
    drive, driven : Halves
    """

    job: Job
    space: Space
    request: Request
    drive: Halves
    driven: Halves
    drive_points: Array = field(repr=False)  # (n, 2 j + 1) factors of the bound
    driven_points: Array = field(repr=False)  # (m, 2 j + 1)
    drive_score: Array = field(repr=False)
    driven_score: Array = field(repr=False)
    given: Array = field(repr=False)  # (n, positions) thrust at the speed limit
    held: Array = field(repr=False)  # (m, positions)
    used: NDArray[np.bool_] = field(repr=False)  # (2, levels, positions) duty points with weight
    needed: Array = field(repr=False)  # (m, j) thrust needed at target speed
    falls: tuple[Array, Array] = field(repr=False)  # (m, j) bounds of its fall per speed error, below and above target

    def blocks(self) -> list[slice]:
        """Ranges of drive halves whose pairs with all driven halves fit one block."""
        rows = max(1, _BLOCK // max(1, len(self.driven)))
        return [slice(start, min(start + rows, len(self.drive))) for start in range(0, len(self.drive), rows)]

    def rule(self, block: slice) -> NDArray[np.int8]:
        """Number of the first pair rule each pair breaks, from 1; 0 where all hold."""
        given, held = self.given[block], self.held
        code = np.zeros((len(given), len(held)), np.int8)
        over = np.zeros(code.shape, bool)
        for position in range(given.shape[1]):
            over |= held[:, position] > given[:, position, None]
        code[over] = 1
        if self.request.budget is not None:
            dear = np.round(self.drive.cost[block, None] + self.driven.cost, 2) > self.request.budget
            dear |= self.drive.unpriced[block, None] | self.driven.unpriced
            code[dear & (code == 0)] = 2
        if self.request.max_changes is not None:
            many = self.drive.changes[block, None] + self.driven.changes > self.request.max_changes
            code[many & (code == 0)] = 3
        return code

    def band_bound(self, block: slice) -> Array:
        """Lower bound of the speed band [%] of each pair of a block."""
        squares: Array = self.drive_points[block] @ self.driven_points.T
        squares -= _ROUNDING * self.drive_points[block, -1:]
        np.maximum(squares, 0.0, out=squares)
        np.sqrt(squares, out=squares)
        squares *= 100.0
        return squares

    def bound(self, block: slice) -> Array:
        """Lower bound of the score of each pair of a block."""
        total: Array = self.band_bound(block)
        total *= self.request.weights["speed_band"]
        total += self.drive_score[block, None]
        total += self.driven_score
        return total

    def close_band(self, pairs: Pairs) -> Array:
        """Closer lower bound of the speed band [%] of chosen pairs, shape (k,).

        Takes the sides of the target speed apart: too much thrust slows the engine, where the imbalance changes
        less with speed than above target.
        """
        out = np.empty(len(pairs))
        top = self.job.speed_limit / self.job.target_speed - 1
        share = self.job.duty.weights.sum(axis=0)[self.used]

        def bound_chunk(number: int) -> None:
            chunk = slice(number * _CLOSE, (number + 1) * _CLOSE)
            rows, columns = pairs[chunk].T
            push, surplus = _push_and_surplus(self.job, self.drive.side, rows, self.used)
            excess = surplus - self.needed[columns]
            below, above = (fall[columns] for fall in self.falls)
            steepest = np.where(excess > 0, 2 * push + below, (2 + top) * push + above)
            least = np.where(steepest > 0, excess / np.where(steepest > 0, steepest, 1.0), 0.0)
            out[chunk] = 100 * np.sqrt(np.einsum("kj,kj,j->k", least, least, share))

        for _ in parallel(bound_chunk, -(-len(pairs) // _CLOSE)):
            pass
        return out

    def close_bound(self, pairs: Pairs) -> Array:
        """Closer lower bound of the score of chosen pairs, shape (k,)."""
        rows, columns = pairs.T
        out = self.close_band(pairs)
        out *= self.request.weights["speed_band"]
        out += self.drive_score[rows] + self.driven_score[columns]
        return out

    def kit(self, pair: NDArray[np.intp]) -> Kit:
        """The kit that a pair of halves makes."""
        drive, driven = self.drive.choice[pair[0]], self.driven.choice[pair[1]]
        parts = {slot: self.space.options[slot][i] for slot, i in zip(DRIVE_SLOTS, drive, strict=True)}
        parts |= {slot: self.space.options[slot][i] for slot, i in zip(DRIVEN_SLOTS, driven[:-1], strict=True)}
        return Kit({slot: parts[slot] for slot in SLOT_FAMILIES}, {"twist": self.space.twists[driven[-1]]})

    def side_counts(self) -> dict[str, int]:
        """Kits left out by rules of one half: drive rules first, then driven rules on what is left."""
        _, driven_size = self.space.side_sizes()
        counts: dict[str, int] = dict.fromkeys(dict.fromkeys((*DRIVE_RULES, *DRIVEN_RULES)), 0)
        for rule, halves in self.drive.excluded.items():
            counts[rule] += halves * driven_size
        for rule, halves in self.driven.excluded.items():
            counts[rule] += len(self.drive) * halves
        return counts


@dataclass(frozen=True)
class Found:
    """Pairs found by a search, best first.

    Attributes
    ----------
    pairs : ndarray, shape (k, 2)
    scores : ndarray, shape (k,)
    terms : mapping of term -> ndarray of shape (k,)
    excluded : mapping of pair rule -> int
    bounded_away : int
        Pairs whose lower bound is worse than the last kit listed.
    scored : int
        Pairs balanced in full.
    """

    pairs: Pairs
    scores: Array
    terms: Mapping[str, Array]
    excluded: Mapping[str, int]
    bounded_away: int
    scored: int


def make_screen(job: Job, space: Space, request: Request) -> Screen:
    """Work out both sides of a space and the factors of the bound."""
    drive, driven = drive_halves(job, space), driven_halves(job, space)
    assert isinstance(drive.side, DriveSide)
    assert isinstance(driven.side, DrivenSide)
    weights = job.duty.weights.sum(axis=0)
    used = weights > 0
    needed = _at_duty(driven.side, target_pull(job), job, used)
    below, above = _falls(driven.side, job, used, needed)
    steepest = np.maximum(below, above).max(axis=0, initial=0.0)
    push, surplus = _push_and_surplus(job, drive.side, slice(None), used)
    top = job.speed_limit / job.target_speed - 1
    factor = weights[used] / ((2 + top) * push + steepest) ** 2

    constant = np.einsum("nj,nj->n", factor, surplus**2)
    given, held = overspeed_sides(job, drive.side, driven.side)
    return Screen(
        job=job,
        space=space,
        request=request,
        drive=drive,
        driven=driven,
        drive_points=np.hstack([factor * surplus, factor, constant[:, None]]),
        driven_points=np.hstack([-2 * needed, needed**2, np.ones((len(driven), 1))]),
        drive_score=side_score(request, job, drive),
        driven_score=side_score(request, job, driven),
        given=given,
        held=held,
        used=used,
        needed=needed,
        falls=(below, above),
    )


def _push_and_surplus(
    job: Job, side: DriveSide | DrivenSide, rows: slice | NDArray[np.intp], used: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Flyweight push A w^2 at target speed, and push less spring, of drive halves at the duty points, (k, j) [N]."""
    assert isinstance(side, DriveSide)
    chosen = side[rows]
    push = (chosen.thrust_per_speed2 * job.target_speed**2)[:, :, None, :]
    spring = chosen.spring[:, None, None, :]
    shape = (len(push), *used.shape)
    push, spring = np.broadcast_to(push, shape)[:, used], np.broadcast_to(spring, shape)[:, used]
    return push, push - spring


def _at_duty(side: DrivenSide, pull: Array, job: Job, used: NDArray[np.bool_]) -> Array:
    """Needed drive thrust of each driven half at the duty points in use, shape (m, j)."""
    return balance.needed_drive_thrust(side, pull, job.grip)[:, used]


def _falls(side: DrivenSide, job: Job, used: NDArray[np.bool_], at_target: Array) -> tuple[Array, Array]:
    """Upper bounds of -(F1(r) - F1(0)) / r for r below and above 0, each of shape (m, j) [N].

    The needed thrust depends on speed through the belt pull alone, so its secant is one of thrust over pull times
    one of torque over speed. The latter's extremes are exact (`EngineCurve.fall_range`); the former is smooth, and
    is taken at pulls spread over the range in question.
    """
    target, out = job.target_speed, []
    lowest = balance.LOWEST * job.engine.peak_power_speed
    now = float(job.engine.at(target))
    for low, high in ((lowest, target), (target, job.speed_limit)):
        least_fall, most_fall, least, most = job.engine.fall_range(target, low, high)
        steep, flat = np.full(at_target.shape, -np.inf), np.full(at_target.shape, np.inf)
        for torque in np.linspace(least, most, _PULLS):
            if abs(torque / now - 1) < 0.01:  # too near for a difference; neighbours and widening cover it
                torque = now * (1.01 if torque >= now else 0.99)
            pull = job.duty.levels[:, None] * torque / job.shift.drive_radius
            secant = (_at_duty(side, pull, job, used) - at_target) / (torque - now)
            np.maximum(steep, secant, out=steep)
            np.minimum(flat, secant, out=flat)
        steep, flat = steep + _WIDENING * np.abs(steep), flat - _WIDENING * np.abs(flat)
        out.append(np.max([steep * most_fall, flat * most_fall, steep * least_fall, flat * least_fall], axis=0))
    return out[0], out[1]


def top_pairs(screen: Screen, top: int, report: Report = lambda _: None) -> Found:
    """The `top` best buildable pairs, exactly as if every pair had been balanced.

    First pass: the pairs with the smallest bounds are balanced in full; the k-th best of them is a score that
    the answer cannot exceed. Second pass: every pair whose bound does not exceed it is balanced.

    Parameters
    ----------
    screen : Screen
    top : int
    report : callable
        Told the share of the work done.

    Returns
    -------
    Found
    """
    blocks = screen.blocks()
    excluded = dict.fromkeys(PAIR_RULES, 0)
    seeds: list[tuple[Array, Pairs]] = []
    least = np.full(len(blocks), np.inf)
    wanted = max(4 * top, 256)

    def first_look(number: int) -> tuple[NDArray[np.int64], float, Array, Pairs]:
        block = blocks[number]
        code = screen.rule(block)
        bound = screen.bound(block)
        bound[code > 0] = np.inf
        keep = np.flatnonzero(np.isfinite(bound))
        values = bound.ravel()[keep]
        if len(keep) > wanted:
            edge = np.partition(values, wanted - 1)[wanted - 1]
            keep, values = keep[values <= edge], values[values <= edge]
        pairs = np.column_stack(np.unravel_index(keep, bound.shape))
        pairs[:, 0] += block.start
        counts = np.bincount(code.ravel(), minlength=1 + len(PAIR_RULES))
        return counts, float(values.min(initial=np.inf)), values, pairs

    for number, (counts, smallest, values, pairs) in enumerate(parallel(first_look, len(blocks))):
        for rule, count in zip(PAIR_RULES, counts[1:], strict=True):
            excluded[rule] += int(count)
        least[number] = smallest
        seeds.append((values, pairs))
        report((number + 1) / len(blocks) * 0.6)
    buildable = len(screen.drive) * len(screen.driven) - sum(excluded.values())

    values = np.concatenate([v for v, _ in seeds]) if seeds else np.empty(0)
    pairs = np.concatenate([p for _, p in seeds]) if seeds else np.empty((0, 2), np.intp)
    first = np.lexsort((pairs[:, 1], pairs[:, 0], values))[:wanted]
    pool = _Pool(screen, top)
    pool.add(pairs[first])
    limit = pool.limit + 2e-9  # scores are rounded to 1e-9

    def second_look(number: int) -> Pairs:
        if least[number] > limit:
            return np.empty((0, 2), np.intp)
        block = blocks[number]
        bound = screen.bound(block)
        within = bound <= limit
        within &= screen.rule(block) == 0
        found = np.argwhere(within)
        found[:, 0] += block.start
        return found[screen.close_bound(found) <= limit]

    scored = 0
    for number, found in enumerate(parallel(second_look, len(blocks))):
        scored += len(found)
        pool.add(found)
        report(0.6 + (number + 1) / len(blocks) * 0.4)
    chosen, scores, terms = pool.best()
    return Found(chosen, scores, terms, excluded, buildable - scored, scored)


class _Pool:
    """The best pairs so far, at full fidelity, ties by slot options."""

    def __init__(self, screen: Screen, top: int) -> None:
        self.screen, self.top = screen, top
        self.pairs: Pairs = np.empty((0, 2), np.intp)
        self.scores: Array = np.empty(0)

    @property
    def limit(self) -> float:
        """Score of the k-th best, infinite while fewer are known."""
        return float(self.scores[self.top - 1]) if len(self.scores) >= self.top else np.inf

    def add(self, pairs: Pairs) -> None:
        """Balance pairs and keep the best."""
        screen = self.screen
        for start in range(0, len(pairs), _BATCH):
            batch = pairs[start : start + _BATCH]
            _, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, batch)
            together = np.concatenate([self.pairs, batch])
            values = np.concatenate([self.scores, scores])
            # Halves are in the order of their slot ids, so their numbers are the tie order.
            order = np.lexsort((together[:, 1], together[:, 0], values))
            together, values = together[order], values[order]
            repeated = np.zeros(len(order), bool)
            repeated[1:] = (together[1:] == together[:-1]).all(axis=1)
            self.pairs, self.scores = together[~repeated][: self.top], values[~repeated][: self.top]

    def best(self) -> tuple[Pairs, Array, dict[str, Array]]:
        """The pairs kept, their scores and all their terms."""
        screen = self.screen
        terms, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, self.pairs)
        return self.pairs, scores, terms
