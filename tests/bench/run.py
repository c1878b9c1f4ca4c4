"""Benchmarks: every figure is measured beside its yardstick in the same run.

    python tests/bench/run.py            # all, about ten minutes
    python tests/bench/run.py --quick    # small sizes, so that the benchmarks cannot rot

The machine these run on is shared and noisy: read ratios, not seconds.
"""

from __future__ import annotations

import argparse
import math
import re
import resource
import shutil
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import optuna
from scipy.optimize import brentq
from shop import shop_job

from catalog import load_job
from catalog.job import Job
from catalog.slots import STATIONS
from search import Ranking, rank
from search.exact.pairs import Sides
from search.request import Request
from search.score import make_stage, pair_terms
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Space, make_space
from search.workers import parallel
from solver import balance
from solver.points import Points, along

ROOT = Path(__file__).parents[2]

# Sizes of the growing shop; the kits are the product of the numbers, masses counted three times.
GROWTH = (
    {"springs": 5, "arms": 4, "masses": 4, "driven": 6, "helices": 8, "twists": 16},  # 1e6
    {"springs": 8, "arms": 6, "masses": 5, "driven": 10, "helices": 12, "twists": 14},  # 1e7
    {"springs": 12, "arms": 8, "masses": 6, "driven": 16, "helices": 20, "twists": 15},  # 1e8
    {"springs": 20, "arms": 10, "masses": 7, "driven": 24, "helices": 32, "twists": 19},  # 1e9
    {"springs": 40, "arms": 12, "masses": 8, "driven": 40, "helices": 60, "twists": 19},  # 1.1e10, the shop
    {"springs": 64, "arms": 18, "masses": 9, "driven": 64, "helices": 80, "twists": 23},  # 1e11
    {"springs": 100, "arms": 24, "masses": 10, "driven": 100, "helices": 120, "twists": 35},  # 1e12
)


def peak_memory() -> float:
    """Largest memory of this process so far [GB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def line(label: str, *facts: str) -> None:
    print(f"{label:<36} {'  '.join(facts)}", flush=True)


def timed(job: Job, **options: Any) -> tuple[Ranking, float]:
    start = time.perf_counter()
    ranking = rank(job, **options)
    return ranking, time.perf_counter() - start


def sides_of(job: Job) -> Sides:
    return Sides.of(make_stage(job, Request.of(job), job.spec.belt), make_space(job))


def bench_demo(job: Job) -> None:
    for name, options in (
        ("top 20", {"top": 20}),
        ("Pareto front", {"pareto": True}),
        ("best per helix", {"best_per": "helix"}),
    ):
        ranking, spent = timed(job, **options)
        line(
            f"demo: {name}",
            f"{ranking.counts['space']:,} kits",
            f"{spent:.1f} s",
            f"{ranking.counts['scored']:,} balanced",
        )


def bench_plain(job: Job, count: int) -> float:
    """Kits balanced in full a second, the yardstick of the search."""
    sides = sides_of(job)
    rng = np.random.default_rng(1)
    pairs = np.column_stack([rng.integers(len(sides.drive), size=count), rng.integers(len(sides.driven), size=count)])
    start = time.perf_counter()
    pair_terms(sides.stage, sides.drive, sides.driven, pairs)
    speed = count / (time.perf_counter() - start)
    line("plain: every kit balanced in full", f"{speed:,.0f} kits/s")
    return speed


def bench_shop(job: Job, plain: float, sizes: Mapping[str, int]) -> None:
    """The exact top 20 of a shop, beside the rate of the plain method and optuna's TPE in the same time."""
    shop = shop_job(job, **sizes)
    ranking, spent = timed(shop, top=20)
    space = ranking.counts["space"]
    line(
        "shop: exact top 20", f"{space:,} kits", f"{spent:.1f} s", f"{ranking.counts['scored']:,} balanced",
        f"{space / spent / plain:,.0f} x plain", f"peak {peak_memory():.2f} GB",
    )  # fmt: skip
    best = ranking.kits[0].score
    for seed in range(3):
        found, trials = sampled(shop, spent, seed)
        line(
            f"shop: TPE for the same time, seed {seed}", f"best of {trials} trials {found:.3f}",
            f"regret {found - best:.3f} over {best:.3f}",
        )  # fmt: skip


