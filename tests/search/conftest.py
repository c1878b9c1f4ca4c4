"""Small random jobs for the search tests: a few demo parts a slot, twins that tie, and one kind of misfit planted.

The files are written as JSON, which is YAML with every text in quotes. What the demo's tuning could move (fitted kit,
engagement, target speed) is read from the demo job, so that the tests hold whatever its numbers are.
"""

from __future__ import annotations

import itertools
import json
import shutil
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from varying import stage_of

from catalog import Job, load_job
from catalog.shelf import DEMO_PARTS
from catalog.slots import SLOT_FAMILIES, STATIONS
from search import Kit, Score, rank, score_kit
from search.builds import driven_builds
from search.ranking import Ranking
from search.request import Request
from search.space import Space, fitted_kit, make_space, show_twist
from search.terms import SCORED

CONFIGS = Path(__file__).parents[2] / "configs"
TO_RPM = 30 / np.pi
LOW = 1.6  # how much slower the low gear range is, where the demo has none

Part = dict[str, Any]


@dataclass(frozen=True)
class SmallJob:
    """A random job and what is asked of it; `planted` is a rule that some kit breaks first."""

    job: Job
    request: Request
    locks: dict[str, str]
    planted: str


@dataclass(frozen=True)
class Demo:
    """The demo job, and its files as plain data."""

    job: Job
    parts: dict[str, dict[str, Part]]
    spec: dict[str, Any]
    machine: dict[str, Any]
    engagement: float  # of the fitted kit, rpm
    fitted: dict[str, str]


@pytest.fixture(scope="session")
def demo_job() -> Job:
    """The demo job as it is shipped."""
    return load_job(CONFIGS / "rescue.yaml")


@pytest.fixture(scope="session")
def demo(demo_job: Job) -> Demo:
    files = {path.stem: yaml.safe_load(path.read_text()) for path in sorted(DEMO_PARTS.glob("*.yaml"))}
    kit = fitted_kit(demo_job)
    return Demo(
        job=demo_job,
        parts={family: {part["id"]: part for part in file["parts"]} for family, file in files.items()},
        spec=yaml.safe_load((CONFIGS / "rescue.yaml").read_text()),
        machine=yaml.safe_load((CONFIGS / "machine.yaml").read_text()),
        engagement=score_kit(demo_job, kit).terms["engagement"],
        fitted=kit.words(),
    )


@pytest.fixture(scope="session")
def small_job(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], SmallJob]:
    """Makes the random job of a seed; seeds take the rules to plant in turn."""
    return lambda seed: Draft(demo, seed).write(tmp_path_factory.mktemp("small"))


@dataclass(frozen=True)
class Solved:
    """A small job, and each kit of its space scored by itself."""

    job: Job
    request: Request
    locks: dict[str, str]
    planted: str
    space: Space
    scores: tuple[Score, ...]

    @property
    def best(self) -> list[Score]:
        return sorted((s for s in self.scores if s.buildable), key=lambda s: (s.score, s.kit.order))

    def rank(self, **options: Any) -> Ranking:
        return rank(self.job, locks=self.locks, request=self.request, **options)


def every_kit(space: Space) -> Iterator[Kit]:
    for choice in itertools.product(*(range(len(options)) for options in space.options.values())):
        yield space.kit(choice)


@pytest.fixture(scope="session")
def solve(small_job: Callable[[int], SmallJob]) -> Callable[[int], Solved]:
    """Makes the random job of a seed and scores every kit of it, once."""
    known: dict[int, Solved] = {}

    def solve_once(seed: int) -> Solved:
        if seed not in known:
            small = small_job(seed)
            space = make_space(small.job, small.locks)
            scores = tuple(score_kit(small.job, kit, small.request) for kit in every_kit(space))
            known[seed] = Solved(small.job, small.request, small.locks, small.planted, space, scores)
        return known[seed]

    return solve_once


