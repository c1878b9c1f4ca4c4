"""An adversary of the search: odd spaces, early ends and torque cliffs, held against balancing every pair."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from shop import shop_job
from varying import stage_of, varied

from catalog import Job, load_job
from catalog.shelf import Shelf
from catalog.slots import STATIONS
from search import rank
from search.commands import main
from search.exact.keepers import BestKits, Keeper
from search.exact.pairs import Sides
from search.exact.pareto import RESOLUTION, ParetoFront
from search.exact.search import INTERRUPTED, TIME_UP, Found, Progress, Watch, search_space
from search.request import Request
from search.score import pair_terms
from search.space import SLOT_NAMES, Space, make_space

pytestmark = pytest.mark.invariant

DEMO = Path(__file__).parents[3] / "configs" / "rescue.yaml"
FROM_RPM = np.pi / 30
SMALL = {"springs": 4, "arms": 2, "masses": 3, "driven": 4, "helices": 4, "twists": 2}  # 6,912 kits
OPEN: dict[str, Any] = {"belt_margin": -10.0, "coil_clearance": -1.0, "spring_stress": 1e9, "idle_clearance": -1e3}
OPEN |= {"engagement": (1.0, 2000.0)}  # rad/s


def limits(job: Job, **changed: Any) -> Job:
    return varied(job, limits=changed)


def faster(job: Job, factor: float) -> Job:
    """A job whose speed limit is so many times its target speed."""
    return varied(job, engine={"speed_limit": factor * job.drivetrain.target_speed})


def with_curve(job: Job, speed: np.ndarray, torque: np.ndarray, *, target_speed: float, speed_limit: float) -> Job:
    engine = {"speed": speed, "torque": torque, "corrected": False}
    return varied(job, engine=engine | {"target_speed": target_speed, "speed_limit": speed_limit})


def with_parts(job: Job, family: str, change: Any) -> Job:
    """A job with each part of a family changed by `change(number, part)`."""
    parts = {name: change(n, part) for n, (name, part) in enumerate(sorted(job.shelf.family(family).items()))}
    return replace(job, shelf=Shelf({**job.shelf.parts, family: parts}, job.shelf.files))


def scaled(part: Any, factor: float, **more: Any) -> Any:
    """A spring with all its loads scaled."""
    marked = part.marked.model_copy(
        update={"installed": part.marked.installed * factor, "full_shift": part.marked.full_shift * factor}
    )
    return part.model_copy(update={"marked": marked, **more})


@dataclass(frozen=True)
class Case:
    """A space, what is asked of it, and every buildable pair of it balanced once."""

    job: Job
    request: Request
    locks: dict[str, Any] = field(default_factory=dict)

    @cached_property
    def space(self) -> Space:
        return make_space(self.job, self.locks)

    @cached_property
    def every(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Choices, scores and rounded terms, best first."""
        sides = Sides.of(stage_of(self.job, self.request), self.space)
        pairs = np.argwhere(np.ones((len(sides.drive), len(sides.driven)), bool))
        pairs = pairs[sides.broken(pairs) == 0]
        terms, scores = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
        choices = sides.choices(pairs)
        order = np.lexsort((*choices.T[::-1], scores))
        points = np.column_stack([np.round(terms[t], d) * (-1) ** (t == "belt_margin") for t, d in RESOLUTION.items()])
        return choices[order], scores[order], points[order] + 0.0

    def keepers(self, *tops: int) -> Iterator[tuple[Keeper, np.ndarray]]:
        """Keepers of every kind, each with the numbers of the kits it should keep."""
        choices, scores, points = self.every
        for top in tops:
            yield BestKits(top), np.arange(min(top, len(scores)))
        for at, slot in enumerate(SLOT_NAMES):
            _, first = np.unique(choices[:, at], return_index=True)
            yield BestKits(1, slot, len(self.space.options[slot])), np.sort(first)
        _, first = np.unique(points, axis=0, return_index=True)
        first = np.sort(first)
        beaten = [((points[first] <= p).all(1) & (points[first] < p).any(1)).any() for p in points[first]]
        yield ParetoFront(), first[~np.array(beaten, bool)]

    def check(self, *tops: int, kinds: tuple[type, ...] = (Keeper,)) -> None:
        choices, scores, _ = self.every
        for keeper, wanted in self.keepers(*tops):
            if not isinstance(keeper, kinds):
                continue
            found = search_space(self.job, self.space, self.request, keeper)
            kept = [] if keeper.kept is None else keeper.kept.choices.tolist()
            assert kept == choices[wanted].tolist()
            assert keeper.kept is None or keeper.kept.scores.tolist() == scores[wanted].tolist()
            assert (found.stopped, found.bound, found.unsettled) == ("", np.inf, 0)
            adds_up(found)