def sampled(job: Job, seconds: float, seed: int) -> tuple[float, int]:
    """Best score that optuna's TPE finds in a time, and its number of trials; both sides are worked out before."""
    sides, space = sides_of(job), make_space(job)
    rows = {tuple(choice): row for row, choice in enumerate(sides.drive.choice)}
    columns = {tuple(choice): column for column, choice in enumerate(sides.driven.choice)}
    split = sides.drive.choice.shape[1]

    def score(trial: optuna.Trial) -> float:
        choice = tuple(_suggest(trial, space, slot) for slot in (*DRIVE_SLOTS, *DRIVEN_SLOTS))
        pair = rows.get(choice[:split]), columns.get(choice[split:])
        if None in pair:
            return 100.0  # not buildable
        chosen = np.array([pair], np.intp)
        if sides.broken(chosen)[0]:
            return 100.0
        return float(pair_terms(sides.stage, sides.drive, sides.driven, chosen)[1][0])

    optuna.logging.set_verbosity(optuna.logging.ERROR)
    study = optuna.create_study(sampler=optuna.samplers.TPESampler(seed=seed))
    study.optimize(score, timeout=seconds)
    return study.best_value, len(study.trials)


def _suggest(trial: optuna.Trial, space: Space, slot: str) -> int:
    """Springs, arms and ramps are choices without order; masses and twist are numbers that rise."""
    count = len(space.options[slot])
    if slot in (*STATIONS, "twist"):
        return trial.suggest_int(slot, 0, count - 1)
    return int(trial.suggest_categorical(slot, range(count)))


def bench_growth(job: Job, sizes: Sequence[Mapping[str, int]]) -> None:
    """Time against kits, with bars on a logarithmic scale, and the exponent of the growth."""
    kits, times = [], []
    for size in sizes:
        ranking, spent = timed(shop_job(job, **size), top=20)
        kits.append(ranking.counts["space"])
        times.append(spent)
        bar = "#" * max(1, round(10 * math.log10(spent / 0.1)))
        line(f"growth: {kits[-1]:>17,} kits", f"{spent:6.1f} s", f"peak {peak_memory():.2f} GB", bar)
    exponent = float(np.polyfit(np.log(kits), np.log(times), 1)[0])
    line("growth: time ~ kits ^ exponent", f"exponent {exponent:.2f}", "(bars: ten signs a factor of ten, from 0.1 s)")


def job_with_positions(positions: int) -> Job:
    """The demo job on another number of shift positions."""
    with tempfile.TemporaryDirectory() as folder:
        for name in ("machine.yaml", "engine.csv"):
            shutil.copy(ROOT / "configs" / name, folder)
        text = re.sub(r"positions: \d+", f"positions: {positions}", (ROOT / "configs" / "rescue.yaml").read_text())
        file = Path(folder) / "job.yaml"
        file.write_text(text)
        return load_job(file)


