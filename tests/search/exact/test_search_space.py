"""An adversary of the search: odd spaces, early ends and torque cliffs, held against balancing every pair."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from odd_spaces import FROM_RPM, MAKERS, OPEN, Case, adds_up, faster, limits, shop, with_curve, with_parts
from shop import shop_job

from catalog import Job, load_job
from catalog.slots import STATIONS
from search import rank
from search.commands import main
from search.exact.keepers import BestKits, Keeper
from search.exact.pareto import ParetoFront
from search.exact.search import INTERRUPTED, Progress, Watch, search_space
from search.request import Request
from search.space import SLOT_NAMES, make_space

pytestmark = pytest.mark.invariant

DEMO = Path(__file__).parents[3] / "configs" / "rescue.yaml"


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
    monkeypatch.setattr("search.exact.search.MOST_DRIVE", cut[0])
    monkeypatch.setattr("search.exact.search.MOST_DRIVEN", cut[1])
    monkeypatch.setattr("search.exact.search._MOST_CELLS", 3)
    case.check(30, kinds=(ParetoFront,))


# ---- torque cliffs ----


@pytest.fixture(scope="module")
def flat_job(job: Job, tmp_path_factory: pytest.TempPathFactory) -> Job:
    """The demo job with one ground at full torque, and few positions."""
    folder = tmp_path_factory.mktemp("flat")
    for name in ("machine.yaml", "engine.csv"):
        (folder / name).write_bytes((DEMO.parent / name).read_bytes())
    spec = yaml.safe_load(DEMO.read_text())
    spec |= {"grounds": [spec["grounds"][1] | {"share": "100 %", "torque": "100 %"}], "grid": {"positions": 5}}
    (folder / "job.yaml").write_text(json.dumps(spec))
    return load_job(folder / "job.yaml")


def cut_off(job: Job, cut: float, width: float, torque: float, target: float) -> Job:
    """An engine whose torque falls within a few rpm, as at the cut of an ignition."""
    speed = [2000, 3000, 4000, 5000, 6000, cut, cut + width, 9000]
    torques = np.array([52, 61.5, 67.5, 70.6, 69.6, 65, torque, 0.9 * torque])
    curve = np.array(speed, float) * FROM_RPM, torques
    job = with_curve(job, *curve, target_speed=target * FROM_RPM, speed_limit=8500 * FROM_RPM)
    return limits(job, **OPEN)


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
