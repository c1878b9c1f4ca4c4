"""Jobs in which bounds close off little, or cost much to make: the bounded search beside the plain one in one run.

    python tests/bench/loose.py            # all, some minutes
    python tests/bench/loose.py --quick    # a tenth of the kits

Wanted: the bounded search never takes more than 1.3 times the plain one where that needs over a second. Times are of
the processors, not of the clock, so that what else runs on the machine counts less.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from shop import shop_job

from catalog import load_job
from catalog.job import Job
from search.exact.found import Found
from search.exact.keepers import BestKits, Keeper
from search.exact.pareto import ParetoFront
from search.exact.search import search_space
from search.request import Request
from search.space import Space, make_space

ROOT = Path(__file__).parents[2]
OPEN = {
    "belt_margin": -10.0,
    "coil_clearance": -1.0,
    "spring_stress": 1e9,
    "idle_clearance": -1e3,
}  # nearly all can be built


@dataclass(frozen=True)
class Loose:
    """A job and what is asked of it."""

    name: str
    job: Job
    request: Request
    keeper: Callable[[Space], Keeper] = field(default=lambda _: BestKits(20))


def opened(job: Job, speed_limit: float = 1.3) -> Job:
    """A job in which no rule of one side leaves out much."""
    limits = replace(job.inputs.limits, engagement=(1.0, 2000.0), **OPEN)
    engine = replace(job.inputs.engine, speed_limit=speed_limit * job.drivetrain.target_speed)
    return replace(job, inputs=replace(job.inputs, engine=engine, limits=limits))


def loose_jobs(job: Job, size: int) -> Iterator[Loose]:
    """Jobs of some 50,000 to 200,000 kits at size 10, each loose in a way of its own."""

    def shop(speed_limit: float = 1.3, **sizes: int) -> Job:
        return opened(shop_job(job, **sizes), speed_limit)

    many = shop(springs=24 * size, arms=1, masses=2, driven=3, helices=3, twists=3)
    yield Loose("many springs with few pairs each", many, Request.of(many))
    some = shop(springs=2 * size, arms=2, masses=3, driven=5, helices=5, twists=2)
    yield Loose("springs with just enough pairs", some, Request.of(some))
    one = shop(springs=1, arms=4, masses=4, driven=size, helices=5, twists=4)
    yield Loose("one spring", one, Request.of(one))
    yield Loose("every kit is kept", one, Request.of(one), lambda _: BestKits(10**7))
    yield Loose("half of the kits are kept", one, Request.of(one), lambda _: BestKits(2_500 * size))
    yield Loose("flatness does not count", one, Request.of(one).with_weights({"flatness": 0.0}))
    yield Loose("flatness counts next to nothing", one, Request.of(one).with_weights({"flatness": 1e-6}))
    nothing = dict.fromkeys(Request.of(one).weights, 0.0)
    yield Loose("nothing counts: all tie", one, Request.of(one).with_weights(nothing))
    yield Loose("Pareto front", one, Request.of(one), lambda _: ParetoFront())
    yield Loose("best of each mass", one, Request.of(one), lambda space: BestKits(1, "tip", len(space.options["tip"])))
    fast = shop(1.0001, springs=4, arms=2, masses=3, driven=size, helices=5, twists=4)
    yield Loose("speed limit at the target", fast, Request.of(fast))
    yield Loose("budget and changes", some, replace(Request.of(some), budget=150.0, max_changes=4))
    yield Loose("little budget, few changes", one, replace(Request.of(one), budget=60.0, max_changes=3))
    yield from (Loose(f"torque curve all over, {n}", wild(one, n), Request.of(one)) for n in (1, 2))
    few = shop(springs=10 * size, arms=4, masses=5, driven=1, helices=2, twists=1)
    yield Loose("two driven builds", few, Request.of(few))
    lone = shop(springs=2, arms=1, masses=1, driven=3 * size, helices=40, twists=20)
    yield Loose("two drive builds", lone, Request.of(lone))


def wild(job: Job, seed: int) -> Job:
    """A torque curve that no parabola follows, as strong at target as the job's own: it must climb the same grounds."""
    torque = np.random.default_rng(seed).uniform(5, 100, 12)
    target = float(job.drivetrain.target_speed)
    speed, limit = np.linspace(0.3, 1.4, 12) * target, 1.4 * target
    torque *= float(job.drivetrain.engine.at(target)) / float(np.interp(target, speed, torque))
    engine = replace(
        job.inputs.engine, speed=speed, torque=torque, corrected=False, target_speed=target, speed_limit=limit
    )
    return replace(job, inputs=replace(job.inputs, engine=engine))


def timed(case: Loose, plain: bool) -> tuple[Keeper, Found, float]:
    """What a search keeps and finds, and its time of the processors [s]."""
    space = make_space(case.job)
    keeper = case.keeper(space)
    start = time.process_time()
    found = search_space(case.job, space, case.request, keeper, plain=plain)
    return keeper, found, time.process_time() - start


def kept(keeper: Keeper) -> Any:
    return None if keeper.kept is None else (keeper.kept.choices.tolist(), keeper.kept.scores.tolist())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the kits")
    parser.add_argument("names", nargs="*", help="only jobs whose name holds one of these words")
    asked = parser.parse_args()
    for case in loose_jobs(load_job(ROOT / "configs" / "rescue.yaml"), 1 if asked.quick else 10):
        if asked.names and not any(word in case.name for word in asked.names):
            continue
        bounded, found, spent = timed(case, plain=False)
        every, _, plain = timed(case, plain=True)
        assert kept(bounded) == kept(every), case.name
        print(
            f"{case.name:<34} {found.size:>9,} kits {found.scored:>8,} balanced  "
            f"bounded {spent:6.2f} s  plain {plain:6.2f} s  ratio {spent / plain:5.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
