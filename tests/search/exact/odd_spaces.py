"""Small odd spaces, and what must be found in each: every pair of it balanced one by one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from shop import shop_job
from varying import stage_of, varied

from catalog import Job
from catalog.shelf import Shelf
from search.builds import driven_builds
from search.exact.found import Found
from search.exact.keepers import BestKits, Keeper
from search.exact.pairs import Sides
from search.exact.pareto import RESOLUTION, ParetoFront
from search.exact.search import search_space
from search.request import Request
from search.score import pair_terms
from search.space import SLOT_NAMES, Space, make_space
from solver.ground import Ground

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


def with_grounds(job: Job, change: Any) -> Job:
    """A job with each ground changed by `change(number, ground)`."""
    grounds = tuple(change(n, ground) for n, ground in enumerate(job.inputs.grounds))
    return replace(job, inputs=replace(job.inputs, grounds=grounds))


def rubbing(job: Job, seed: int) -> Case:
    """Bushes, guides and pins as rough as on a neglected machine."""
    drive = {"bush_friction": 0.12, "guide_friction": 0.2, "guide_radius": 0.02, "pivot_friction": 0.15}
    job = limits(varied(shop(job, seed), drive=drive, driven={"bush_friction": 0.12}), **OPEN)
    return Case(job, Request.of(job))


def spinning(job: Job, seed: int) -> Case:
    """Tyres that slip on most of what is asked: pull is held, whatever the engine speed."""

    def slippery(_: int, ground: Ground) -> Ground:
        return replace(ground, adhesion=0.02 + 1.25 * (ground.rolling + ground.grade))

    job = limits(with_grounds(shop(job, seed), slippery), **OPEN)
    assert (job.drivetrain.duty.points.held > 0).mean() > 0.3
    return Case(job, Request.of(job))


def own_ways(job: Job, seed: int) -> Case:
    """Grounds that differ in target, torque and adhesion, seldom a run-up; bushes that rub."""
    rng = np.random.default_rng(seed)

    def own(_: int, ground: Ground) -> Ground:
        share = float(rng.uniform(0.8, 1.0))
        before = job.drivetrain.target_speed if ground.target_speed is None else ground.target_speed
        target = share * float(job.drivetrain.target_speed)
        slower = target / float(before)
        return replace(
            ground, target_speed=target, torque=float(rng.uniform(0.45, 1)), starts=float(rng.choice([0, 1 / 60])),
            low_speed=slower * ground.low_speed, high_speed=slower * ground.high_speed,
        )  # fmt: skip

    rough = {"bush_friction": 0.03}
    job = with_grounds(varied(shop(job, seed), drive=rough | {"guide_friction": 0.05}, driven=rough), own)
    job = limits(job, **OPEN)
    assert len(np.unique(job.drivetrain.duty.target_speed)) > 1
    return Case(job, Request.of(job))


def warm(job: Job, seed: int) -> Case:
    """A belt whose temperature leaves out about half of what else could be built."""
    job = limits(shop(job, seed), **OPEN)
    reached = driven_builds(stage_of(job), make_space(job)).temperature
    job = limits(job, belt_temperature=float(np.median(reached)))
    return Case(job, Request.of(job))


MAKERS = (
    rubbing,
    spinning,
    own_ways,
    warm,
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
