"""The exact ranking against scoring every kit of a space one by one, and everything it must not depend on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from varying import stage_of

from catalog import Job, load_job
from catalog.errors import InputError
from catalog.slots import EMPTY, SLOT_FAMILIES
from catalog.stock import Price
from search import Kit, Score, rank, score_kit
from search.exact.keepers import BestKits, Keeper
from search.exact.pairs import Sides
from search.exact.pareto import RESOLUTION, ParetoFront, nondominated
from search.exact.search import Watch, search_space
from search.pair_rules import PAIR_RULES as PAIR_RULE_ROWS
from search.pair_rules import RULE_NAMES
from search.ranking import Ranking
from search.request import Request
from search.score import pair_terms
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, SLOT_NAMES, Space, fitted_kit, make_space

pytestmark = pytest.mark.invariant

SEEDS = range(20)  # of 19, every rule is planted once or twice
TERMS = tuple(RESOLUTION)
PAIR_RULES = [rule.name for rule in PAIR_RULE_ROWS]
RULES = set(RULE_NAMES)
Solve = Callable[[int], Any]  # the fixture `solve`: a small random job by its seed, with each kit scored by itself


def listed(ranking: Ranking) -> list[tuple[tuple[Any, ...], float]]:
    return [(kit.kit.order, round(kit.score, 9)) for kit in ranking.kits]


@pytest.mark.parametrize("seed", SEEDS)
def test_the_ranking_is_that_of_scoring_every_kit(seed: int, solve: Solve) -> None:
    small = solve(seed)
    best = [(s.kit.order, round(s.score, 9)) for s in small.best]
    assert len(small.scores) == small.space.size
    for top in {1, 2, max(1, len(best) // 2), max(1, len(best)), len(best) + 7}:
        ranking = small.rank(top=top)
        assert listed(ranking) == best[:top]
        assert [kit.rank for kit in ranking.kits] == list(range(1, len(ranking.kits) + 1))
        for kit, alone in zip(ranking.kits, small.best, strict=False):
            assert dict(kit.terms) == pytest.approx(dict(alone.terms), rel=1e-9, abs=1e-9)
            assert sum(kit.shares.values()) == pytest.approx(kit.score, abs=1e-8)
        for slot, wanted in {**small.job.spec.locks, **small.locks}.items():
            assert {kit.kit.words()[slot] for kit in ranking.kits} <= {word.strip() for word in wanted.split(",")}


@pytest.mark.parametrize("seed", SEEDS[:18:5])  # not where the fitted kit alone is left
def test_equal_scores_stand_in_the_order_of_their_slot_ids(seed: int, solve: Solve) -> None:
    small = solve(seed)
    orders = sorted(s.kit.order for s in small.scores if s.buildable)
    all_tied = replace(small.request, weights=dict.fromkeys(TERMS, 0.0))
    for top in (1, 5, len(orders)):
        assert listed(replace(small, request=all_tied).rank(top=top)) == [(order, 0.0) for order in orders[:top]]

    by_order = {s.kit.order: s for s in small.scores}
    twins = {"aa-twin", "zz-twin"}
    tied = 0
    for order, one in by_order.items():
        fitted = fitted_kit(small.job).order
        back = [own if str(part)[:7] in twins else part for part, own in zip(order, fitted, strict=True)]
        other = by_order[tuple(back)]
        if one.buildable and other.buildable:
            assert one.score == other.score
            tied += one is not other
    assert tied > 0


@pytest.mark.parametrize("seed", SEEDS)
def test_counts_add_up_and_each_is_of_a_rule_that_is_broken(seed: int, solve: Solve) -> None:
    small = solve(seed)
    first = Counter(next(iter(s.failures)) for s in small.scores if s.failures)
    breaking = Counter(rule for s in small.scores for rule in s.failures)
    for options in ({"top": 1}, {"top": 10_000}, {"pareto": True}, {"best_per": "helix"}, {"plain": True}):
        counts = dict(small.rank(**options).counts)
        space, away, scored = counts.pop("space"), counts.pop("bounded_away"), counts.pop("scored")
        assert counts.pop("unsettled") == 0
        assert space == small.space.size == sum(counts.values()) + away + scored
        assert counts.keys() == RULES
        assert {rule: n for rule, n in counts.items() if n and rule not in PAIR_RULES} == {
            rule: n for rule, n in first.items() if rule not in PAIR_RULES
        }
        of_pairs = sum(counts[rule] for rule in PAIR_RULES)
        assert all(counts[rule] <= breaking[rule] for rule in PAIR_RULES)
        assert of_pairs <= sum(first[rule] for rule in PAIR_RULES)
        assert scored <= sum(s.buildable for s in small.scores)
        if options == {"top": 10_000}:  # all are listed, so nothing is bounded away
            assert (away, scored) == (0, sum(s.buildable for s in small.scores))
            assert of_pairs == sum(first[rule] for rule in PAIR_RULES)
        if options == {"plain": True} or small.planted not in PAIR_RULES:
            assert counts[small.planted] > 0
        if options == {"plain": True}:
            assert {rule: n for rule, n in counts.items() if n} == first
            assert (away, scored) == (0, sum(s.buildable for s in small.scores))


@pytest.mark.parametrize("seed", SEEDS[::5])
def test_a_space_of_one_kit_or_of_one_half_is_counted_alike(seed: int, solve: Solve) -> None:
    small = solve(seed)
    for some in {next(iter(s.failures), ""): s.kit for s in small.scores}.values():
        for pinned in (SLOT_NAMES, DRIVE_SLOTS, DRIVEN_SLOTS):
            locks = {slot: some.words()[slot] for slot in pinned}
            left = [s for s in small.scores if all(s.kit.words()[slot] == locks[slot] for slot in pinned)]
            ranking = replace(small, locks=small.locks | locks).rank(top=10_000)
            assert listed(ranking) == [(s.kit.order, round(s.score, 9)) for s in small.best if s in left]
            first = Counter(next(iter(s.failures)) for s in left if s.failures)
            plain = replace(small, locks=small.locks | locks).rank(top=10_000, plain=True)
            assert plain.kits == ranking.kits
            assert {rule: plain.counts[rule] for rule in RULES if plain.counts[rule]} == first
            assert ranking.counts["space"] == len(left)


@pytest.mark.parametrize("seed", SEEDS)
def test_cost_changes_and_stock_are_those_of_the_parts(seed: int, solve: Solve) -> None:
    small = solve(seed)
    fitted = fitted_kit(small.job)
    for score in small.scores:
        new = [
            small.job.shelf.family(family)[score.kit.parts[slot]]
            for slot, family in SLOT_FAMILIES.items()
            if score.kit.parts[slot] not in (EMPTY, fitted.parts[slot])
        ]
        changes = len(score.kit.changes(fitted))
        cost = sum(part.price.amount if part.price else np.inf for part in new)
        too_dear = small.request.budget is not None and cost > small.request.budget
        too_many = small.request.max_changes is not None and changes > small.request.max_changes
        lacking = small.request.in_stock and any(not part.stock for part in new)
        if score.buildable:
            assert (too_dear, too_many, lacking) == (False, False, False)
            assert score.terms["changes"] == changes
            assert score.terms["cost"] == pytest.approx(cost if np.isfinite(cost) else score.terms["cost"])
        assert too_dear or "budget" not in score.failures
        assert too_many or "max_changes" not in score.failures
        assert lacking or "in_stock" not in score.failures


@pytest.mark.parametrize("seed", SEEDS)
def test_the_pareto_front_is_that_of_comparing_all_pairs(seed: int, solve: Solve) -> None:
    small = solve(seed)
    signs = {"flatness": 1, "spring_loss": 1, "belt_margin": -1}
    rounded: dict[tuple[float, ...], Score] = {}
    for score in small.best:  # best first, so the first of equal points is the one to list
        point = tuple(signs[t] * round(score.terms[t], RESOLUTION[t]) + 0.0 for t in TERMS)
        rounded.setdefault(point, score)
    front = [
        score
        for point, score in rounded.items()
        if not any(other != point and all(a <= b for a, b in zip(other, point, strict=True)) for other in rounded)
    ]
    found = small.rank(pareto=True)
    assert listed(found) == [(s.kit.order, round(s.score, 9)) for s in front]
    assert "Pareto" in found.guarantee


# ---- spaces in which most kits are bounded away ----


@dataclass(frozen=True)
class Wide:
    """A random subspace of the demo job, about the fitted kit, with far more kits than the search looks at first."""

    job: Job
    space: Space
    request: Request

    def found(self, keeper: Keeper, **options: Any) -> Keeper:
        self.counts(keeper, **options)
        return keeper

    def counts(self, keeper: Keeper, **options: Any) -> Any:
        return search_space(self.job, self.space, self.request, keeper, **options)

    @property
    def keepers(self) -> list[Keeper]:
        """Of each kind one."""
        of_each = [BestKits(1, slot, len(self.space.options[slot])) for slot in SLOT_NAMES]
        return [BestKits(1), BestKits(50), BestKits(3000), ParetoFront(), *of_each]


@pytest.fixture(scope="session")
def wide(demo_job: Job) -> Callable[[int], Wide]:
    def make(seed: int) -> Wide:
        rng = np.random.default_rng(seed)
        space, fitted = make_space(demo_job), fitted_kit(demo_job).parts
        counts = dict.fromkeys(SLOT_FAMILIES, 2) | {"drive_spring": 5, "driven_spring": 6, "helix": 6}
        options = {
            slot: tuple(sorted({fitted[slot], *rng.choice(ids, min(len(ids), counts[slot]), replace=False)}))
            for slot, ids in space.options.items()
            if slot not in ("twist", "belt")
        }
        return Wide(demo_job, Space({**space.options, **options}), Request.of(demo_job))

    return make


def brute(wide: Wide) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Every buildable pair balanced in full: choices, scores, terms; best first."""
    sides = Sides.of(stage_of(wide.job, wide.request), wide.space)
    pairs = np.argwhere(np.ones((len(sides.drive), len(sides.driven)), bool))
    pairs = pairs[sides.broken(pairs) == 0]
    terms, scores = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
    order = np.lexsort((pairs[:, 1], pairs[:, 0], scores))
    return sides.choices(pairs)[order], scores[order], {name: values[order] for name, values in terms.items()}


