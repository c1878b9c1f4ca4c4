"""The exact ranking against scoring every kit of a space one by one, and everything it must not depend on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from catalog import Job, load_job
from catalog.jobfile import SLOT_FAMILIES
from catalog.stock import EMPTY, Price
from search import Kit, Score, exact, pareto, rank, score_kit
from search.exact import Screen, make_screen
from search.halves import DRIVE_RULES, DRIVEN_RULES
from search.kits import DRIVE_SLOTS, DRIVEN_SLOTS, SLOTS, Space, fitted_kit, make_space
from search.pareto import RESOLUTION, nondominated
from search.ranking import Ranking
from search.score import PAIR_RULES, Request, pair_terms, shift_map
from solver.errors import InputError

pytestmark = pytest.mark.invariant

SEEDS = range(30)  # of 18, every rule is planted once or twice
TERMS = tuple(RESOLUTION)
RULES = {*DRIVE_RULES, *DRIVEN_RULES, *PAIR_RULES}
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


@pytest.mark.parametrize("seed", SEEDS[::6])
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
def test_each_kit_is_counted_under_the_first_rule_it_breaks(seed: int, solve: Solve) -> None:
    small = solve(seed)
    first = Counter(next(iter(s.failures)) for s in small.scores if s.failures)
    for options in ({"top": 1}, {"top": 10_000}, {"pareto": True}):
        counts = dict(small.rank(**options).counts)
        space, away, scored = counts.pop("space"), counts.pop("bounded_away"), counts.pop("scored")
        assert space == small.space.size == sum(counts.values()) + away + scored
        assert away + scored == sum(s.buildable for s in small.scores)
        assert counts.keys() == {*DRIVE_RULES, *DRIVEN_RULES, *PAIR_RULES}
        assert {rule: n for rule, n in counts.items() if n} == first
        assert counts[small.planted] > 0


@pytest.mark.parametrize("seed", SEEDS[::5])
def test_a_space_of_one_kit_or_of_one_half_is_counted_alike(seed: int, solve: Solve) -> None:
    small = solve(seed)
    for some in {next(iter(s.failures), ""): s.kit for s in small.scores}.values():
        for pinned in (SLOTS, DRIVE_SLOTS, (*DRIVEN_SLOTS, "twist")):
            locks = {slot: some.words()[slot] for slot in pinned}
            left = [s for s in small.scores if all(s.kit.words()[slot] == locks[slot] for slot in pinned)]
            ranking = replace(small, locks=small.locks | locks).rank(top=10_000)
            assert listed(ranking) == [(s.kit.order, round(s.score, 9)) for s in small.best if s in left]
            first = Counter(next(iter(s.failures)) for s in left if s.failures)
            assert {rule: ranking.counts[rule] for rule in RULES if ranking.counts[rule]} == first
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
        lacking = small.job.spec.limits.in_stock and any(not part.stock for part in new)
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
    signs = {"speed_band": 1, "spring_loss": 1, "belt_margin": -1}
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


@pytest.mark.parametrize("seed", SEEDS)
def test_no_bound_is_above_a_score_of_a_small_job(seed: int, solve: Solve) -> None:
    small = solve(seed)
    screen = make_screen(small.job, small.space, small.request)
    check_bounds(screen, np.argwhere(np.ones((len(screen.drive), len(screen.driven)), bool)))


def check_bounds(screen: Screen, pairs: np.ndarray) -> None:
    """Hold both bounds against the score of pairs, and the speed-limit rule against the engine speeds."""
    if not len(pairs):
        return
    bound, code = np.empty(len(pairs)), np.empty(len(pairs), int)
    for row in np.unique(pairs[:, 0]):
        here = pairs[:, 0] == row
        bound[here] = screen.bound(slice(row, row + 1))[0, pairs[here, 1]]
        code[here] = screen.rule(slice(row, row + 1))[0, pairs[here, 1]]
    job, within = screen.job, code != 1 + PAIR_RULES.index("speed_limit")
    _, scores = pair_terms(job, screen.request, screen.drive, screen.driven, pairs)
    close = screen.close_bound(pairs)
    assert np.isfinite(close[within]).all()
    assert (bound[within] <= scores[within] + 2e-9).all()
    assert (close[within] <= scores[within] + 2e-9).all()
    state = shift_map(job, screen.drive.side[pairs[:, 0]], screen.driven.side[pairs[:, 1]])  # type: ignore[arg-type]
    fastest = state.speed.max(axis=(1, 2, 3)) / job.speed_limit
    assert (fastest[within] <= 1 + 1e-9).all()
    assert (fastest[~within] >= 1 - 1e-9).all()


@pytest.mark.parametrize("weights", [{}, {"spring_loss": 0.0, "belt_margin": 0.0}, {"speed_band": 0.0}])
def test_no_bound_is_above_a_score_of_the_demo_job(demo_job: Job, weights: dict[str, float]) -> None:
    screen = make_screen(demo_job, make_space(demo_job), Request.of(demo_job).with_weights(weights))
    rng = np.random.default_rng(5)
    rows = np.repeat(rng.integers(len(screen.drive), size=100), 60)
    check_bounds(screen, np.column_stack([rows, rng.integers(len(screen.driven), size=len(rows))]))


# ---- spaces in which most kits are bounded away ----


@pytest.fixture(scope="session")
def wide(demo_job: Job) -> Callable[[int], Screen]:
    """Random subspaces of the demo job, about the fitted kit, with far more kits than the search looks at first."""

    def make(seed: int) -> Screen:
        rng = np.random.default_rng(seed)
        space, fitted = make_space(demo_job), fitted_kit(demo_job).parts
        counts = dict.fromkeys(SLOT_FAMILIES, 2) | {"drive_spring": 5, "driven_spring": 6, "helix": 6}
        options = {
            slot: tuple(sorted({fitted[slot], *rng.choice(ids, min(len(ids), counts[slot]), replace=False)}))
            for slot, ids in space.options.items()
        }
        return make_screen(demo_job, Space(options, space.twists), Request.of(demo_job))

    return make


def brute(screen: Screen) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Every buildable pair balanced in full: pairs, scores, terms; best first."""
    pairs = np.argwhere(screen.rule(slice(0, len(screen.drive))) == 0)
    terms, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, pairs)
    order = np.lexsort((pairs[:, 1], pairs[:, 0], scores))
    return pairs[order], scores[order], {name: values[order] for name, values in terms.items()}


