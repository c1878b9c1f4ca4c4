"""Searches ended early, wherever they are then: by time, by Ctrl-C, by whoever watches; and who does their work."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from odd_spaces import OPEN, Case, adds_up, faster, limits
from shop import shop_job

from catalog import Job
from search import rank, workers
from search.exact.bounds import Bounds, make_bounds
from search.exact.keepers import BestKits, Keeper
from search.exact.pairs import Sides
from search.exact.pareto import ParetoFront
from search.exact.search import INTERRUPTED, TIME_UP, Watch, _Search, search_space
from search.exact.watch import TimeUpError
from search.request import Request
from search.space import make_space

pytestmark = pytest.mark.invariant

SMALL = {"springs": 3, "arms": 2, "masses": 3, "driven": 4, "helices": 4, "twists": 1}


@dataclass(frozen=True)
class Ending(Watch):
    """Its time is up, or it wants an end, at the n-th look."""

    at: float = np.inf
    how: type[BaseException] = TimeUpError
    looks: list[str] = field(default_factory=list)

    def check(self) -> None:
        self.looks.append(threading.current_thread().name)
        if len(self.looks) >= self.at:
            raise self.how


@pytest.fixture(scope="module")
def case(job: Job) -> Case:
    small = faster(shop_job(job, **SMALL, seed=11), 1.1)
    return Case(small, Request.of(small))


def keepers(case: Case) -> list[Callable[[], Keeper]]:
    return [lambda: BestKits(200), ParetoFront, lambda: BestKits(1, "tip", len(case.space.options["tip"]))]


@pytest.mark.parametrize("kind", range(3))
@pytest.mark.parametrize("thin", [0, 10**9])
@pytest.mark.parametrize("how", [TimeUpError, KeyboardInterrupt])
def test_what_is_told_is_true_wherever_a_search_is_ended(
    case: Case, kind: int, thin: int, how: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    cuts = {"_CELLS": 2, "_FIRST": 2, "_BATCH": 4, "_LEAVES": 1, "_COLUMNS": 4, "_PAIRS": 300}
    for name, value in cuts.items():
        monkeypatch.setattr(f"search.exact.search.{name}", value)
    monkeypatch.setattr("search.exact.pairs._LEAF", 7)
    monkeypatch.setattr("search.exact.pairs._THIN", thin)
    make = keepers(case)[kind]
    choices, scores, _ = case.every
    rank_of = {tuple(choice): number for number, choice in enumerate(choices.tolist())}
    whole, watch = make(), Ending()
    found = search_space(case.job, case.space, case.request, whole, watch)
    assert found.stopped == ""
    assert whole.kept is not None
    wanted = {rank_of[tuple(choice)] for choice in whole.kept.choices.tolist()}
    early = 0
    for end in np.unique(np.geomspace(1, len(watch.looks), 12).astype(int)):
        keeper = make()
        found = search_space(case.job, case.space, case.request, keeper, Ending(at=end, how=how))
        if not found.stopped:  # threads take their shares in another order: nothing was left to be stopped
            continue
        early += 1
        assert found.stopped == (TIME_UP if how is TimeUpError else INTERRUPTED)
        adds_up(found)
        assert found.unsettled > 0
        kept = [] if keeper.kept is None else [rank_of[tuple(choice)] for choice in keeper.kept.choices.tolist()]
        assert keeper.kept is None or keeper.kept.scores.tolist() == scores[kept].tolist()
        assert all(scores[number] >= found.bound - 1e-9 for number in wanted - set(kept))
    assert early > 5


def test_of_a_space_in_pieces_a_bound_is_told_only_in_the_last(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("MOST_DRIVE", "MOST_DRIVEN"):
        monkeypatch.setattr(f"search.exact.search.{name}", 60)
    visit, lasts = _Search.visit, []

    def watched(search: _Search, sides: Sides, last: bool) -> None:
        lasts.append(last)
        visit(search, sides, last)

    monkeypatch.setattr(_Search, "visit", watched)
    looks = Ending()
    search_space(case.job, case.space, case.request, BestKits(20), looks)
    assert lasts.count(True) == 1
    assert lasts[-1]
    told: dict[bool, set[bool]] = {False: set(), True: set()}
    for end in np.unique(np.linspace(1, len(looks.looks), 12).astype(int)):
        lasts.clear()
        found = search_space(case.job, case.space, case.request, BestKits(20), Ending(at=end))
        if found.stopped and lasts:
            told[lasts[-1]].add(found.bound > 0)
    assert told[False] == {False}  # pieces to come may hold anything


def test_a_search_whose_time_is_short_sees_some_kits_all_the_same(case: Case) -> None:
    looks = Ending()
    search_space(case.job, case.space, case.request, BestKits(5), looks)
    seen = []
    for end in range(1, 120):
        keeper = BestKits(5)
        found = search_space(case.job, case.space, case.request, keeper, Ending(at=end))
        adds_up(found)
        seen.append(keeper.kept is not None)
        assert seen[-1] == (found.scored > 0)
    assert not seen[0]  # no side was worked out yet
    first = seen.index(True)
    assert all(seen[first:])
    assert first < 90


@pytest.mark.parametrize("options", [{}, {"pareto": True}, {"best_per": "helix"}, {"plain": True}])
def test_no_time_is_an_empty_ranking_that_is_not_proven(case: Case, options: dict[str, Any]) -> None:
    ranking = rank(case.job, watch=Watch(seconds=1.0, start=time.monotonic() - 2), **options)
    assert (ranking.kits, ranking.proven, ranking.stopped) == ((), False, TIME_UP)
    assert ranking.counts["unsettled"] == ranking.counts["space"]
    json.dumps(ranking.to_dict(), allow_nan=False)


def test_time_is_counted_from_the_start_that_is_given() -> None:
    assert not Watch(seconds=60.0).over
    assert Watch(seconds=60.0, start=time.monotonic() - 61).over
    with pytest.raises(TimeUpError):
        Watch(seconds=60.0, start=time.monotonic() - 61).check()
    wanted = [False]
    watch = Watch(interrupted=lambda: wanted[0])
    watch.check()
    wanted[0] = True
    with pytest.raises(KeyboardInterrupt):
        watch.check()


def test_time_is_kept_where_no_pair_can_be_balanced(case: Case) -> None:
    job = faster(case.job, 1.0001)
    looks = Ending()
    whole = search_space(job, make_space(job), Request.of(job), BestKits(5), looks)
    found = search_space(job, make_space(job), Request.of(job), BestKits(5), Ending(at=len(looks.looks) // 2))
    assert (whole.scored, found.scored, found.stopped) == (0, 0, TIME_UP)
    adds_up(found)


# ---- who does the work ----


class Counting:
    """An executor of one thread that counts what it is given."""

    def __init__(self) -> None:
        self.shares = 0

    def map(self, fn: Callable[[int], Any], *iterables: Any) -> Iterator[Any]:
        for number in next(iter(iterables)):
            self.shares += 1
            yield fn(number)


def test_a_search_makes_one_pool_of_threads_or_takes_the_given_one(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[ThreadPoolExecutor] = []

    def pool(**options: Any) -> ThreadPoolExecutor:
        made.append(ThreadPoolExecutor(**options))
        return made[-1]

    monkeypatch.setattr("search.workers.ThreadPoolExecutor", pool)
    own, given, executor = BestKits(20), BestKits(20), Counting()
    search_space(case.job, case.space, case.request, own)
    assert len(made) == 1
    with pytest.raises(RuntimeError, match="after shutdown"):
        made[0].submit(int)
    search_space(case.job, case.space, case.request, given, executor=executor)
    assert len(made) == 1
    assert executor.shares > 5
    assert own.kept is not None
    assert given.kept is not None
    assert own.kept.choices.tolist() == given.kept.choices.tolist()
    assert own.kept.scores.tolist() == given.kept.scores.tolist()


def test_what_a_share_raises_comes_out_and_drops_what_has_not_begun() -> None:
    begun: list[int] = []

    def work(number: int) -> None:
        begun.append(number)
        time.sleep(0.01)
        if number == 3:
            raise TimeUpError

    with workers.crew(), pytest.raises(TimeUpError):
        workers.parallel(work, 2_000)
    assert len(begun) < 1_000


def test_shares_may_be_split_again_and_are_checked_in_their_threads() -> None:
    checked: list[str] = []
    with workers.crew(looking=lambda: checked.append(threading.current_thread().name)):
        sums = workers.parallel(lambda n: sum(workers.parallel(lambda m: n * m, 4)), 50)
        workers.check()
    assert sums == [6 * n for n in range(50)]
    assert len(checked) == 50 + 50 * 4 + 1
    assert len(set(checked)) > 1
    workers.check()  # nobody's: nothing to look at


# ---- which spaces are balanced plainly ----


def test_bounds_are_made_only_where_they_pay(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def counted(*args: Any) -> Bounds:
        made.append(0)
        return make_bounds(*args)

    monkeypatch.setattr("search.exact.pairs.make_bounds", counted)

    open_job = limits(shop_job(job, **(SMALL | {"springs": 2, "twists": 2}), seed=11), **OPEN)
    case = Case(open_job, Request.of(open_job))
    pairs, answers = case.space.size, []
    for small, thin, wanted in ((pairs, 0, False), (0, pairs, False), (0, 10, True), (pairs // 9, pairs // 9, True)):
        monkeypatch.setattr("search.exact.search._SMALL", small)
        monkeypatch.setattr("search.exact.pairs._THIN", thin)
        made.clear()
        keeper = BestKits(30)
        adds_up(search_space(case.job, case.space, case.request, keeper))
        assert bool(made) == wanted
        assert keeper.kept is not None
        answers.append(keeper.kept.choices.tolist())
    assert all(answer == case.every[0][:30].tolist() for answer in answers)