@pytest.mark.parametrize("seed", [1, 4, 5])
def test_bounding_away_loses_no_kit(seed: int, wide: Callable[[int], Wide]) -> None:
    space = wide(seed)
    choices, scores, terms = brute(space)
    for top in (1, 20, 3000):
        best = BestKits(top)
        found = space.counts(best)
        assert best.kept.choices.tolist() == choices[:top].tolist()
        assert best.kept.scores.tolist() == scores[:top].tolist()
        assert found.scored + found.bounded_away + sum(found.excluded.values()) == space.space.size
        assert top > 20 or found.scored < len(scores) / 5  # or this test would show nothing
    points = np.column_stack([np.round(terms[t], d) * (-1 if t == "belt_margin" else 1) for t, d in RESOLUTION.items()])
    _, first = np.unique(points + 0.0, axis=0, return_index=True)
    first = np.sort(first)  # kits stand best first
    keep = first[[not ((points[first] <= p).all(1) & (points[first] < p).any(1)).any() for p in points[first]]]
    assert space.found(ParetoFront()).kept.choices.tolist() == choices[keep].tolist()
    for at, slot in enumerate(SLOT_NAMES):
        _, first = np.unique(choices[:, at], return_index=True)
        each = space.found(BestKits(1, slot, len(space.space.options[slot])))
        assert each.kept.choices.tolist() == choices[np.sort(first)].tolist()