def adds_up(found: Found) -> None:
    assert found.size == sum(found.excluded.values()) + found.scored + found.bounded_away + found.unsettled
    assert min(found.scored, found.bounded_away, found.unsettled, *found.excluded.values()) >= 0


def shop(job: Job, seed: int, **sizes: int) -> Job:
    return faster(shop_job(job, **(SMALL | sizes), seed=seed), 1.3)


def tight(job: Job, seed: int) -> Case:
    """Most good pairs break the speed limit."""
    job = shop(job, seed)
    return Case(faster(job, 1.08), Request.of(job))


def all_rules(job: Job, seed: int) -> Case:
    """Speed limit, budget and number of changes at once; some parts without price."""
    rng = np.random.default_rng(seed)
    job = shop(job, seed)
    for family in ("drive_springs", "masses", "driven_springs", "helices"):
        job = with_parts(job, family, lambda n, p: p.model_copy(update={"price": None}) if rng.random() < 0.2 else p)
    job = faster(job, 1.15)
    return Case(job, replace(Request.of(job), budget=230.0, max_changes=6))


def weightless(job: Job, seed: int) -> Case:
    job = shop(job, seed)
    return Case(job, Request.of(job).with_weights({"flatness": 0.0, "spring_loss": 1000.0}))


def heavy_weight(job: Job, seed: int) -> Case:
    job = shop(job, seed)
    return Case(job, Request.of(job).with_weights({"flatness": 1e-6, "belt_margin": 1000.0}))


def slipping(job: Job, seed: int) -> Case:
    """Driven springs of next to nothing: the belt slips far, and speeds go down to the lowest looked for."""
    job = limits(shop(job, seed), **OPEN)
    job = with_parts(
        job, "driven_springs", lambda n, p: scaled(p, (1e-4, 0.02, 0.3, 1)[n % 4], torsion_rate=p.torsion_rate * n / 5)
    )
    return Case(job, Request.of(job))


def spread(job: Job, seed: int) -> Case:
    """Masses of grams and of half a kilogram, drive springs of 4 N and of 1000 N."""
    job = limits(shop(job, seed), **OPEN)
    job = with_parts(job, "masses", lambda n, p: p.model_copy(update={"mass": p.mass * (0.1, 1, 30)[n % 3]}))
    job = with_parts(job, "drive_springs", lambda n, p: scaled(p, (0.01, 1, 2)[n % 3]))
    return Case(job, Request.of(job))


def few_drive_halves(job: Job, seed: int) -> Case:
    job = shop(job, seed, springs=1, arms=1, masses=2, driven=8, helices=8, twists=4)
    return Case(limits(job, **OPEN), Request.of(job))


def one_driven_half(job: Job, seed: int) -> Case:
    job = shop(job, seed, springs=8, arms=2, masses=5, driven=1, helices=1, twists=1)
    return Case(limits(job, **OPEN), Request.of(job))


def wild_torque(job: Job, seed: int) -> Case:
    rng = np.random.default_rng(seed)
    curve = np.linspace(2000, 9000, 12) * FROM_RPM, rng.uniform(5, 100, 12)
    target = float(job.drivetrain.target_speed)
    job = with_curve(shop(job, seed, arms=1, masses=2), *curve, target_speed=target, speed_limit=9500 * FROM_RPM)
    job = limits(job, **OPEN)
    return Case(job, Request.of(job))


