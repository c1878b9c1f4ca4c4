"""The search of a whole space: every kit is balanced in full, or proven by bounds not to matter.

Each part of the drive builds with each driven build is a cell. Cells are visited in the order of their lower bounds; in
a cell the pairs whose own bounds leave them a chance are balanced in full, best bound first, while what is kept
closes off ever more of the rest. The same answer comes from balancing every pair (`plain`), in far more time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.slots import BELT
from search.builds import Builds, DriveBuilds, drive_builds, driven_builds
from search.exact.bounds import percent
from search.exact.keepers import Keeper
from search.exact.pairs import Pairs, Sides
from search.pair_rules import PAIR_RULES, RULE_NAMES
from search.request import Request
from search.rules import BELT_RULES, judge
from search.score import make_stage
from search.sides import BeltOptions
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Kit, Space
from search.stage import Stage
from search.workers import parallel

__all__ = ["INTERRUPTED", "TIME_UP", "Found", "Progress", "Watch", "search_space"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

INTERRUPTED, TIME_UP = "interrupted", "the time was up"

_MOST_DRIVE, _MOST_DRIVEN = 600_000, 100_000  # builds of one part of a space: bounds the memory
_MOST_CELLS = 4_000_000  # cells ranked at once: bounds the memory
_CELLS = 64  # in the first visit; then twice as many each time
_PAIRS = 4_000_000  # pairs of the cells of one visit, at most
_PAIR_NAMES = tuple(rule.name for rule in PAIR_RULES)
_FIRST, _BATCH = 128, 2_048  # pairs balanced between two looks at what is kept: at first, and at most


@dataclass(frozen=True)
class Progress:
    """How far a search is.

    Attributes
    ----------
    settled : float [-]
        Share of the kits, of those that no rule of one side leaves out, that are settled.
    bound : float
        No kit that should be kept and is not yet scores below this.
    best : float
        Best score so far; infinite if there is none.
    """

    settled: float
    bound: float
    best: float


@dataclass(frozen=True)
class Watch:
    """Who is told of a search, and when it has to end.

    Attributes
    ----------
    report : callable
        Told the progress now and then.
    seconds : float
        Time after which the search stops with what it has.
    start : float [s]
        When that time began, on the clock of `time.monotonic`; now, if left out.
    """

    report: Callable[[Progress], None] = lambda _: None
    seconds: float = np.inf
    start: float = field(default_factory=time.monotonic)

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() - self.start > self.seconds


class _TimeUpError(Exception):
    """Ends a search that has used its time."""


@dataclass
class Found:
    """What a search has found out so far, beside the kits kept.

    Attributes
    ----------
    size : int
        Kits of the space.
    excluded : dict of rule -> int
        Kits left out, each under a rule that it breaks.
    reasons : dict of rule -> str
        One example of each rule of one side.
    bounded_away : int
        Kits proven not to matter.
    scored : int
        Kits balanced in full.
    bound : float
        No kit that should be kept and is not scores below this; infinite once every kit is settled.
    stopped : str
        Why the search ended early; empty if it did not.
    builds_excluded : tuple of two dicts of rule -> int
        Drive builds and driven builds left out.
    builds_left : list of two ints
        Drive builds and driven builds that no rule leaves out.
    example : Kit or None
        A kit that no rule of one side leaves out.
    """

    size: int
    excluded: dict[str, int] = field(default_factory=lambda: dict.fromkeys(RULE_NAMES, 0))
    reasons: dict[str, str] = field(default_factory=dict)
    bounded_away: int = 0
    scored: int = 0
    bound: float = 0.0
    stopped: str = ""
    builds_excluded: tuple[dict[str, int], dict[str, int]] = field(default_factory=lambda: ({}, {}))
    builds_left: list[int] = field(default_factory=lambda: [0, 0])
    example: Kit | None = None

    def leave_out(self, excluded: Mapping[str, int], kits_each: int) -> None:
        """Count what rules leave out, each of them so many kits."""
        for rule, count in excluded.items():
            self.excluded[rule] += count * kits_each

    def note(self, side: int, builds: Builds) -> None:
        """Remember which builds of a side were left out, and why."""
        for rule, count in builds.excluded.items():
            self.builds_excluded[side][rule] = self.builds_excluded[side].get(rule, 0) + count
        self.reasons = {**builds.reasons, **self.reasons}
        self.builds_left[side] += len(builds)

    @property
    def looked_at(self) -> int:
        """Kits left out by a rule or balanced."""
        return sum(self.excluded.values()) + self.scored

    @property
    def unsettled(self) -> int:
        """Kits that a search which was stopped had not come to."""
        return self.size - self.looked_at - self.bounded_away


def search_space(
    job: Job, space: Space, request: Request, keeper: Keeper, watch: Watch | None = None, *, plain: bool = False
) -> Found:
    """Show a keeper every kit of a space that it could keep.

    A space with very many builds is searched in parts, so that memory is bounded.

    Parameters
    ----------
    job : Job
    space : Space
    request : Request
    keeper : Keeper
        Holds the answer afterwards; what was found so far if the search was stopped by `watch` or by Ctrl-C.
    watch : Watch, optional
    plain : bool
        Balance every pair, without bounds.

    Returns
    -------
    Found
    """
    search = _Search(keeper, watch or Watch(), Found(space.size), plain)
    found = search.found
    try:
        for belt in space.options[BELT]:
            piece = space.only(BELT, (belt,))
            fits = judge(BeltOptions(Stage(job.forces, request), piece), BELT_RULES)
            found.leave_out(fits.excluded, space.count((*DRIVE_SLOTS, *DRIVEN_SLOTS)))
            found.reasons = {**fits.reasons, **found.reasons}
            if len(fits.choice):
                _search_belt(search, make_stage(job, request, belt), space, piece)
        found.bound = np.inf
    except (_TimeUpError, KeyboardInterrupt) as reason:
        found.stopped = TIME_UP if isinstance(reason, _TimeUpError) else INTERRUPTED
        found.bound = search.bound if search.whole else 0.0
    return found


def _search_belt(search: _Search, stage: Stage, space: Space, piece: Space) -> None:
    """Show the keeper every kit with one belt that it could keep."""
    found = search.found
    drive_parts, driven_parts = piece.cut(DRIVE_SLOTS, _MOST_DRIVE), piece.cut(DRIVEN_SLOTS, _MOST_DRIVEN)
    search.whole = len(space.options[BELT]) * len(drive_parts) * len(driven_parts) == 1
    drive: DriveBuilds | None = None
    for driven_part in driven_parts:
        driven = driven_builds(stage, driven_part)
        found.note(1, driven)
        for drive_part in drive_parts:
            if drive is None or len(drive_parts) > 1:
                drive = drive_builds(stage, drive_part)
            if driven_part is driven_parts[0]:
                found.note(0, drive)
            found.leave_out(drive.excluded, driven_part.count(DRIVEN_SLOTS))
            found.leave_out(driven.excluded, len(drive))
            if len(drive) and len(driven):
                first = np.maximum(space.numbers(drive_part), space.numbers(driven_part))  # one of them is 0
                sides = Sides(stage, drive, driven, first, search.keeper.split)
                found.example = found.example or space.kit(sides.choices(np.zeros((1, 2), np.intp))[0])
                search.visit(sides)


@dataclass(frozen=True)
class _Cells:
    """Cells that are not settled: drive part, driven build, and the least band [%] and least score of their pairs."""

    part: Index
    column: Index
    floor: Array
    least: Array

    def take(self, chosen: Index | slice) -> _Cells:
        return _Cells(self.part[chosen], self.column[chosen], self.floor[chosen], self.least[chosen])


def _smallest(values: Array, count: int) -> Index:
    """Numbers of the smallest values, rising."""
    chosen = np.arange(len(values)) if len(values) <= count else np.argpartition(values, count)[:count]
    return np.asarray(chosen[np.argsort(values[chosen], kind="stable")])


def _by_rule(broken: NDArray[np.int8], weights: NDArray[Any] | None = None) -> NDArray[Any]:
    """How many pairs break each rule, by its number."""
    return np.bincount(broken, weights, 1 + len(PAIR_RULES))


class _Search:
    """A search under way."""

    def __init__(self, keeper: Keeper, watch: Watch, found: Found, plain: bool) -> None:
        self.keeper, self.watch, self.found, self.plain = keeper, watch, found, plain
        self.whole = True  # whether the kits of this part are all there are
        self.bound = 0.0  # of the kits of this part that are not settled
        self.visited = False  # a search whose time is short sees some kits all the same

    def visit(self, sides: Sides) -> None:
        """Settle every pair of two sides."""
        self.bound = 0.0
        if self.plain:
            self._every_pair(sides)
        else:
            self._cells(sides)

    def _look(self, bound: float) -> None:
        """Tell how far the search is, and stop it if its time is up."""
        self._tell(bound)
        if self.watch.over and self.found.unsettled:
            raise _TimeUpError

    def _tell(self, bound: float) -> None:
        self.bound = bound
        found, kept = self.found, self.keeper.kept
        best = float(kept.scores[0]) if kept is not None and len(kept) else np.inf
        fitting = found.size - sum(n for rule, n in found.excluded.items() if rule not in _PAIR_NAMES)
        self.watch.report(Progress(1 - found.unsettled / max(1, fitting), float(bound), best))

    def _every_pair(self, sides: Sides) -> None:
        wide, least = len(sides.driven), float(sides.drive_points.min() + sides.driven_points.min())
        for start in range(0, len(sides.drive) * wide, _PAIRS):
            numbers = np.arange(start, min(start + _PAIRS, len(sides.drive) * wide))
            pairs = np.column_stack(np.divmod(numbers, wide))
            for at in range(0, len(pairs), _BATCH):
                batch = pairs[at : at + _BATCH]
                broken = sides.broken(batch)
                self._leave_out(_by_rule(broken))
                self._balance(sides, batch[broken == 0])
                self._look(least)

    def _leave_out(self, counts: NDArray[Any]) -> None:
        """Count kits out by the number of the rule they break; number 0 is no rule."""
        for rule, count in zip(_PAIR_NAMES, counts[1:], strict=True):
            self.found.excluded[rule] += int(count)

    def _balance(self, sides: Sides, pairs: Pairs) -> None:
        if len(pairs):
            self.keeper.add(sides, pairs)
            self.found.scored += len(pairs)

    def _cells(self, sides: Sides) -> None:
        """Settle every pair, cell by cell: a cell is a part of the drive builds with one driven build."""
        points = sides.driven_points
        order = np.argsort(points, kind="stable")
        wide = max(1, _MOST_CELLS // len(sides.bounds.parts))
        for start in range(0, len(order), wide):
            later = order[start + wide :]
            beyond = sides.part_ends.points.min() + points[later[0]] if len(later) else np.inf
            self._visit(sides, order[start : start + wide], float(beyond))

    def _visit(self, sides: Sides, columns: Index, beyond: float) -> None:
        """Settle the cells of some driven builds; no pair of the others scores below `beyond`."""
        parts, ends = sides.bounds.parts, sides.part_ends
        sizes = np.array([len(part.rows) for part in parts])
        floors = sides.bounds.floors(columns)
        broken = np.stack(list(parallel(lambda n: sides.all_broken(parts[n].rows, columns), len(parts))))
        self._leave_out(_by_rule(broken.ravel(), np.repeat(sizes, len(columns))))
        part, at = np.nonzero(broken == 0)
        column, floor = columns[at], floors[part, at]
        least = sides.request.weights["flatness"] * floor + ends.points[part] + sides.driven_points[column]
        cells, visit = _Cells(part, column, floor, least), _CELLS
        first: Index | None = None
        if self.keeper.split is not None:  # the best cell of each option first, so that every option has a limit soon
            option = sides.option(ends.take(part), column)
            order = np.lexsort([least, option])
            first = order[np.unique(option[order], return_index=True)[1]]
        while len(cells.part):
            (self._look if self.visited else self._tell)(min(beyond, cells.least.min()))
            self.visited = True
            chosen = _smallest(cells.least, visit) if first is None else first
            fits = int(np.searchsorted(np.cumsum(sizes[cells.part[chosen]]), _PAIRS, side="right"))
            chosen, first = chosen[: max(1, fits)], None
            now, cells = cells.take(chosen), cells.take(np.delete(np.arange(len(cells.part)), chosen))
            before = self.found.looked_at
            pairs, bands = self._candidates(sides, now)
            self._settle(sides, pairs, bands, min(beyond, cells.least.min(initial=np.inf)))
            self.found.bounded_away += int(sizes[now.part].sum()) - (self.found.looked_at - before)
            visit *= 2
            matters = cells.floor <= self.keeper.widest(sides, ends.take(cells.part), cells.column)
            self.found.bounded_away += int(sizes[cells.part[~matters]].sum())
            cells = cells.take(np.flatnonzero(matters))

    def _candidates(self, sides: Sides, cells: _Cells) -> tuple[Pairs, Array]:
        """Pairs of some cells that break no rule and could be kept, and the lower bounds of their bands."""
        numbers, bounds = np.unique(cells.part), sides.bounds

        def look(at: int) -> tuple[Pairs, Array, NDArray[Any]]:
            part, columns = bounds.parts[numbers[at]], cells.column[cells.part == numbers[at]]
            squares = part.squares(bounds.needed[columns])
            widest = self.keeper.widest(sides, sides.part_ends.take(np.full(len(columns), numbers[at])), columns)
            rows, of = np.nonzero(~(squares > (np.maximum(widest, 0.0) / 100) ** 2 * (1 + 1e-9)))
            pairs, bands = np.column_stack([part.rows[rows], columns[of]]), percent(squares[rows, of])
            broken = sides.broken(pairs)
            return pairs[broken == 0], bands[broken == 0], _by_rule(broken)

        looks = list(parallel(look, len(numbers)))
        self._leave_out(np.sum([counts for _, _, counts in looks], axis=0))
        return np.concatenate([pairs for pairs, _, _ in looks]), np.concatenate([bands for _, bands, _ in looks])

    def _settle(self, sides: Sides, pairs: Pairs, bands: Array, later: float) -> None:
        """Balance candidates, best bound first, while they could be kept."""
        least = sides.score(pairs, bands)
        order = np.argsort(least, kind="stable")
        pairs, bands, least = pairs[order], bands[order], least[order]
        start, batch = 0, min(_FIRST, _BATCH)
        while start < len(pairs):
            now = slice(start, start + batch)
            matters = bands[now] <= self.keeper.widest(sides, sides.ends(pairs[now, 0]), pairs[now, 1])
            self._balance(sides, pairs[now][matters])
            start, batch = start + batch, min(2 * batch, _BATCH)
            left = min(later, float(least[start]) if start < len(pairs) else np.inf)
            if left < np.inf:  # or nothing is left to be stopped
                self._look(left)
