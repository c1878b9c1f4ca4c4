"""The exact search: every kit that could be kept is shown to a keeper, every other is proven not to matter.

A cell is a part of the drive builds (one spring) with one driven build. Cells are visited in the order of their lower
bounds, and split into leaves of a few dozen drive builds; in the leaves that are left the pairs whose own bounds leave
them a chance are balanced in full, best bound first, while what is kept closes off ever more of the rest. The same
answer comes from balancing every pair (`plain`), in far more time; where there are so few pairs that bounds would not
pay, it does.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.slots import BELT
from search.builds import DriveBuilds, drive_builds, driven_builds
from search.exact.bounds import percent
from search.exact.found import Found
from search.exact.keepers import Keeper
from search.exact.pairs import Pairs, Sides
from search.exact.watch import INTERRUPTED, TIME_UP, Progress, TimeUpError, Watch
from search.pair_rules import PAIR_RULES
from search.request import Request
from search.rules import BELT_RULES, judge
from search.score import make_stage
from search.sides import BeltOptions
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Space
from search.stage import Stage
from search.workers import Executor, crew, parallel

__all__ = ["INTERRUPTED", "MOST_DRIVE", "MOST_DRIVEN", "TIME_UP", "Found", "Progress", "Watch", "search_space"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_PAIR_NAMES = tuple(rule.name for rule in PAIR_RULES)
MOST_DRIVE, MOST_DRIVEN = 600_000, 100_000  # builds of one part of a space: bounds the memory
_SMALL = 20_000  # pairs of a part of a space that are balanced sooner than bounds would pay
_MOST_CELLS = 4_000_000  # cells ranked at once: bounds the memory
_COLUMNS = 512  # driven builds whose cells are ranked at first; then four times as many each time
_CELLS = 64  # in the first visit; then twice as many each time
_MOST_LEAVES = 1_000_000  # leaves of the cells of one visit, at most: bounds the memory
_LEAVES = 256  # leaves whose pairs are bounded at first; then twice as many each time
_PAIRS = 1_000_000  # pairs bounded at once, at most: bounds the memory
_FIRST, _BATCH = 128, 2_048  # pairs balanced between two looks at what is kept: at first, and at most
_VALUES = 30_000  # pairs of a leaf and a driven build, or of builds, looked at together; about what stays in cache


def search_space(
    job: Job,
    space: Space,
    request: Request,
    keeper: Keeper,
    watch: Watch | None = None,
    *,
    plain: bool = False,
    executor: Executor | None = None,
) -> Found:
    """Show a keeper every kit of a space that it could keep.

    A space with very many builds is searched in pieces, so that memory is bounded.

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
    executor : Executor, optional
        What does the work; threads of its own, if left out.

    Returns
    -------
    Found
    """
    watch = watch or Watch()
    found = Found(space.size)
    search = _Search(keeper, watch, found, plain)
    with crew(executor, watch.check):
        try:
            for sides, last in _pieces(_stages(job, space, request, found), space, keeper, found):
                search.visit(sides, last)
            found.bound = np.inf
        except (TimeUpError, KeyboardInterrupt) as reason:
            found.stopped = TIME_UP if isinstance(reason, TimeUpError) else INTERRUPTED
            found.bound = search.bound if search.last else 0.0
    if found.stopped == TIME_UP:
        with suppress(KeyboardInterrupt):  # what was kept before is the answer then
            search.glance()
    return found


def _stages(job: Job, space: Space, request: Request, found: Found) -> list[tuple[Stage, Space]]:
    """The request put to the machine with each belt that fits, and the kits with it; counts out the others."""
    fits = judge(BeltOptions(Stage(job.forces, request), space), BELT_RULES)
    found.leave_out(fits.excluded, space.count((*DRIVE_SLOTS, *DRIVEN_SLOTS)))
    found.reasons = {**fits.reasons, **found.reasons}
    belts = [space.options[BELT][number] for (number,) in fits.choice]
    return [(make_stage(job, request, belt), space.only(BELT, (belt,))) for belt in belts]


def _pieces(
    stages: list[tuple[Stage, Space]], space: Space, keeper: Keeper, found: Found
) -> Iterator[tuple[Sides, bool]]:
    """Both sides of each piece of a space that has pairs, and whether it is the last; counts out the other kits."""
    for number, (stage, kits) in enumerate(stages, 1):
        drive_parts, driven_parts = kits.cut(DRIVE_SLOTS, MOST_DRIVE), kits.cut(DRIVEN_SLOTS, MOST_DRIVEN)
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
                    sides = Sides(stage, drive, driven, first, keeper.split)
                    found.example = found.example or space.kit(sides.choices(np.zeros((1, 2), np.intp))[0])
                    ends = driven_part is driven_parts[-1] and drive_part is drive_parts[-1]
                    yield sides, ends and number == len(stages)


@dataclass(frozen=True)
class _Cells:
    """Cells that are not settled, or leaves of them.

    Drive part, leaf of it (0 of a whole part), driven build, and the least flatness [%] and least score of their pairs.
    """

    part: Index
    leaf: Index
    column: Index
    floor: Array
    least: Array

    def __len__(self) -> int:
        return len(self.part)

    def take(self, chosen: Index | slice | NDArray[np.bool_]) -> _Cells:
        return _Cells(*(getattr(self, f.name)[chosen] for f in fields(self)))

    @staticmethod
    def joined(each: list[_Cells]) -> _Cells:
        return _Cells(*(np.concatenate([getattr(cells, f.name) for cells in each]) for f in fields(_Cells)))

    def shares(self, sizes: Index) -> list[Index]:
        """Numbers of the cells of one part each, at most as many together as `sizes` of their part says."""
        order = np.argsort(self.part, kind="stable")
        runs = np.split(order, np.flatnonzero(np.diff(self.part[order])) + 1) if len(self) else []
        most = [max(1, int(sizes[self.part[run[0]]])) for run in runs]
        return [run[at : at + size] for run, size in zip(runs, most, strict=True) for at in range(0, len(run), size)]


def _smallest(values: Array, count: int) -> Index:
    """Numbers of the smallest values, rising."""
    chosen = np.arange(len(values)) if len(values) <= count else np.argpartition(values, count)[:count]
    return np.asarray(chosen[np.argsort(values[chosen], kind="stable")])


def _by_rule(broken: NDArray[np.int8], weights: NDArray[Any] | None = None) -> NDArray[Any]:
    """How many pairs break each rule, by its number."""
    return np.bincount(broken, weights, 1 + len(PAIR_RULES))


def _squared(widest: Array) -> Array:
    """Square of the flatness [%] with which a pair could still be kept, rounded up."""
    return np.asarray((np.maximum(widest, 0.0) / 100) ** 2 * (1 + 1e-9))


class _Search:
    """A search under way."""

    def __init__(self, keeper: Keeper, watch: Watch, found: Found, plain: bool) -> None:
        self.keeper, self.watch, self.found, self.plain = keeper, watch, found, plain
        self.bound = 0.0  # of the kits of this piece that are not settled
        self.sides: Sides | None = None  # of this piece
        self.last = False  # whether it is the last

    def visit(self, sides: Sides, last: bool) -> None:
        """Settle every pair of two sides."""
        self.bound, self.sides, self.last = 0.0, sides, last
        if self.plain or len(sides.drive) * len(sides.driven) <= _SMALL:
            self._every_pair(sides)
            return
        thin = sides.thin
        least = float(sides.drive_points[thin].min(initial=np.inf) + sides.driven_points.min())
        if len(thin) < len(sides.drive):
            self._cells(sides, least)
        self._unbounded(sides, thin, least)

    def glance(self) -> None:
        """Balance a few pairs where the time was up before any was: a short search sees some all the same."""
        if self.keeper.kept is not None or self.sides is None:
            return
        sides = self.sides
        rows = np.argsort(sides.drive_points, kind="stable")
        rows = rows[np.linspace(0, len(rows) - 1, min(len(rows), _FIRST)).astype(np.intp)]
        columns = _smallest(sides.driven_points, _FIRST)
        pairs = np.column_stack([np.repeat(rows, len(columns)), np.tile(columns, len(rows))])
        pairs = pairs[sides.broken(pairs) == 0]
        self._balance(sides, pairs[np.linspace(0, len(pairs) - 1, min(len(pairs), _FIRST)).astype(np.intp)])

    def _look(self, bound: float) -> None:
        """Tell how far the search is, and stop it if its time is up."""
        self.bound = bound
        found, kept = self.found, self.keeper.kept
        best = float(kept.scores[0]) if kept is not None and len(kept) else np.inf
        fitting = found.size - sum(n for rule, n in found.excluded.items() if rule not in _PAIR_NAMES)
        self.watch.report(Progress(1 - found.unsettled / max(1, fitting), float(bound), best))
        if found.unsettled:
            self.watch.check()

    def _every_pair(self, sides: Sides) -> None:
        wide, least = len(sides.driven), float(sides.drive_points.min() + sides.driven_points.min())
        for start in range(0, len(sides.drive) * wide, _BATCH):
            numbers = np.arange(start, min(start + _BATCH, len(sides.drive) * wide))
            pairs = np.column_stack(np.divmod(numbers, wide))
            broken = sides.broken(pairs)
            self._leave_out(_by_rule(broken))
            self._balance(sides, pairs[broken == 0])
            self._look(least)

    def _leave_out(self, counts: NDArray[Any]) -> None:
        """Count kits out by the number of the rule they break; number 0 is no rule."""
        for rule, count in zip(_PAIR_NAMES, counts[1:], strict=True):
            self.found.excluded[rule] += int(count)

    def _balance(self, sides: Sides, pairs: Pairs) -> None:
        if len(pairs):
            self.keeper.add(sides, pairs)
            self.found.scored += len(pairs)

    def _unbounded(self, sides: Sides, rows: Index, least: float) -> None:
        """Settle every pair of some drive builds by what both sides add to the score alone."""
        wide = len(sides.driven)
        for start in range(0, len(rows) * wide, _PAIRS):
            self._look(least)
            end = min(start + _PAIRS, len(rows) * wide)
            row, column = np.divmod(np.arange(start, end), wide)
            before = self.found.looked_at
            matters = self.keeper.widest(sides, sides.ends(rows[row]), column) >= 0
            pairs = np.column_stack([rows[row[matters]], column[matters]])
            broken = sides.broken(pairs)
            self._leave_out(_by_rule(broken))
            pairs = pairs[broken == 0]
            self._settle(sides, pairs, np.zeros(len(pairs)), least if end < len(rows) * wide else np.inf)
            self.found.bounded_away += end - start - (self.found.looked_at - before)

    def _cells(self, sides: Sides, beyond: float) -> None:
        """Settle every pair, cell by cell: a cell is a part of the drive builds with one driven build.

        The driven builds that add least to the score come first: what is kept of them closes off most of the others
        before a cell of theirs is bounded. No pair outside of the cells scores below `beyond`.
        """
        points = sides.driven_points
        order = np.argsort(points, kind="stable")
        most = max(1, _MOST_CELLS // len(sides.bounds.parts))
        start, wide = 0, min(_COLUMNS, most)
        while start < len(order):
            later = order[start + wide :]
            least = float(sides.part_ends.points.min() + points[later[0]]) if len(later) else np.inf
            self._visit(sides, order[start : start + wide], min(beyond, least))
            start, wide = start + wide, min(4 * wide, most)

    def _open(self, sides: Sides, columns: Index) -> _Cells:
        """Cells of some driven builds that could hold a pair to keep; counts out the others."""
        parts, ends = sides.bounds.parts, sides.part_ends
        sizes = np.array([len(part.rows) for part in parts])
        size = max(1, _VALUES // len(parts))

        def look(at: int) -> tuple[Array, NDArray[np.int8]]:
            some = columns[at * size : (at + 1) * size]
            part, column = (each.ravel() for each in np.indices((len(parts), len(some))))
            widest = self.keeper.widest(sides, ends.take(part), some[column])
            return widest.reshape(len(parts), -1), sides.all_broken(sides.part_leeway, some)

        looks = parallel(look, -(-len(columns) // size))
        widest, broken = (np.concatenate([look[n] for look in looks], axis=1) for n in (0, 1))
        floors = sides.bounds.floors(columns, widest)
        matters = (broken == 0) & (floors <= widest)
        part, at = np.nonzero(matters)
        self._leave_out(_by_rule(broken.ravel(), np.repeat(sizes, len(columns))))
        self.found.bounded_away += int(sizes @ ((broken == 0) & ~matters).sum(axis=1))
        floor = floors[part, at]
        least = sides.request.weights["flatness"] * floor + ends.points[part] + sides.driven_points[columns[at]]
        return _Cells(part, np.zeros_like(part), columns[at], floor, least)

    def _visit(self, sides: Sides, columns: Index, beyond: float) -> None:
        """Settle the cells of some driven builds; no pair of the others scores below `beyond`."""
        cells, visit, ends = self._open(sides, columns), _CELLS, sides.part_ends
        sizes = np.array([len(part.rows) for part in sides.bounds.parts])
        first: Index | None = None
        if self.keeper.split is not None:  # the best cell of each option first, so that every option has a limit soon
            option = sides.option(ends.take(cells.part), cells.column)
            order = np.lexsort([cells.least, option])
            first = order[np.unique(option[order], return_index=True)[1]]
        while len(cells):
            self._look(min(beyond, cells.least.min()))
            chosen = _smallest(cells.least, visit) if first is None else first
            fits = int(np.searchsorted(np.cumsum(sides.most_leaves[cells.part[chosen]]), _MOST_LEAVES, side="right"))
            chosen, first = chosen[: max(1, fits)], None
            now, cells = cells.take(chosen), cells.take(np.delete(np.arange(len(cells)), chosen))
            before = self.found.looked_at
            self._leaves(sides, self._refined(sides, now), min(beyond, cells.least.min(initial=np.inf)))
            self.found.bounded_away += int(sizes[now.part].sum()) - (self.found.looked_at - before)
            visit *= 2
            matters = cells.floor <= self.keeper.widest(sides, ends.take(cells.part), cells.column)
            self.found.bounded_away += int(sizes[cells.part[~matters]].sum())
            cells = cells.take(matters)

    def _refined(self, sides: Sides, cells: _Cells) -> _Cells:
        """Leaves of some cells that could hold a pair to keep."""
        bounds, weight = sides.bounds, sides.request.weights["flatness"]
        shares = cells.shares(_VALUES // sides.most_leaves)
        leaves_of = sides.leaves(np.array([cells.part[share[0]] for share in shares], np.intp))

        def look(at: int) -> tuple[_Cells, NDArray[Any]]:
            share, leaves = shares[at], leaves_of[at]
            part, columns = cells.part[share], cells.column[share]
            along, off = bounds.parts[part[0]].group.place(bounds.needed[columns])
            squares, broken = leaves.floors(along, off), sides.all_broken(leaves.leeway, columns)
            widest = self.keeper.widest(sides, sides.part_ends.take(part), columns)
            leaf, of = np.nonzero(~(squares > _squared(widest)) & (broken == 0))
            floor, ends, column = percent(squares[leaf, of]), leaves.ends.take(leaf), columns[of]
            least = weight * floor + ends.points + sides.driven_points[column]
            found = _Cells(part[of], leaf, column, floor, least)
            found = found.take(floor <= self.keeper.widest(sides, ends, column))
            return found, _by_rule(broken.ravel(), np.repeat(leaves.sizes, len(columns)))

        looks = parallel(look, len(shares))
        self._leave_out(np.sum([counts for _, counts in looks], axis=0))
        return _Cells.joined([found for found, _ in looks])

    def _leaves(self, sides: Sides, cells: _Cells, later: float) -> None:
        """Balance what could be kept of some leaves, best bound first; no other pair scores below `later`."""
        cells, count = cells.take(np.argsort(cells.least, kind="stable")), _LEAVES
        while len(cells):
            self._look(min(later, float(cells.least[0])))
            now, cells = cells.take(slice(count)), cells.take(slice(count, None))
            pairs, bands = self._candidates(sides, now)
            self._settle(sides, pairs, bands, min(later, cells.least.min(initial=np.inf)))
            count = min(2 * count, max(1, _PAIRS // sides.leaf_size))
            shares = cells.shares(np.full(len(sides.bounds.parts), len(cells)))
            leaves_of = sides.leaves(np.array([cells.part[share[0]] for share in shares], np.intp))
            matters = np.zeros(len(cells), bool)
            for share, leaves in zip(shares, leaves_of, strict=True):
                ends = leaves.ends.take(cells.leaf[share])
                matters[share] = cells.floor[share] <= self.keeper.widest(sides, ends, cells.column[share])
            cells = cells.take(matters)

    def _candidates(self, sides: Sides, cells: _Cells) -> tuple[Pairs, Array]:
        """Pairs of some leaves that break no rule and could be kept, and the lower bounds of their flatness."""
        bounds = sides.bounds
        shares = cells.shares(np.full(len(bounds.parts), _VALUES // sides.leaf_size))
        leaves_of = sides.leaves(np.array([cells.part[share[0]] for share in shares], np.intp))

        def look(at: int) -> tuple[Pairs, Array, NDArray[Any]]:
            share, leaves = shares[at], leaves_of[at]
            leaf, column = cells.leaf[share], cells.column[share]
            columns, of = np.unique(column, return_inverse=True)
            along, off = bounds.parts[cells.part[share[0]]].group.place(bounds.needed[columns])
            squares = leaves.squares(leaf, along[of], off[of])
            widest = self.keeper.widest(sides, leaves.ends.take(leaf), column)
            cell, build = np.nonzero(~(squares > _squared(widest)[:, None]) & leaves.real[leaf])
            pairs = np.column_stack([leaves.rows[leaf[cell], build], column[cell]])
            broken = sides.broken(pairs)
            return pairs[broken == 0], percent(squares[cell, build])[broken == 0], _by_rule(broken)

        looks = parallel(look, len(shares))
        self._leave_out(np.sum([counts for _, _, counts in looks], axis=0))
        return np.concatenate([pairs for pairs, _, _ in looks]), np.concatenate([bands for _, bands, _ in looks])

    def _settle(self, sides: Sides, pairs: Pairs, bands: Array, later: float) -> None:
        """Balance candidates, best bound first, while they could be kept."""
        least = sides.score(pairs, bands)
        order = np.argsort(least, kind="stable")
        pairs, bands, least = pairs[order], bands[order], least[order]
        start, batch = 0, min(_FIRST, _BATCH)
        while start < len(pairs):
            window = slice(start, start + 16 * batch)  # most of it may be closed off by now
            some = pairs[window]
            matters = bands[window] <= self.keeper.widest(sides, sides.ends(some[:, 0]), some[:, 1])
            chosen = np.flatnonzero(matters)[:batch]
            self._balance(sides, some[chosen])
            start, batch = start + (chosen[-1] + 1 if len(chosen) == batch else len(some)), min(2 * batch, _BATCH)
            left = min(later, float(least[start]) if start < len(pairs) else np.inf)
            if left < np.inf:  # or nothing is left to be stopped
                self._look(left)