CUTS: list[dict[str, Any]] = [
    {"search.exact.search._CELLS": 1},
    {"search.exact.search._PAIRS": 500},
    {"search.exact.search._BATCH": 7},
    {"search.exact.search.MOST_DRIVE": 300, "search.exact.search.MOST_DRIVEN": 300},
    {"search.exact.bounds._VALUES": 300, "search.points._VALUES": 500, "search.belt_terms._BUILDS": 7},
    {"search.exact.search._VALUES": 40, "search.exact.pairs._LEAF": 3},
    {"search.exact.search._COLUMNS": 5, "search.exact.search._LEAVES": 1, "search.exact.search._MOST_LEAVES": 9},
    {"search.exact.search._SMALL": 10**9},
    {"search.exact.pairs._THIN": 10**9},
    {"search.exact.pairs._THIN": 4000},
    {"search.exact.pareto._MOST_STEPS": 3},
    {"search.exact.bounds._OFF_AXES": 1e-2},
    {"search.exact.bounds._OFF_AXES": 0.0},
    {"search.score._CHUNK": 1},
    {"search.score._CHUNK": 100_000, "search.exact.pairs._PAIRS": 11},
    {"search.exact.search._PAIRS": 5000, "search.score._CHUNK": 16, "os.cpu_count": lambda: 1},
    {"search.exact.search._PAIRS": 5000, "search.score._CHUNK": 16, "os.cpu_count": lambda: 7},
]


