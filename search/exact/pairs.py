"""Both sides of a space, ready to be searched: builds, what each adds to the score, and the rules of pairs."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from search.builds import Builds, drive_builds, driven_builds
from search.exact.bounds import Bounds, make_bounds
from search.exact.points import Busy, busy
from search.score import PAIR_RULES, Request, duty_balance, side_score
from search.space import DRIVE_SLOTS, SLOTS, Space

__all__ = ["Ends", "Pairs", "Sides"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Pairs = NDArray[np.intp]

_PRICE_CLASSES = np.linspace(0.1, 0.9, 9)  # quantiles between classes of price, where there is a budget
_GOOD = 32  # pairs whose mean speed errors are taken as usual
_RULE_NUMBERS = np.arange(1, 1 + len(PAIR_RULES), dtype=np.int8)
_PAIRS = 10_000  # pairs judged by a rule at once; about what stays in cache


@dataclass(frozen=True)
class Ends:
    """What drive builds bring to a pair beside their thrust, or the best that a part of them can bring.

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


@dataclass(frozen=True)
class Sides:
    """Both sides of a space, or of a part of one.

    Attributes
    ----------
    job, request
    drive, driven : Builds
    first : ndarray of int, shape (slots,)
        Number in the whole space of each slot's first option.
    split : str or None
        Slot whose options are told apart in the parts of the bounds.
    """

    job: Job
    request: Request
    drive: Builds
    driven: Builds
    first: Index = field(default_factory=lambda: np.zeros(len(SLOTS), np.intp))
    split: str | None = None

    @staticmethod
    def of(job: Job, space: Space, request: Request) -> Sides:
        """Both sides of a whole space."""
        return Sides(job, request, drive_builds(job, space), driven_builds(job, space))

    @cached_property
    def drive_points(self) -> Array:
        """What each drive build adds to the score, shape (n,)."""
        return side_score(self.request, self.job, self.drive)

    @cached_property
    def driven_points(self) -> Array:
        """What each driven build adds to the score, shape (m,)."""
        return side_score(self.request, self.job, self.driven)

    def ends(self, rows: Index) -> Ends:
        """What chosen drive builds bring."""
        return Ends(self.drive_points[rows], self.drive.loss[rows], self._options(rows))

    def _options(self, rows: Index) -> Index:
        if self.split not in DRIVE_SLOTS:
            return np.zeros(len(rows), np.intp)
        return np.asarray(self.drive.choice[rows, DRIVE_SLOTS.index(self.split)])

    @cached_property
    def part_ends(self) -> Ends:
        """The best that each part of the bounds can bring."""
        rows = [part.rows for part in self.bounds.parts]
        return Ends(
            points=np.array([self.drive_points[part].min() for part in rows]),
            loss=np.array([self.drive.loss[part].min() for part in rows]),
            option=self._options(np.array([part[0] for part in rows])),
        )

    def broken(self, pairs: Pairs) -> NDArray[np.int8]:
        """Number of the first pair rule each pair breaks, from 1; 0 where all hold; shape (k,)."""
        drive, driven, budget, most = self.drive, self.driven, self.request.budget, self.request.max_changes
        rows, columns = pairs.T
        fast, dear, many = (np.zeros(len(pairs), bool) for _ in PAIR_RULES)
        for at in range(0, len(pairs), _PAIRS):
            here = slice(at, at + _PAIRS)
            fast[here] = (driven.at_limit[columns[here]] > drive.at_limit[rows[here]]).any(axis=1)
        if budget is not None:
            dear = np.round(drive.cost[rows] + driven.cost[columns], 2) > budget
            dear |= drive.unpriced[rows] | driven.unpriced[columns]
        if most is not None:
            many = drive.changes[rows] + driven.changes[columns] > most
        return np.select([fast, dear, many], _RULE_NUMBERS, np.int8(0))

    def all_broken(self, rows: Index, columns: Index, at_limit: Array) -> NDArray[np.int8]:
        """Number of a pair rule that driven builds break with every one of some drive builds; 0 for none; (m,).

        `at_limit` holds their thrust at the limit, shape (positions, m), for all calls alike.
        """
        drive, driven = self.drive, self.driven
        budget, most = self.request.budget, self.request.max_changes
        fast, dear, many = (np.zeros(len(columns), bool) for _ in PAIR_RULES)
        for needed, given in zip(at_limit, drive.at_limit[rows].max(axis=0), strict=True):
            fast |= needed > given
        if budget is not None:
            priced = rows[~drive.unpriced[rows]]
            dear = np.round(drive.cost[priced].min(initial=np.inf) + driven.cost[columns], 2) > budget
            dear |= driven.unpriced[columns]
        if most is not None:
            many = drive.changes[rows].min() + driven.changes[columns] > most
        return np.select([fast, dear, many], _RULE_NUMBERS, np.int8(0))

    def choices(self, pairs: Pairs) -> Index:
        """Number of each slot's option in the whole space, the slots in the order of `SLOTS`, shape (k, slots)."""
        rows, columns = pairs.T
        return np.hstack([self.drive.choice[rows], self.driven.choice[columns]]) + self.first

    def option(self, ends: Ends, columns: Index) -> Index:
        """Number in the whole space of the option of the slot whose options are told apart, of pairs, shape (k,)."""
        assert self.split is not None
        at = SLOTS.index(self.split) - len(DRIVE_SLOTS)
        number = ends.option if at < 0 else self.driven.choice[columns, at]
        return np.asarray(number + self.first[at + len(DRIVE_SLOTS)])

    @cached_property
    def bounds(self) -> Bounds:
        """Bounds of the flatness, made about the speed errors that are usual in good pairs.

        Neither side may be empty.
        """
        duty, members = busy(self.job), self._members()
        about_zero = np.zeros(int(duty.used.sum()))
        sample = [members[n] for n in _spread(len(members), 8)], _spread(len(self.driven), 64)
        usual = self._usual_errors(duty, *sample, about_zero)
        return make_bounds(self.job, duty, self.drive, self.driven, members, usual)

    def _members(self) -> list[list[Index]]:
        """Drive builds by spring, and of each spring by what the request tells them apart by."""
        drive, request = self.drive, self.request
        keys: list[NDArray[Any]] = []
        if self.split in DRIVE_SLOTS:
            keys.append(self._options(np.arange(len(drive))))
        if request.max_changes is not None:
            keys.append(drive.changes)
        if request.budget is not None:
            price = np.where(drive.unpriced, np.inf, drive.cost)
            keys.append(np.searchsorted(np.quantile(price, _PRICE_CLASSES, method="lower"), price))
        every = np.arange(len(drive))
        return [_runs(keys, rows) for rows in _runs([drive.choice[:, 0]], every)]

    def _usual_errors(self, duty: Busy, members: list[list[Index]], columns: Index, about: Array) -> Array:
        """Mean speed error of good pairs at each duty point, from a sample searched with bounds made about zero."""
        bounds = make_bounds(self.job, duty, self.drive, self.driven.take(columns), members, about)
        near = [(part.rows, part.squares(bounds.needed)) for part in bounds.parts]
        pairs = np.concatenate([np.column_stack([rows[square.argmin(axis=0)], columns]) for rows, square in near])
        bands = 100 * np.sqrt(np.maximum(np.concatenate([square.min(axis=0) for _, square in near]), 0.0))
        pairs = pairs[np.argsort(self.score(pairs, bands), kind="stable")[: 8 * _GOOD]]
        speed = duty_balance(self.job, duty, self.drive, self.driven, pairs).speed
        errors = (speed / self.job.target_speed - 1)[:, duty.used]
        good = np.argsort(self.score(pairs, 100 * np.sqrt(errors**2 @ duty.share)), kind="stable")[:_GOOD]
        return np.asarray(errors[good].mean(axis=0))

    def score(self, pairs: Pairs, bands: Array) -> Array:
        """Score of pairs with given flatness [%], shape (k,); a lower bound of a band gives one of the score."""
        rows, columns = pairs.T
        points: Array = self.drive_points[rows] + self.driven_points[columns]
        return self.request.weights["flatness"] * bands + points


def _runs(keys: list[NDArray[Any]], rows: Index) -> list[Index]:
    """Rows with the same keys."""
    if not keys:
        return [rows]
    order = rows[np.lexsort([key[rows] for key in keys])]
    changed = np.any([np.diff(key[order]) != 0 for key in keys], axis=0)
    return np.split(order, np.flatnonzero(changed) + 1)


def _spread(count: int, most: int) -> Index:
    """At most so many numbers, spread over range(count)."""
    return np.linspace(0, count - 1, min(most, count)).astype(np.intp)
