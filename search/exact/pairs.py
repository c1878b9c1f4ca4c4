"""Both sides of a space, ready to be searched: builds, what each adds to the score, and the rules of pairs."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.builds import DriveBuilds, DrivenBuilds, drive_builds, driven_builds
from search.exact.bounds import Bounds, make_bounds
from search.exact.points import DutyPoints, duty_points
from search.pair_rules import PAIR_RULES, Offer
from search.request import Request
from search.score import duty_balance, side_points
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, SLOT_NAMES, Space
from search.stage import Stage

__all__ = ["Ends", "Pairs", "Sides"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Pairs = NDArray[np.intp]

_PRICE_CLASSES = np.linspace(0.1, 0.9, 9)  # quantiles between classes of price, where there is a budget
_GOOD = 32  # pairs whose mean speed errors are taken as usual
_RULE_NUMBERS = [np.int8(number) for number in range(1, 1 + len(PAIR_RULES))]
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
class _Offers:
    """What decides the rules of pairs: of chosen builds, or the best that some builds can offer."""

    at_limit: Array
    cost: Array
    unpriced: NDArray[np.bool_]
    changes: NDArray[np.int64]

    @staticmethod
    def of(builds: DriveBuilds | DrivenBuilds, rows: Index) -> _Offers:
        return _Offers(builds.at_limit[rows], builds.cost[rows], builds.unpriced[rows], builds.changes[rows])

    @staticmethod
    def best(drive: DriveBuilds, rows: Index) -> _Offers:
        priced = rows[~drive.unpriced[rows]]
        return _Offers(
            drive.at_limit[rows].max(axis=0),
            drive.cost[priced].min(initial=np.inf),
            np.zeros((), bool),  # the cost is infinite where all are
            drive.changes[rows].min(),
        )


@dataclass(frozen=True)
class Sides:
    """Both sides of a space, or of a part of one.

    Attributes
    ----------
    stage : Stage
    drive : DriveBuilds
    driven : DrivenBuilds
    first : ndarray of int, shape (slots,)
        Number in the whole space of each slot's first option.
    split : str or None
        Slot whose options are told apart in the parts of the bounds.
    """

    stage: Stage
    drive: DriveBuilds
    driven: DrivenBuilds
    first: Index = field(default_factory=lambda: np.zeros(len(SLOT_NAMES), np.intp))
    split: str | None = None

    @staticmethod
    def of(stage: Stage, space: Space) -> Sides:
        """Both sides of a whole space of one belt."""
        return Sides(stage, drive_builds(stage, space), driven_builds(stage, space))

    @property
    def request(self) -> Request:
        """What is asked for."""
        return self.stage.request

    @cached_property
    def drive_points(self) -> Array:
        """What each drive build adds to the score, shape (n,)."""
        return side_points(self.stage, self.drive)

    @cached_property
    def driven_points(self) -> Array:
        """What each driven build adds to the score, shape (m,)."""
        return side_points(self.stage, self.driven)

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
        number = np.zeros(len(pairs), np.int8)
        for at in range(0, len(pairs), _PAIRS):
            here = slice(at, at + _PAIRS)
            rows, columns = pairs[here].T
            number[here] = self._first_broken(_Offers.of(self.drive, rows), _Offers.of(self.driven, columns))
        return number

    def all_broken(self, rows: Index, columns: Index) -> NDArray[np.int8]:
        """Number of a pair rule that driven builds break with every one of some drive builds; 0 for none; (m,)."""
        return self._first_broken(_Offers.best(self.drive, rows), _Offers.of(self.driven, columns))

    def _first_broken(self, drive: Offer, driven: Offer) -> NDArray[np.int8]:
        broken = [rule.broken(self.request, drive, driven) for rule in PAIR_RULES]
        return np.select(broken, _RULE_NUMBERS, np.int8(0))

    def choices(self, pairs: Pairs) -> Index:
        """Number of each slot's option in the whole space, the slots in the order of `SLOTS`, shape (k, slots)."""
        rows, columns = pairs.T
        belt = np.zeros((len(pairs), 1), np.intp)  # one for all pairs of these sides
        return np.hstack([self.drive.choice[rows], self.driven.choice[columns], belt]) + self.first

    def option(self, ends: Ends, columns: Index) -> Index:
        """Number in the whole space of the option of the slot whose options are told apart, of pairs, shape (k,)."""
        assert self.split is not None
        if self.split in DRIVE_SLOTS:
            number = ends.option
        elif self.split in DRIVEN_SLOTS:
            number = self.driven.choice[columns, DRIVEN_SLOTS.index(self.split)]
        else:
            number = np.zeros(len(columns), np.intp)
        return np.asarray(number + self.first[SLOT_NAMES.index(self.split)])

    @cached_property
    def bounds(self) -> Bounds:
        """Bounds of the flatness, made about the speed errors that are usual in good pairs.

        Neither side may be empty.
        """
        duty, members = duty_points(self.stage.drivetrain), self._members()
        about_zero = np.zeros(int(duty.used.sum()))
        sample = [members[n] for n in _spread(len(members), 8)], _spread(len(self.driven), 64)
        usual = self._usual_errors(duty, *sample, about_zero)
        return make_bounds(self.stage.drivetrain, duty, self.drive, self.driven, members, usual)

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

    def _usual_errors(self, duty: DutyPoints, members: list[list[Index]], columns: Index, about: Array) -> Array:
        """Mean speed error of good pairs at each duty point, from a sample searched with bounds made about zero."""
        bounds = make_bounds(self.stage.drivetrain, duty, self.drive, self.driven.take(columns), members, about)
        near = [(part.rows, part.squares(bounds.needed)) for part in bounds.parts]
        pairs = np.concatenate([np.column_stack([rows[square.argmin(axis=0)], columns]) for rows, square in near])
        bands = 100 * np.sqrt(np.maximum(np.concatenate([square.min(axis=0) for _, square in near]), 0.0))
        pairs = pairs[np.argsort(self.score(pairs, bands), kind="stable")[: 8 * _GOOD]]
        speed = duty_balance(self.stage.drivetrain, duty, self.drive, self.driven, pairs).speed
        errors = (speed / self.stage.drivetrain.target_speed - 1)[:, duty.used]
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
