"""The belt as a slot: locked to the fitted one unless freed, and then searched like any other part."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from varying import stage_of, varied, with_part

from catalog import Job
from catalog.parts import Belt
from search import rank, score_kit
from search.exact.pareto import RESOLUTION, nondominated
from search.kitfile import find_kit, save_kits
from search.request import Request
from search.score import Score
from search.space import Kit, Space, fitted_kit, make_space

pytestmark = pytest.mark.invariant

BELTS = ("scree-belt", "scree-belt-short", "scree-belt-soft")  # the second lies over no sheaves of this machine
FEW = {"drive_spring": "bramble,larch,alder", "heel": "heel-10-g,empty", "helix": "ramp-44,ramp-40,ramp-42"}
FEW |= {"driven_spring": "curlew,corncrake", "twist": "none"}


@pytest.fixture(scope="session")
def job(job: Job) -> Job:
    """The demo job with these belts: the first is the fitted one."""
    family = job.shelf.family("belts")
    short = family[BELTS[0]].model_copy(update={"id": BELTS[1], "pitch_length": 0.6})
    belts = {BELTS[0]: family[BELTS[0]], BELTS[1]: short, BELTS[2]: family[BELTS[2]]}
    return replace(job, shelf=replace(job.shelf, parts={**job.shelf.parts, "belts": belts}))


@pytest.fixture(scope="module")
def locks(fitted: Kit) -> dict[str, str]:
    """A few parts a slot, and every belt."""
    return {slot: fitted.parts[slot] for slot in ("flyweight", "mid", "tip")} | FEW | {"belt": "any"}


@pytest.fixture(scope="module")
def every(job: Job, locks: dict[str, str]) -> list[Score]:
    """Every kit of that space scored by itself."""
    space = make_space(job, locks)
    choices = itertools.product(*(range(len(options)) for options in space.options.values()))
    return [score_kit(job, space.kit(choice)) for choice in choices]


@pytest.fixture(scope="module")
def best(every: list[Score]) -> list[Score]:
    return sorted((s for s in every if s.buildable), key=lambda s: (s.score, s.kit.order))


def test_the_belt_is_the_fitted_one_unless_a_lock_frees_it(job: Job) -> None:
    assert make_space(job).options["belt"] == (job.spec.belt,)
    assert make_space(job, {"belt": "any"}).options["belt"] == BELTS
    assert make_space(job, {"belt": BELTS[2]}).options["belt"] == BELTS[2:]
    assert make_space(job, {"belt": "any"}, lock_fitted=True).size == 3
    assert make_space(job, {"belt": "any"}).size == 3 * make_space(job).size


def test_kits_of_all_belts_are_ranked_as_if_scored_one_by_one(
    job: Job, locks: dict[str, str], every: list[Score], best: list[Score]
) -> None:
    assert {s.kit.parts["belt"] for s in best} == {BELTS[0], BELTS[2]}
    for plain in (False, True):
        ranking = rank(job, 10_000, locks, plain=plain)
        assert [(k.kit, k.score) for k in ranking.kits] == [(s.kit, s.score) for s in best]
        counts = dict(ranking.counts)
        assert counts.pop("space") == sum(counts.values()) == len(every)
        assert counts["belt_fit"] == len(every) // 3
    assert f"{BELTS[1]} does not run on these sheaves" in ranking.reasons["belt_fit"]


def test_best_of_each_belt_and_pareto_front_go_over_all_belts(
    job: Job, locks: dict[str, str], best: list[Score]
) -> None:
    each = rank(job, locks=locks, best_per="belt")
    firsts = [next(s for s in best if s.kit.parts["belt"] == belt) for belt in (BELTS[0], BELTS[2])]
    assert {k.kit.order for k in each.kits} == {s.kit.order for s in firsts}
    points = np.array([[round(s.terms[t], d) * (-1 if t == "belt_margin" else 1) for t, d in RESOLUTION.items()]
                       for s in best])  # fmt: skip
    _, first = np.unique(points, axis=0, return_index=True)
    front = np.sort(first)[nondominated(points[np.sort(first)])]
    assert [k.kit for k in rank(job, locks=locks, pareto=True).kits] == [best[n].kit for n in front]


def test_a_belt_of_other_properties_is_what_a_job_with_it_fitted_says(job: Job, fitted: Kit) -> None:
    part = job.shelf.family("belts")[BELTS[2]]
    assert isinstance(part, Belt)
    changed = {"length": part.pitch_length, "friction": part.friction, "max_tension": part.max_tension}
    changed |= {"mass_per_length": part.mass_per_length, **part.losses.model_dump()}
    changed |= {name: getattr(part, name) for name in ("kinetic_friction", "top_width", "max_temperature")}
    other = score_kit(job, Kit({**fitted.parts, "belt": part.id}, fitted.settings))
    alone = score_kit(varied(job, belt=changed), fitted)
    told = {"cost", "changes", "belt_life"}
    assert {k: v for k, v in other.terms.items() if k not in told} == {
        k: v for k, v in alone.terms.items() if k not in told
    }
    assert part.price is not None
    assert (other.terms["cost"], other.terms["changes"]) == (part.price.amount, 1)
    fitted_wear, own = (stage.fitted_wear for stage in (stage_of(job), stage_of(varied(job, belt=changed))))
    assert fitted_wear is not None
    assert own is not None
    halves = [now / before for now, before in zip(own, fitted_wear, strict=True)]  # of fatigue, and of slip
    assert other.terms["belt_life"] == pytest.approx(2 / sum(halves), rel=1e-9) != 1
    assert alone.terms["belt_life"] == pytest.approx(1)


def test_what_does_not_bolt_on_is_told_of_the_belt(job: Job, fitted: Kit) -> None:
    stranger = job.shelf.family("belts")[BELTS[0]].model_copy(update={"id": "stranger", "fits": ["loam-drive"]})
    wide = stranger.model_copy(update={"id": "wide", "fits": ["quern-drive", "quern-driven"], "half_angle": 0.28})
    job = with_part(with_part(job, "belt", stranger), "belt", wide)
    for belt, words in (("stranger", "is made for loam-drive"), ("wide", "has a flank angle of 16 deg")):
        score = score_kit(job, Kit({**fitted.parts, "belt": belt}, fitted.settings))
        assert not score.buildable
        assert words in score.failures["belt_fit"]


def test_a_kit_file_keeps_its_belt_and_one_without_means_the_fitted(
    job: Job, tmp_path: Path, locks: dict[str, str]
) -> None:
    ranking = rank(job, 1, locks | {"belt": BELTS[2]})
    save_kits(job, ranking, tmp_path)
    (file,) = tmp_path.glob("kit-*.yaml")
    assert find_kit(job, str(file)) == ranking.kits[0].kit
    file.write_text("".join(line for line in file.read_text().splitlines(True) if "belt:" not in line))
    assert find_kit(job, str(file)).parts["belt"] == job.spec.belt


def test_a_space_of_one_kit_has_its_belt(job: Job) -> None:
    kit = fitted_kit(job)
    assert Space.of(kit).kit([0] * 9) == kit


def test_where_no_belt_fits_the_rule_is_named(job: Job) -> None:
    (reason,) = rank(job, locks={"belt": BELTS[1]}).emptied_by
    assert reason.startswith(f"belt_fit: {make_space(job).size:,} kits, for example: {BELTS[1]} ")


def test_a_belt_is_counted_and_told_as_any_part_is(job: Job, fitted: Kit) -> None:
    soft = job.shelf.family("belts")[BELTS[2]]
    kit = Kit({**fitted.parts, "belt": soft.id}, fitted.settings)
    locks = {"belt": f"{BELTS[0]},{soft.id}"}
    sold_out = with_part(job, "belt", soft.model_copy(update={"stock": 0}))
    assert not score_kit(sold_out, kit, replace(Request.of(job), in_stock=True)).buildable
    left = rank(sold_out, locks=locks, lock_fitted=True, in_stock=True)
    assert [k.parts["belt"] for k in left.kits] == [BELTS[0]]
    assert left.counts["in_stock"] == 1
    unpriced = with_part(job, "belt", soft.model_copy(update={"price": None}))
    both = rank(unpriced, locks=locks, lock_fitted=True)
    assert {k.parts["belt"]: k.unpriced for k in both.kits} == {BELTS[0]: False, soft.id: True}


def test_a_belt_of_other_flanks_than_the_sheaves_of_the_record_does_not_fit(job: Job, fitted: Kit) -> None:
    failures = score_kit(varied(job, shift={"half_angle": np.radians(14.5)}), fitted).failures
    assert "a flank angle of 13 deg, the sheaves have 14.5 deg" in failures["belt_fit"]
