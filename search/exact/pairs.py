"""Both sides of a space, ready to be searched: builds, what each adds to the score, and the rules of pairs."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.builds import DriveBuilds, DrivenBuilds, drive_builds, driven_builds
from search.exact.blocks import Ends, Leaves, Leeway, halved, padded
from search.exact.bounds import Bounds, make_bounds
from search.pair_rules import PAIR_RULES, Offer
from search.points import DutyPoints, duty_points
from search.request import Request
from search.score import shift_map, side_points
from search.sides import LOAD_SLOTS
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, SLOT_NAMES, Space
from search.stage import Stage
from search.workers import check, parallel

__all__ = ["Pairs", "Sides"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Pairs = NDArray[np.intp]

_WEIGHED = 0.9999  # of the time: points beyond cost bounds as much as others and would hardly lift them
_THIN = 1_500  # pairs of one drive spring that are balanced sooner than bounds of its own would pay
_LEAF = 64  # drive builds of a leaf, at most
_FLATNESS_STEP, _PRICE_STEP = 0.002, 0.1  # of a budget: what is as far apart as one change, where leaves are halved
_GOOD = 32  # pairs whose mean speed errors are taken as usual
_PAIRS = 10_000  # pairs judged by a rule at once; about what stays in cache


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

    def block_ends(self, rows: Index) -> Ends:
        """The best that blocks of drive builds can bring, from the builds of each, shape (l, s).

        A block has one option of the slot whose options are told apart.
        """
        return Ends(self.drive_points[rows].min(axis=1), self.drive.loss[rows].min(axis=1), self._options(rows[:, 0]))

    def leeway(self, rows: Index) -> Leeway:
        """What blocks of drive builds leave to the rules of pairs, from the builds of each, shape (l, s)."""
        drive = self.drive
        given, changes = drive.at_limit[rows].max(axis=1), drive.changes[rows].min(axis=1)
        return Leeway(given, self._price[rows].min(axis=1), np.zeros(len(rows), bool), changes)

    @cached_property
    def _price(self) -> Array:
        return np.where(self.drive.unpriced, np.inf, self.drive.cost)

    @cached_property
    def part_ends(self) -> Ends:
        """The best that each part of the bounds can bring."""
        return Ends.joined([self.block_ends(part.rows[None]) for part in self.bounds.parts])

    @cached_property
    def part_leeway(self) -> Leeway:
        """What each part of the bounds leaves to the rules of pairs."""
        return Leeway.joined([self.leeway(part.rows[None]) for part in self.bounds.parts])

    @cached_property
    def most_leaves(self) -> Index:
        """At most how many leaves each part of the bounds has."""
        return np.array([1 + 2 * len(part.rows) // _LEAF for part in self.bounds.parts])

    @property
    def leaf_size(self) -> int:
        """Most builds of a leaf."""
        return _LEAF

    def leaves(self, parts: Index) -> list[Leaves]:
        """The leaves of some parts of the bounds, each made when it is first asked for."""
        missing = [number for number in np.unique(parts).tolist() if number not in self._made]
        self._made.update(zip(missing, parallel(lambda n: self._leaves(missing[n]), len(missing)), strict=True))
        return [self._made[number] for number in parts.tolist()]

    @cached_property
    def _made(self) -> dict[int, Leaves]:
        return {}

    def _leaves(self, number: int) -> Leaves:
        part, request = self.bounds.parts[number], self.request
        features = [np.zeros((len(part.rows), 1)), part.points / _FLATNESS_STEP]  # builds may all be alike: no axes
        if request.max_changes is not None:
            features.append(self.drive.changes[part.rows, None].astype(float))
        if request.budget is not None:
            price = np.minimum(self._price[part.rows, None], 2 * request.budget + 1)
            features.append(price / (_PRICE_STEP * request.budget + 0.01))
        members, real = padded(halved(np.hstack(features), _LEAF))
        rows = part.rows[members]
        return Leaves.of(part, members, real, self.block_ends(rows), self.leeway(rows))

    def broken(self, pairs: Pairs) -> NDArray[np.int8]:
        """Number of the first pair rule each pair breaks, from 1; 0 where all hold; shape (k,)."""
        number = np.zeros(len(pairs), np.int8)
        for at in range(0, len(pairs), _PAIRS):
            rows, columns = pairs[at : at + _PAIRS].T
            number[at : at + _PAIRS] = self._first_broken(Leeway.of(self.drive, rows), Leeway.of(self.driven, columns))
        return number

    def all_broken(self, blocks: Leeway, columns: Index) -> NDArray[np.int8]:
        """Number of a pair rule that driven builds break with all builds of a block; 0 for none; shape (l, m)."""
        return self._first_broken(blocks.across(), Leeway.of(self.driven, columns))

    def _first_broken(self, drive: Offer, driven: Offer) -> NDArray[np.int8]:
        broken = [rule.broken(self.request, drive, driven) for rule in PAIR_RULES]
        return np.select(broken, [np.int8(number) for number in range(1, 1 + len(broken))], np.int8(0))

    def choices(self, pairs: Pairs) -> Index:
        """Number of each slot's option in the whole space, the slots in their order, shape (k, slots)."""
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
    def thin(self) -> Index:
        """Drive builds whose spring has so few pairs that bounds of its own would not pay."""
        thin = [rows for rows in self._by_spring if self._is_thin(rows)]
        return np.sort(np.concatenate([np.zeros(0, np.intp), *thin]))

    @cached_property
    def _by_spring(self) -> list[Index]:
        loads = [self.drive.choice[:, DRIVE_SLOTS.index(slot)] for slot in LOAD_SLOTS]
        return _runs(loads, np.arange(len(self.drive)))

    def _is_thin(self, rows: Index) -> bool:
        return len(rows) * len(self.driven) < _THIN

    @cached_property
    def bounds(self) -> Bounds:
        """Bounds of the flatness, made about the speed errors that are usual in good pairs, without the thin builds.

        Some drive builds must not be thin, and there must be driven builds.
        """
        thick = [rows for rows in self._by_spring if not self._is_thin(rows)]
        keys = [self._options(np.arange(len(self.drive)))] if self.split in DRIVE_SLOTS else []
        members = [_runs(keys, rows) for rows in thick]
        duty = duty_points(self.stage.drivetrain).heaviest(_WEIGHED)  # the others add no less than 0 to the flatness
        about_zero = np.zeros(len(duty))
        sample = [members[n] for n in _spread(len(members), 8)], _spread(len(self.driven), 64)
        usual = self._usual_errors(duty, *sample, about_zero)
        return make_bounds(self.stage.drivetrain, duty, self.drive, self.driven, members, usual)

    def _usual_errors(self, duty: DutyPoints, members: list[list[Index]], columns: Index, about: Array) -> Array:
        """Mean speed error of good pairs at each duty point, from a sample searched with bounds made about some."""
        bounds = make_bounds(self.stage.drivetrain, duty, self.drive, self.driven.take(columns), members, about)
        pairs, bands = np.empty((0, 2), np.intp), np.empty(0)
        for part in bounds.parts:
            check()
            squares = part.squares(bounds.needed)
            squares[self.all_broken(self.leeway(part.rows[:, None]), columns) != 0] = np.inf
            best = squares.min(axis=0)
            near = np.column_stack([part.rows[squares.argmin(axis=0)], columns])[best < np.inf]
            pairs = np.concatenate([pairs, near])
            bands = np.concatenate([bands, 100 * np.sqrt(np.maximum(best[best < np.inf], 0.0))])
        if not len(pairs):
            return about
        pairs = pairs[np.argsort(self.score(pairs, bands), kind="stable")[: 8 * _GOOD]]
        rows, columns = pairs.T
        speed = shift_map(self.stage.drivetrain, self.drive.side[rows], self.driven.side[columns], duty.points).speed
        errors = speed / duty.target - 1
        good = np.argsort(self.score(pairs, 100 * np.sqrt(errors**2 @ duty.weights)), kind="stable")[:_GOOD]
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