class Draft:
    """A random job before it is written."""

    def __init__(self, demo: Demo, seed: int) -> None:
        self.demo, self.rng = demo, np.random.default_rng(seed)
        self.spec, self.machine = deepcopy(demo.spec), deepcopy(demo.machine)
        if not isinstance(self.machine["reduction"], dict):
            self.machine["reduction"] = {"high": self.machine["reduction"], "low": LOW * self.machine["reduction"]}
        self.budget: float | None = None
        self.max_changes: int | None = None
        self.free_station = str(self.rng.choice(STATIONS))
        self.options = {slot: [self.fitted(slot)] for slot in SLOT_FAMILIES if slot != "belt"}
        for slot in ("drive_spring", "flyweight", self.free_station, "driven_spring", "helix"):
            self.options[slot] += self.others(slot, 1)
        self.planted = list(PLANT)[seed % len(PLANT)]

    def fitted(self, slot: str) -> Part:
        return deepcopy(self.demo.parts[SLOT_FAMILIES[slot]][self.demo.fitted[slot]])

    def others(self, slot: str, count: int) -> list[Part]:
        parts = self.demo.parts[SLOT_FAMILIES[slot]].values()
        suited = [p for p in parts if slot not in STATIONS or slot in p["stations"]]
        found = [p for p in suited if p["id"] != self.demo.fitted[slot]]
        return [deepcopy(found[n]) for n in self.rng.choice(len(found), count, replace=False)]

    def plant(self, slot: str, **changes: Any) -> None:
        """The fitted part of a slot once more, with something about it changed; None takes a key away."""
        part = self.fitted(slot) | {"id": f"misfit-{slot.replace('_', '-')}", "stock": 5} | changes
        self.options[slot].append({key: value for key, value in part.items() if value is not None})

    def write(self, folder: Path) -> SmallJob:
        self._scene()
        for slot in (str(self.rng.choice(["drive_spring", self.free_station])), "helix")[: self.rng.integers(1, 3)]:
            name = str(self.rng.choice(["aa-twin", "zz-twin"])) + "-" + slot.replace("_", "-")
            self.options[slot].append(self.fitted(slot) | {"id": name})
        PLANT[self.planted](self)
        if self.rng.random() < 0.3:
            self.options["drive_spring"][1].pop("price", None)
        locks = self._locks()

        belts = deepcopy(self.demo.parts["belts"])
        if self.rng.random() < 0.3:  # some lie deeper or shallower than the radii hold for
            self.machine["belt_width"] = "34 mm"
            for belt in belts.values():
                belt["top_width"] = f"{self.rng.uniform(33, 35):.3f} mm"
        families: dict[str, dict[str, Part]] = {"belts": belts}
        for slot, parts in self.options.items():
            families.setdefault(SLOT_FAMILIES[slot], {}).update({part["id"]: part for part in parts})
        (folder / "parts").mkdir()
        for family, by_id in families.items():
            shuffled = [list(by_id.values())[n] for n in self.rng.permutation(len(by_id))]
            (folder / "parts" / f"{family}.yaml").write_text(json.dumps({"family": family, "parts": shuffled}))
        shutil.copy(CONFIGS / "engine.csv", folder)
        (folder / "machine.yaml").write_text(json.dumps(self.machine))
        (folder / "job.yaml").write_text(json.dumps(self.spec))
        job = load_job(folder / "job.yaml")
        if self.planted == "belt_temperature":
            job = self._limit_heat(job, locks, folder)
        request = replace(
            Request.of(job),
            weights={term: float(self.rng.choice([0.0, 0.5, 1.0, 3.0])) for term in SCORED},
            wanted_margin=float(self.rng.choice([0.0, 0.2, 0.6])),
            budget=self.budget,
            max_changes=self.max_changes,
        )
        return SmallJob(job, request, locks, self.planted)

    def _limit_heat(self, job: Job, locks: dict[str, str], folder: Path) -> Job:
        """The job with the belt's temperature limited to the middle of what its kits reach, by the job or the belt."""
        reached = driven_builds(stage_of(job), make_space(job, locks)).temperature
        middle = f"{(reached.min() + reached.max()) / 2:.3f} K"
        if self.rng.random() < 0.5:
            self.limit(belt_temperature=middle)
        else:
            file = json.loads((folder / "parts" / "belts.yaml").read_text())
            for belt in file["parts"]:
                belt["max_temperature"] = middle
            (folder / "parts" / "belts.yaml").write_text(json.dumps(file))
        (folder / "job.yaml").write_text(json.dumps(self.spec))
        return load_job(folder / "job.yaml")

    def _scene(self) -> None:
        """Random grounds (none harder than the demo's, so that the machine climbs them), friction, limits and grid."""
        rng, spec = self.rng, self.spec
        chosen = rng.choice(len(spec["grounds"]), size=rng.integers(1, 4), replace=False)
        grounds = [spec["grounds"][n] for n in chosen]
        for ground, share in zip(grounds, rng.dirichlet(np.full(len(grounds), 3.0)), strict=True):
            ground["share"] = f"{100 * share:.6f} %"
            ground["load_changes"] = f"{rng.integers(0, 9)} /min"
            ground["rolling"] *= float(rng.uniform(0.6, 1.0))
            ground["torque"] = f"{rng.uniform(45, 100):.2f} %"
            self._own_ways(ground)
        spec |= {"machine": "machine.yaml", "catalogue": ["parts"], "grounds": grounds}
        spec["grid"] = {"positions": int(rng.integers(5, 9))}
        for clutch, places in {"drive_clutch": ("bush", "guide", "pivot"), "driven_clutch": ("bush",)}.items():
            rubbing = {f"{place}_friction": float(rng.choice([0.0, rng.uniform(0, 0.06)])) for place in places}
            self.machine[clutch] |= rubbing
        self.window(300, 900)
        spec["limits"] |= {"in_stock": bool(rng.random() < 0.3), "belt_margin": "-20 %"}
        self.max_changes = int(rng.integers(2, 6)) if rng.random() < 0.4 else None
        self.budget = float(rng.integers(50, 300)) if rng.random() < 0.4 else None

    def _own_ways(self, ground: Part) -> None:
        """Now and then a target or a gear range of its own (and road speeds to suit), or tyres that soon slip."""
        rng, slower = self.rng, 1.0
        if rng.random() < 0.3:
            usual = float(self.demo.job.drivetrain.target_speed) * TO_RPM
            wanted = usual * float(rng.uniform(0.75, 1.0))
            slower = wanted / float(ground.get("target", f"{usual} rpm").removesuffix(" rpm"))
            ground["target"] = f"{wanted:.2f} rpm"
        if "range" not in ground and rng.random() < 0.3:
            ranges = sorted(self.machine["reduction"].items(), key=lambda row: row[1])
            slower *= ranges[0][1] / ranges[-1][1]
            ground["range"] = ranges[-1][0]
        ground["speed"] = [f"{slower * float(speed.removesuffix(' km/h')):.4f} km/h" for speed in ground["speed"]]
        if rng.random() < 0.3:
            resists = ground["rolling"] + float(ground["grade"].removesuffix(" %")) / 100
            ground["adhesion"] = 0.02 + float(rng.uniform(1.2, 2.0)) * resists

    def window(self, least: float, most: float) -> None:
        """An engagement window about the engagement of the fitted kit [rpm]."""
        below, above = self.rng.uniform(least, most, 2)
        low, high = max(self.demo.engagement - below, 100.0), self.demo.engagement + above
        self.spec["limits"]["engagement"] = [f"{low:.1f} rpm", f"{high:.1f} rpm"]

    def _locks(self) -> dict[str, str]:
        """Two stations and the twist are always locked: every kit is scored one by one, so they must be few."""
        shelf = self.demo.job.shelf.family("helices")
        helices: list[Any] = [shelf[part["id"]] for part in self.options["helix"] if part["id"] in shelf]
        angles = [show_twist(t) for t in self.demo.job.twists if t and any(h.takes_twist(t) for h in helices)]
        twists = [self.demo.fitted["twist"], "none", str(self.rng.choice(angles or ["none"]))]
        locks = {"twist": ", ".join(dict.fromkeys(twists))}
        if self.planted != "twist_fit" and self.rng.random() < 0.3:
            locks["twist"] = self.demo.fitted["twist"]
        in_file: dict[str, str] = {}
        for station in STATIONS:
            if station != self.free_station:
                (locks if self.rng.random() < 0.5 else in_file)[station] = self.demo.fitted[station]
        self.spec["locks"] = in_file
        if self.rng.random() < 0.3:
            locks["flyweight"] = ",".join(part["id"] for part in self.options["flyweight"])
            if self.rng.random() < 0.5:
                self.spec["locks"]["flyweight"] = self.demo.fitted["flyweight"]  # and the later lock takes its place
        return locks

    def spring(self, slot: str, **changes: Any) -> None:
        """A spring that would fit the pocket, known by two marks or by its wire."""
        pocket = self.machine["drive_clutch" if slot == "drive_spring" else "driven_clutch"]["spring"]
        marks = {"installed": "400 N", "full_shift": "800 N"}
        bare = dict.fromkeys(("linear", "table", "wire", "torsion_rate"))
        size = {
            "outer_diameter": pocket["outer_limit"],
            "inner_diameter": pocket["inner_limit"],
            "solid_length": "5 mm",
        }
        kind = {} if slot == "drive_spring" else {"kind": "compression"}
        self.plant(slot, **(bare | size | kind | {"marked": marks} | changes))

    def wire(self, slot: str) -> None:
        """A spring of wire in the middle of the pocket, and next to nothing allowed as its stress."""
        pocket = self.machine["drive_clutch" if slot == "drive_spring" else "driven_clutch"]["spring"]
        middle = (_mm(pocket["outer_limit"]) + _mm(pocket["inner_limit"])) / 2
        free = _mm(pocket["installed_length"]) + 25
        wire = {"diameter": "5 mm", "mean_diameter": f"{middle} mm", "active_coils": 2, "total_coils": 3.5}
        wire |= {"free_length": f"{free} mm", "material": "hard-drawn"}
        size = dict.fromkeys(("outer_diameter", "inner_diameter", "solid_length", "marked"))
        self.spring(slot, **size, wire=wire)
        self.spec["limits"]["spring_stress"] = "1 %"

    def short_table(self) -> None:
        """Arms whose thrust table ends before the sheave does."""
        seats = self.fitted("flyweight").get("stations", {})
        table: dict[str, Any] = {"speed": "7000 rpm", "travel": ["0 mm", "1 mm", "2 mm"], "bare": ["2500 N"] * 3}
        table["per_mass"] = {seat: ["30 N/g"] * 3 for seat in seats}
        self.plant("flyweight", body=None, profile=None, thrust=table)

    def limit(self, **limits: Any) -> None:
        self.spec["limits"] |= limits