@pytest.fixture(scope="session")
def uncut(wide: Callable[[int], Wide]) -> tuple[Wide, list[tuple[Keeper, Any]]]:
    """A space, and what each keeper keeps of it when the work is not cut."""
    space = wide(1)
    return space, [(keeper, space.counts(keeper)) for keeper in space.keepers]


@pytest.mark.parametrize("cuts", CUTS, ids=lambda cuts: "+".join(cuts))
def test_the_answer_does_not_depend_on_how_the_work_is_cut(
    cuts: dict[str, Any], uncut: tuple[Wide, list[tuple[Keeper, Any]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    space, before = uncut
    for name, value in cuts.items():
        monkeypatch.setattr(name, value)
    for (one, found), other in zip(before, space.keepers, strict=True):
        again = space.counts(other)
        assert one.kept.choices.tolist() == other.kept.choices.tolist()
        assert one.kept.scores.tolist() == other.kept.scores.tolist()
        halves = [{rule: f.excluded[rule] for rule in RULES - set(PAIR_RULES)} for f in (found, again)]
        assert halves[0] == halves[1]
        assert found.unsettled == again.unsettled == 0


def test_the_answer_does_not_depend_on_the_order_of_catalogue_files(solve: Solve, tmp_path: Path) -> None:
    small = solve(4)
    folder = small.job.file.parent
    spec = json.loads(small.job.file.read_text())
    spec["catalogue"] = []
    for name in ("machine.yaml", "engine.csv"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    for path in sorted((folder / "parts").glob("*.yaml"), reverse=True):
        file = json.loads(path.read_text())
        for half in (0, 1):
            spec["catalogue"].append(f"{half}-{path.name}")
            (tmp_path / spec["catalogue"][-1]).write_text(json.dumps(file | {"parts": file["parts"][::-1][half::2]}))
    (tmp_path / "job.yaml").write_text(json.dumps(spec))
    moved = replace(small, job=load_job(tmp_path / "job.yaml"))
    for options in ({"top": 30}, {"pareto": True}):
        one, other = small.rank(**options), moved.rank(**options)
        assert one.kits == other.kits
        assert one.counts == other.counts


SCRIPT = """
import json, sys
from catalog import load_job
from search import rank
from search.exact import pairs, search
search._SMALL = pairs._THIN = 0
job, locks = load_job(sys.argv[1]), json.loads(sys.argv[2])
asked = [{"top": 30}, {"pareto": True}, {"best_per": "helix"}]
print(json.dumps([rank(job, locks=locks, **options).to_dict() for options in asked]))
"""


def test_the_answer_is_the_same_in_another_process(solve: Solve) -> None:
    small = solve(8)
    asked: list[dict[str, Any]] = [{"top": 30}, {"pareto": True}, {"best_per": "helix"}]
    here = [rank(small.job, locks=small.locks, **options).to_dict() for options in asked]
    command = [sys.executable, "-c", SCRIPT, str(small.job.file), json.dumps(small.locks)]
    environment = {**os.environ, "PYTHONHASHSEED": "4242", "OPENBLAS_NUM_THREADS": "1"}
    there = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert json.loads(there.stdout) == json.loads(json.dumps(here))


# ---- what is asked of the space ----


@pytest.mark.parametrize("pareto", [False, True])
def test_nothing_buildable_is_an_empty_answer_with_reasons(pareto: bool, solve: Solve) -> None:
    small = solve(9)
    assert small.planted == "helix_fit"
    ranking = rank(small.job, locks=small.locks | {"helix": "misfit-helix"}, pareto=pareto)
    assert ranking.kits == ()
    assert ranking.to_frame().empty
    assert ranking.counts["scored"] == ranking.counts["bounded_away"] == 0
    assert ranking.counts["space"] == sum(n for name, n in ranking.counts.items() if name != "space") > 0
    assert "helix_fit" in "".join(ranking.emptied_by)
    assert "misfit-helix ends at" in "".join(ranking.emptied_by)


def test_in_stock_may_be_asked_for_or_waived(solve: Solve) -> None:
    small = solve(3)
    assert small.job.spec.limits.in_stock
    as_filed, waived = small.rank(top=10_000), small.rank(top=10_000, in_stock=False)
    assert waived.counts["in_stock"] == 0
    assert len(waived.kits) > len(as_filed.kits)
    asked = replace(small, request=replace(small.request, in_stock=False)).rank(top=10_000, in_stock=True)
    assert (asked.kits, asked.counts) == (as_filed.kits, as_filed.counts)


def test_a_kit_at_the_budget_is_within_it(solve: Solve) -> None:
    small = solve(17)
    names, prices = {"heel": "dime", "mid": "double", "tip": "triple"}, {}
    fitted = fitted_kit(small.job).parts
    masses = dict(small.job.shelf.family("masses"))
    for slot, cents in zip(names, (10, 20, 40), strict=True):
        prices[slot] = Price(cents / 100, "EUR")
        masses[names[slot]] = masses[fitted[slot]].model_copy(update={"id": names[slot], "price": prices[slot]})
    shelf = replace(small.job.shelf, parts={**small.job.shelf.parts, "masses": masses})
    job = replace(small.job, shelf=shelf)
    for slots, budget in ((("heel", "mid"), 0.30), (("heel", "mid", "tip"), 0.70)):
        kit = Kit({**fitted, **{slot: names[slot] for slot in slots}}, fitted_kit(job).settings)
        score = score_kit(job, kit, replace(small.request, budget=budget, max_changes=None))
        assert "budget" not in score.failures


def test_lock_fitted_varies_only_the_named_slots(demo_job: Job) -> None:
    ranking = rank(demo_job, 1000, {"helix": "any"}, lock_fitted=True)
    fitted = fitted_kit(demo_job)
    assert ranking.counts["space"] == len(demo_job.shelf.family("helices"))
    assert ranking.kits
    assert all(set(kit.kit.changes(fitted)) <= {"helix"} for kit in ranking.kits)


def test_a_ranking_of_no_kits_is_refused(demo_job: Job) -> None:
    with pytest.raises(InputError, match=r"top: out of range \(got 0, expected 1 or more\)"):
        rank(demo_job, top=0)


def test_a_space_that_nobody_would_wait_for_is_refused_unless_its_time_is_set(
    demo_job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("search.ranking._MOST_PIECES", 1)
    assert rank(demo_job, 1, {"helix": "any"}, lock_fitted=True).proven
    monkeypatch.setattr("search.ranking.MOST_DRIVEN", 1000)
    words = r"locks: more kits than can be searched to the end \(got 74,088 drive builds with 4,032 driven"
    with pytest.raises(InputError, match=words):
        rank(demo_job, 1)
    ranking = rank(demo_job, 1, watch=Watch(seconds=60.0))
    assert ranking.counts["space"] == make_space(demo_job).size


@pytest.mark.parametrize("seed", range(5))
def test_nondominated_agrees_with_an_independent_library(seed: int) -> None:
    library = pytest.importorskip("paretoset")
    rng = np.random.default_rng(seed)
    for count, *levels in ((1, 3, 3, 3), (40, 3, 3, 1), (300, 6, 6, 6), (300, 1000, 1000, 1000), (200, 1, 9, 4)):
        whole = rng.integers(np.negative(levels), levels, (count, 3)).astype(float)
        points = whole * np.where(rng.random(3) < 0.5, 0.1, -0.1)
        expected = library.paretoset(points, sense=["min"] * 3, distinct=False, use_numba=False)
        assert nondominated(points).tolist() == expected.tolist()