def far_too_fast(job: Job, seed: int) -> Case:
    """A target so low that the best kits run at twice its speed, beyond the end of the torque curve."""
    job = limits(shop(job, seed), **OPEN)
    curve = np.array([2000.0, 3000, 4000, 5000]) * FROM_RPM, np.array([50.0, 60, 70, 60])
    job = with_curve(job, *curve, target_speed=3300 * FROM_RPM, speed_limit=11000 * FROM_RPM)
    return Case(job, Request.of(job))


MAKERS = (
    far_too_fast,
    tight,
    all_rules,
    weightless,
    heavy_weight,
    slipping,
    spread,
    few_drive_halves,
    one_driven_half,
    wild_torque,
)


@pytest.mark.parametrize("make", MAKERS, ids=lambda make: make.__name__)
def test_an_odd_space_is_ranked_as_if_every_kit_were_balanced(job: Job, make: Any) -> None:
    case = make(job, 11)
    assert len(case.every[1]) > 20
    case.check(1, 300, case.space.size + 1)


@pytest.mark.parametrize("top", [1, 200, 1023, 1024, 5000])
def test_parts_that_are_all_alike_tie_and_stand_in_slot_order(job: Job, top: int) -> None:
    job = shop(job, 3, springs=2, arms=2, masses=3, driven=4, helices=4, twists=1)
    for family in ("drive_springs", "flyweights", "masses", "driven_springs", "helices"):
        one = next(iter(sorted(job.shelf.family(family).items())))[1]
        alike = ("id", "stations") if family == "masses" else ("id",)
        job = with_parts(
            job, family, lambda n, p, one=one, alike=alike: one.model_copy(update={a: getattr(p, a) for a in alike})
        )
    locks = {station: f"{station}-00,{station}-01" for station in ("heel", "mid", "tip")}
    ranking = rank(faster(limits(job, **OPEN), 2), top, locks)
    space = make_space(job, locks)
    assert len(ranking.kits) == min(top, space.size)
    assert space.size == 512
    assert len({kit.score for kit in ranking.kits}) == 1
    orders = [kit.kit.order for kit in ranking.kits]
    assert orders == sorted(orders)
    assert orders[0] == space.kit([0] * len(SLOT_NAMES)).order