@pytest.mark.parametrize("seed", [1, 4, 5])
def test_bounding_away_loses_no_kit(seed: int, wide: Callable[[int], Screen]) -> None:
    screen = wide(seed)
    pairs, scores, terms = brute(screen)
    for top in (1, 20, 3000):
        found = exact.top_pairs(screen, top)
        assert found.pairs.tolist() == pairs[:top].tolist()
        assert found.scores == pytest.approx(scores[:top], abs=1e-9)
        assert found.scored + found.bounded_away == len(pairs)
        assert top > 20 or found.bounded_away > len(pairs) / 2  # or this test would show nothing
    points = np.column_stack([np.round(terms[t], d) * (-1 if t == "belt_margin" else 1) for t, d in RESOLUTION.items()])
    _, first = np.unique(points + 0.0, axis=0, return_index=True)
    first = np.sort(first)  # pairs stand best first
    keep = first[[not ((points[first] <= p).all(1) & (points[first] < p).any(1)).any() for p in points[first]]]
    assert pareto.pareto_pairs(screen).pairs.tolist() == pairs[keep].tolist()


CUTS: list[dict[str, Any]] = [
    {"search.exact._BLOCK": 500},
    {"search.exact._BATCH": 7, "search.pareto._BATCH": 7},
    {"search.exact._CLOSE": 3},
    {"search.score._CHUNK": 1},
    {"search.score._CHUNK": 100_000},
    {"search.exact._BLOCK": 500, "search.score._CHUNK": 16, "os.cpu_count": lambda: 1},
    {"search.exact._BLOCK": 500, "search.score._CHUNK": 16, "os.cpu_count": lambda: 7},
]


@pytest.mark.parametrize("cuts", CUTS, ids=lambda cuts: "+".join(cuts))
def test_the_answer_does_not_depend_on_how_the_work_is_cut(
    cuts: dict[str, Any], wide: Callable[[int], Screen], monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = wide(1)
    before = exact.top_pairs(screen, 50), pareto.pareto_pairs(screen)
    for name, value in cuts.items():
        monkeypatch.setattr(name, value)
    for one, other in zip(before, (exact.top_pairs(screen, 50), pareto.pareto_pairs(screen)), strict=True):
        assert one.pairs.tolist() == other.pairs.tolist()
        assert one.scores.tolist() == other.scores.tolist()
        assert one.excluded == other.excluded
        assert one.scored + one.bounded_away == other.scored + other.bounded_away


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
job, locks = load_job(sys.argv[1]), json.loads(sys.argv[2])
print(json.dumps([rank(job, 30, locks).to_dict(), rank(job, locks=locks, pareto=True).to_dict()]))
"""


def test_the_answer_is_the_same_in_another_process(solve: Solve) -> None:
    small = solve(8)
    here = [rank(small.job, 30, small.locks).to_dict(), rank(small.job, locks=small.locks, pareto=True).to_dict()]
    command = [sys.executable, "-c", SCRIPT, str(small.job.file), json.dumps(small.locks)]
    environment = {**os.environ, "PYTHONHASHSEED": "4242"}
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
    limits = small.job.spec.limits.model_copy(update={"in_stock": False})
    open_job = replace(small.job, spec=small.job.spec.model_copy(update={"limits": limits}))
    asked = replace(small, job=open_job).rank(top=10_000, in_stock=True)
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
    with pytest.raises(InputError, match=r"--top: out of range \(got 0, expected 1 or more\)"):
        rank(demo_job, top=0)


@pytest.mark.parametrize("seed", range(5))
def test_nondominated_agrees_with_an_independent_library(seed: int) -> None:
    library = pytest.importorskip("paretoset")
    rng = np.random.default_rng(seed)
    for count, levels, columns in ((1, 3, 3), (40, 3, 2), (300, 6, 3), (300, 1000, 3), (200, 4, 4)):
        points = rng.integers(-levels, levels, (count, columns)) * np.where(rng.random(columns) < 0.5, 0.1, -0.1)
        expected = library.paretoset(points, sense=["min"] * columns, distinct=False, use_numba=False)
        assert nondominated(points).tolist() == expected.tolist()