def bench_shift_maps(count: int) -> None:
    """Whole shift maps, 24 positions x 3 torques x 2 branches, beside a loop of scipy's brentq over plain numbers."""
    job = job_with_positions(24)
    sides, train = sides_of(job), job.drivetrain
    rng = np.random.default_rng(2)
    rows, columns = rng.integers(len(sides.drive), size=count), rng.integers(len(sides.driven), size=count)
    each = [along(len(train.path.position), level) for level in (0.6, 0.8, 1.0)]
    points = Points(**{f.name: np.concatenate([getattr(one, f.name) for one in each]) for f in fields(Points)})
    drive, driven, belt = sides.drive.side.at(points), sides.driven.side.at(points), train.grip.at(points)

    def maps(at: int, size: int) -> None:
        chunk = slice(at, at + size)
        balance.engine_speed(
            drive[rows[chunk]], driven[columns[chunk]], belt, train.path.drive_radius, train.engine, points
        )

    start = time.perf_counter()
    for n in range(50):
        maps(n, 1)
    single = (time.perf_counter() - start) / 50
    start = time.perf_counter()
    for _ in parallel(lambda n: maps(128 * n, 128), -(-count // 128)):
        pass
    ours = (time.perf_counter() - start) / count

    gain, spring = drive.thrust_per_speed2[rows[0]].tolist(), drive.spring[rows[0]].tolist()
    fixed, share = driven.fixed[columns[0]].tolist(), driven.per_pull[columns[0]].tolist()
    arm = points.arm(train.path.drive_radius).tolist()
    of_belt = [dict(zip(_COEFFICIENTS, values, strict=True))
               for values in zip(*(np.broadcast_to(getattr(belt, name), len(points)).tolist()
                                   for name in _COEFFICIENTS), strict=True)]  # fmt: skip
    speed = np.zeros(1)

    def miss(w: float, n: int) -> float:
        speed[0] = w
        pull = arm[n] * float(train.engine.at(speed)[0])
        return lacking(gain[n] * w * w - spring[n], pull, of_belt[n]) - fixed[n] - share[n] * pull

    speed0 = float(train.engine.peak_power_speed)
    start = time.perf_counter()
    found = [brentq(miss, 0.05 * speed0, 4 * speed0, args=(n,)) for n in range(len(points))]
    loop = time.perf_counter() - start
    state = balance.engine_speed(
        drive[rows[:1]], driven[columns[:1]], belt, train.path.drive_radius, train.engine, points
    )
    assert np.allclose(state.speed[0], found, rtol=1e-8)
    line(
        f"shift maps of {len(points)} states", f"one kit {1e3 * single:.2f} ms", f"100,000 kits {1e5 * ours:.1f} s",
        f"brentq loop {1e3 * loop:,.1f} ms a kit", f"{loop / ours:,.0f} x",
    )  # fmt: skip


_COEFFICIENTS = ("tight_per_thrust", "wrap", "active", "idle_thrust", "pull_thrust", "least_slack", "drive_spread",
                 "driven_spread", "drive_bush", "driven_bush", "guide")  # fmt: skip


def lacking(push: float, pull: float, belt: Mapping[str, float]) -> float:
    """Driven thrust that holds what a drive thrust does, in plain numbers."""
    per_tight, bush, k = 1 / belt["tight_per_thrust"], belt["drive_bush"], belt["drive_spread"]
    given, least = push - belt["guide"] * pull, belt["least_slack"] * pull

    def needs(slack: float) -> float:
        return (slack + pull) * per_tight + bush * math.sqrt(k * slack * (slack + pull) + pull * pull)

    def slope(slack: float, side: str) -> float:
        k = belt[side]
        return k * (2 * slack + pull) / (2 * math.sqrt(k * slack * (slack + pull) + pull * pull))

    if needs(least) < given:  # (given - per_tight T1)^2 = bush^2 (k T1 T2 + D^2) for T2
        a, b, c = bush * bush, per_tight, given - per_tight * pull
        square, middle, last = b * b - a * k, -2 * b * c - a * k * pull, c * c - a * pull * pull
        root = math.sqrt(max(middle * middle - 4 * square * last, 0.0))
        slack = (-middle - math.copysign(root, bush)) / (2 * square)
    else:
        slack = least + (given - needs(least)) / (per_tight + bush * slope(least, "drive_spread"))
    held = max(slack, least)
    idle = belt["wrap"] - belt["active"] * math.log1p(pull / held)
    load = math.sqrt(belt["driven_spread"] * held * (held + pull) + pull * pull)
    thrust = belt["idle_thrust"] * held * idle + belt["pull_thrust"] * pull - belt["driven_bush"] * load
    steep = belt["idle_thrust"] * (idle + belt["active"] * pull / (held + pull))
    steep -= belt["driven_bush"] * slope(held, "driven_spread")
    return thrust + steep * (slack - held)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small sizes")
    quick = parser.parse_args().quick
    job = load_job(ROOT / "configs" / "rescue.yaml")
    plain = bench_plain(job, 2_000 if quick else 20_000)
    bench_shop(job, plain, GROWTH[1] if quick else GROWTH[4])
    bench_growth(job, GROWTH[:2] if quick else GROWTH)
    bench_shift_maps(1_000 if quick else 20_000)
    bench_demo(job)
    line("peak memory of this run", f"{peak_memory():.2f} GB")


if __name__ == "__main__":
    main()