@pytest.mark.parametrize("cut", [(9, 13), (10**6, 7), (5, 10**6)])
def test_the_front_with_twins_is_the_same_however_the_space_is_cut(
    job: Job, cut: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = shop(job, 5, springs=3, arms=1, masses=2, driven=4, helices=3, twists=2)
    first = {family: sorted(job.shelf.family(family).items())[0][1] for family in ("drive_springs", "helices")}
    for family, one in first.items():  # the last of each is the first once more
        last = max(job.shelf.family(family))
        job = with_parts(
            job, family, lambda n, p, one=one, last=last: one.model_copy(update={"id": last}) if p.id == last else p
        )
    job = faster(limits(job, **OPEN), 2)
    case = Case(job, Request.of(job))
    _, counts = np.unique(case.every[2], axis=0, return_counts=True)
    assert counts.max() > 1
    monkeypatch.setattr("search.exact.search._MOST_DRIVE", cut[0])
    monkeypatch.setattr("search.exact.search._MOST_DRIVEN", cut[1])
    monkeypatch.setattr("search.exact.search._MOST_CELLS", 3)
    case.check(30, kinds=(ParetoFront,))


# ---- torque cliffs ----


@pytest.fixture(scope="module")
def flat_job(job: Job, tmp_path_factory: pytest.TempPathFactory) -> Job:
    """The demo job with one ground, one torque level and few positions."""
    folder = tmp_path_factory.mktemp("flat")
    for name in ("machine.yaml", "engine.csv"):
        (folder / name).write_bytes((DEMO.parent / name).read_bytes())
    spec = yaml.safe_load(DEMO.read_text())
    spec |= {"grounds": [spec["grounds"][1] | {"share": "100 %"}], "grid": {"positions": 5, "torque_levels": ["100 %"]}}
    (folder / "job.yaml").write_text(json.dumps(spec))
    return load_job(folder / "job.yaml")


def cut_off(job: Job, cut: float, width: float, torque: float, target: float) -> Job:
    """An engine whose torque falls within a few rpm, as at the cut of an ignition."""
    speed = [2000, 3000, 4000, 5000, 6000, cut, cut + width, 9000]
    torques = np.array([52, 61.5, 67.5, 70.6, 69.6, 65, torque, 0.9 * torque])
    speeds = {"target_speed": target * FROM_RPM, "speed_limit": 8500 * FROM_RPM}
    return limits(with_curve(job, np.array(speed, float) * FROM_RPM, torques, **speeds), **OPEN)


# Where t leaps between two speeds over all that a group can reach, those speeds count too, or the best kit is lost.
@pytest.mark.parametrize(("seed", "grams", "width", "torque"), [(893, 0.03, 10, 20), (580, 0.03, 2, 30)])
def test_no_kit_is_lost_where_torque_falls_within_a_few_rpm(
    flat_job: Job, seed: int, grams: float, width: float, torque: float
) -> None:
    def lighter(_: int, arm: Any) -> Any:
        return arm.model_copy(update={"body": arm.body.model_copy(update={"mass": 0.85 * arm.body.mass})})

    def alike(_: int, mass: Any) -> Any:
        return mass.model_copy(update={"mass": 1e-3 * (10 + grams * int(mass.id[-2:]))})

    job = shop_job(flat_job, springs=10, arms=1, masses=7, driven=1, helices=1, twists=1, seed=seed)
    job = with_parts(with_parts(job, "masses", alike), "flyweights", lighter)
    stations = {station: tuple(f"{station}-{n:02d}" for n in range(6)) for station in STATIONS}
    job = cut_off(job, 6900, width, torque, 6900)
    Case(job, Request.of(job), stations).check(1, 20)


# ---- ended early ----


@dataclass
class Stopper:
    """Interrupts at the n-th report; remembers all."""

    at: float
    seen: list[Progress] = field(default_factory=list)

    def __call__(self, now: Progress) -> None:
        self.seen.append(now)
        if len(self.seen) >= self.at:
            raise KeyboardInterrupt


@pytest.fixture(scope="module")
def stopped_case(job: Job) -> Case:
    job = shop(job, 11, springs=3, twists=1)
    return Case(job, Request.of(job))


@pytest.mark.parametrize("kind", range(4))
@pytest.mark.parametrize("plain", [False, True])
def test_what_is_told_of_a_search_ended_early_is_true(
    stopped_case: Case, plain: bool, kind: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in {"_CELLS": 2, "_FIRST": 2, "_BATCH": 2 if not plain else 2048}.items():
        monkeypatch.setattr(f"search.exact.search.{name}", value)
    case = stopped_case
    choices, scores, _ = case.every
    rank_of = {tuple(choice): number for number, choice in enumerate(choices.tolist())}

    def wanted(keeper: Keeper) -> np.ndarray:
        return next(numbers for other, numbers in case.keepers(9) if (type(other), other.split) == key(keeper))

    def key(keeper: Keeper) -> tuple[type, str | None]:
        return type(keeper), keeper.split

    def fresh() -> Keeper:
        tip, helix = (BestKits(1, slot, len(case.space.options[slot])) for slot in ("tip", "helix"))
        return (BestKits(9), tip, helix, ParetoFront())[kind]

    whole = Stopper(np.inf)
    search_space(case.job, case.space, case.request, fresh(), Watch(whole), plain=plain)
    assert all(0 <= now.settled <= 1 + 1e-12 for now in whole.seen)
    assert (np.diff([now.settled for now in whole.seen]) >= -1e-12).all()
    ends = np.unique(np.geomspace(1, len(whole.seen), 9).astype(int))  # most at the start, while most is missed
    for end in ends:
        keeper = fresh()
        found = search_space(case.job, case.space, case.request, keeper, Watch(Stopper(end)), plain=plain)
        assert found.stopped == INTERRUPTED
        adds_up(found)
        kept = [] if keeper.kept is None else [rank_of[tuple(choice)] for choice in keeper.kept.choices.tolist()]
        assert kept == sorted(kept)
        if keeper.kept is not None:
            assert keeper.kept.scores.tolist() == scores[kept].tolist()
        missed = set(wanted(keeper).tolist()) - set(kept)
        assert all(scores[number] >= found.bound - 1e-9 for number in missed)


def test_a_search_whose_time_is_up_with_nothing_left_is_proven(job: Job) -> None:
    ranking = rank(job, locks={"helix": "any"}, lock_fitted=True, watch=Watch(seconds=1e-9))
    assert ranking.counts["unsettled"] > 0 or ranking.proven
    json.dumps(ranking.to_dict(), allow_nan=False)


def test_time_is_kept_where_no_pair_can_be_balanced(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("search.exact.search._CELLS", 1)
    monkeypatch.setattr(Sides, "all_broken", lambda self, rows, columns, *_: np.zeros(len(columns), np.int8))
    job = shop(job, 11)
    job = faster(job, 1.01)
    told: list[Progress] = []
    found = search_space(job, make_space(job), Request.of(job), BestKits(5), Watch(told.append, 1e-9))
    assert found.scored == 0
    assert found.stopped == TIME_UP
    assert len(told) <= 2


# ---- the command ----


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--time-limit 0", "--time-limit: out of range (got 0.0"),
        ("--time-limit nan", "--time-limit: out of range (got nan"),
        ("--time-limit -3", "--time-limit: out of range (got -3.0"),
        ("--best-per nose", "--best-per: no such slot (got 'nose', expected drive_spring"),
        ("--best-per helix --pareto", "--best-per: two lists asked for"),
        ("--weight flatness=nan", "--weight: flatness: weight out of range"),
        ("--max-changes -1", "--max-changes: out of range (got -1"),
    ],
)
def test_what_cannot_be_asked_for_is_refused(
    words: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["kitwright", "rank", str(DEMO), "--lock-fitted", *words.split()])
    with pytest.raises(SystemExit) as ended:
        main()
    seen = capsys.readouterr()
    assert (ended.value.code, seen.out) == (2, "")
    assert said in seen.err


def interrupted(wait: str, *words: str) -> subprocess.CompletedProcess[str]:
    """A plain ranking of the demo that has sent itself Ctrl-C: at the n-th report of the search."""
    script = (
        "import os, signal\nimport search.exact.search as exact\nfrom search.commands import main\n"
        "look, told = exact._Search._look, []\n"
        "def count(self, bound):\n"
        "    told.append(bound)\n"
        f"    len(told) == {wait} and os.kill(os.getpid(), signal.SIGINT)\n"
        "    look(self, bound)\n"
        "exact._Search._look = count\nmain()"
    )
    words = (sys.executable, "-c", script, "rank", str(DEMO), "--method", "plain", *words)
    return subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)


@pytest.mark.parametrize("form", ["table", "json"])
def test_ctrl_c_lists_the_best_so_far_as_not_proven(form: str) -> None:
    done = interrupted("3", "--format", form)
    assert (done.returncode, done.stderr) == (130, "")
    assert "not proven" in done.stdout
    if form == "json":
        data = json.loads(done.stdout)
        assert len(data["kits"]) == 10
        assert not data["proven"]
        assert data["bound"] <= data["kits"][0]["score"]
        assert data["counts"].pop("space") == sum(data["counts"].values())
        assert data["counts"]["unsettled"] > 0


def test_ctrl_c_before_any_kit_is_balanced_is_told() -> None:
    script = (
        "import search.exact.search as exact\nfrom search.commands import main\n"
        "def stop(*_):\n    raise KeyboardInterrupt\n"
        "exact.driven_builds = stop\nmain()"
    )
    words = [sys.executable, "-c", script, "rank", str(DEMO)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 130
    assert "nterrupted" in done.stdout + done.stderr
