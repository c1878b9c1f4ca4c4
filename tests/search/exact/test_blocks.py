"""Blocks of drive builds: what is told of a block holds for all its builds; and the look-up of a front."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from odd_spaces import OPEN, all_rules, limits, shop, tight
from varying import stage_of

from catalog import Job
from search.exact.blocks import halved, padded
from search.exact.keepers import Kept
from search.exact.pairs import Sides
from search.exact.pareto import RESOLUTION, ParetoFront, nondominated
from search.pair_rules import PAIR_RULES
from search.request import Request
from search.space import make_space

pytestmark = pytest.mark.invariant


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 100, 257])
def test_leaves_hold_every_build_once_and_are_alike_in_size(count: int) -> None:
    rng = np.random.default_rng(count)
    members = halved(rng.normal(size=(count, 3)) * (9, 1, 0), 8)
    sizes = [len(each) for each in members]
    assert max(sizes) <= 8
    assert max(sizes) - min(sizes) <= 1
    assert sorted(np.concatenate(members).tolist()) == list(range(count))
    rows, real = padded(members)
    assert sorted(rows[real].tolist()) == list(range(count))
    assert [set(row) for row in rows.tolist()] == [set(each.tolist()) for each in members]


def test_builds_are_parted_where_they_lie_farthest_apart() -> None:
    features = np.array([[0.0, 5], [0, -5], [1, 5], [1, -5]])
    assert {frozenset(each.tolist()) for each in halved(features, 2)} == {frozenset({0, 2}), frozenset({1, 3})}


def sides_of(job: Job, kind: str) -> Sides:
    if kind == "open":
        job = limits(shop(job, 3), **OPEN)
        return Sides.of(stage_of(job, Request.of(job)), make_space(job))
    case = {"tight": tight, "rules": all_rules}[kind](job, 11)
    request = replace(case.request, max_changes=4) if kind == "rules" else case.request
    sides = Sides.of(stage_of(case.job, request), case.space)
    return replace(sides, split="flyweight" if kind == "rules" else None)


@pytest.mark.parametrize("kind", ["open", "tight", "rules"])
def test_no_block_is_told_worse_than_one_of_its_builds(job: Job, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("search.exact.pairs._LEAF", 8)
    sides, broken_by = sides_of(job, kind), np.zeros(1 + len(PAIR_RULES), int)
    columns, seen = np.arange(len(sides.driven)), []
    for number, part in enumerate(sides.bounds.parts):
        along, off = part.group.place(sides.bounds.needed)
        (leaves,) = sides.leaves(np.array([number]))
        seen.append(leaves.rows[leaves.real])
        alone = part.squares(sides.bounds.needed)
        at = {int(row): n for n, row in enumerate(part.rows)}
        floors, broken = leaves.floors(along, off), sides.all_broken(leaves.leeway, columns)
        for leaf, (rows, real) in enumerate(zip(leaves.rows, leaves.real, strict=True)):
            of = alone[[at[int(row)] for row in rows[real]]]
            assert (floors[leaf] <= of.min(axis=0) + 1e-12).all()
            each = leaves.squares(np.full(len(columns), leaf), along, off)[:, real].T
            assert each == pytest.approx(of, abs=1e-12)
            pairs = np.array([(row, column) for row in rows[real] for column in columns])
            of_pairs = sides.broken(pairs).reshape(-1, len(columns))
            assert (of_pairs[:, broken[leaf] > 0] > 0).all()
            ends = sides.ends(rows[real])
            assert leaves.ends.points[leaf] == ends.points.min()
            assert leaves.ends.loss[leaf] == ends.loss.min()
            assert set(ends.option.tolist()) == {int(leaves.ends.option[leaf])}
            broken_by += np.bincount(broken[leaf], minlength=len(broken_by))
    assert sorted(np.concatenate(seen).tolist()) == list(range(len(sides.drive)))
    if kind != "open":
        assert broken_by[1] > 0  # or this test would show nothing
    if kind == "rules":
        assert (broken_by > 0).all()


@pytest.mark.parametrize("steps", [2, 5, 1_500])
def test_a_front_is_looked_up_as_wide_as_it_is_or_wider(steps: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("search.exact.pareto._MOST_STEPS", steps)
    rng = np.random.default_rng(steps)

    def kits(count: int) -> Kept:
        terms = {n: rng.integers(0, 40, count).astype(float) * 10.0**-d for n, d in RESOLUTION.items()}
        return Kept(np.zeros((count, 1), np.intp), np.zeros(count), terms, np.zeros(count, bool))

    def points(some: Kept) -> np.ndarray:
        signs = np.where(np.array(list(RESOLUTION)) == "belt_margin", -1, 1)
        return np.round(np.column_stack([some.terms[name] for name in RESOLUTION]) * signs, 6)

    front = ParetoFront()
    every = kits(400)
    front.kept = every.take(front.choose(every))
    fresh = kits(500)
    hopeful = front.hopeful(fresh)
    held, asked = points(front.kept), points(fresh)
    beaten = np.array([((held <= point).all(1) & (held[:, 0] < point[0])).any() for point in asked])
    assert nondominated(held).all()
    assert not (~hopeful & ~beaten).any()
    assert beaten.any()
    if steps > 40:
        assert (hopeful == ~beaten).all()