def _mm(text: str) -> float:
    return float(text.removesuffix(" mm"))


def _short_of_stock(draft: Draft) -> None:
    draft.plant("driven_spring", stock=0)
    draft.limit(in_stock=True)


def _dear(draft: Draft) -> None:
    draft.plant("helix", price="900.00 EUR")
    draft.limit(in_stock=False)
    draft.budget = 200.0


def _changed(draft: Draft) -> None:
    draft.limit(in_stock=False)
    draft.budget, draft.max_changes = None, 0


PLANT: dict[str, Callable[[Draft], None]] = {
    "drive_spring_fit": lambda d: d.plant("drive_spring", fits=["other-drive"]),
    "flyweight_fit": lambda d: d.plant("flyweight", pin_diameter="11 mm"),
    "mass_fit": lambda d: d.plant(d.free_station, seat="m12"),
    "in_stock": _short_of_stock,
    "drive_coil_bind": lambda d: d.spring(
        "drive_spring", solid_length=d.machine["drive_clutch"]["spring"]["installed_length"]
    ),
    "drive_spring_stress": lambda d: d.wire("drive_spring"),
    "roller_contact": lambda d: d.short_table(),
    "engagement": lambda d: d.window(1, 60),
    "driven_spring_fit": lambda d: d.spring("driven_spring", outer_diameter="400 mm"),
    "helix_fit": lambda d: d.plant("helix", travel="3 mm"),
    "twist_fit": lambda d: None,
    "driven_coil_bind": lambda d: d.spring("driven_spring", solid_length="60 mm"),
    "driven_spring_stress": lambda d: d.wire("driven_spring"),
    "self_locking": lambda d: d.plant("helix", angle="0.5 deg", ramp=None),
    "belt_holds": lambda d: d.spring("driven_spring", marked={"installed": "1 N", "full_shift": "2 N"}),
    "belt_temperature": lambda d: d.spring("driven_spring", marked={"installed": "1200 N", "full_shift": "1800 N"}),
    "speed_limit": lambda d: d.limit(engine_speed=f"{d.demo.job.drivetrain.target_speed * TO_RPM * 1.0005:.3f} rpm"),
    "budget": _dear,
    "max_changes": _changed,
}
