"""Benchmarks: every figure is measured beside its yardstick in the same run.

    python tests/bench/run.py            # all, some minutes
    python tests/bench/run.py --quick    # small sizes, so that the benchmarks cannot rot

The machine these run on is shared and noisy: read ratios, not seconds.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).parent))

from shop import shop_job

from catalog import load_job
from catalog.job import Job
from search import rank
from search.exact import Screen, make_screen
from search.kits import make_space
from search.score import Request, pair_terms
from search.workers import parallel
from solver import balance

ROOT = Path(__file__).parents[2]


def peak_memory() -> float:
    """Largest memory of this process so far [GB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def line(label: str, *facts: str) -> None:
    print(f"{label:<44} {'  '.join(facts)}", flush=True)


def screen_of(job: Job) -> Screen:
    return make_screen(job, make_space(job), Request.of(job))


def bench_demo(job: Job) -> None:
    start = time.perf_counter()
    ranking = rank(job, top=20)
    spent = time.perf_counter() - start
    line(
        "demo: exact top 20", f"{ranking.counts['space']:,} kits", f"{_to_compare(ranking.counts):,} to compare",
        f"{spent:.1f} s",
    )  # fmt: skip


def _to_compare(counts: Mapping[str, int]) -> int:
    """Kits that no rule of one half has left out."""
    return counts["bounded_away"] + counts["scored"] + counts["speed_limit"]


def bench_plain(job: Job, count: int) -> float:
    """Kits balanced in full a second, the yardstick of the search."""
    screen = screen_of(job)
    rng = np.random.default_rng(1)
    pairs = np.column_stack([rng.integers(len(screen.drive), size=count), rng.integers(len(screen.driven), size=count)])
    start = time.perf_counter()
    pair_terms(job, screen.request, screen.drive, screen.driven, pairs)
    speed = count / (time.perf_counter() - start)
    line("plain: every kit balanced in full", f"{speed:,.0f} kits/s")
    return speed


def bench_twenty_million(job: Job, plain: float, quick: bool) -> None:
    sizes = {"springs": 12, "arms": 4, "masses": 6, "driven": 20, "helices": 20, "twists": 6}
    if quick:
        sizes |= {"springs": 4, "masses": 3, "driven": 6, "helices": 6}
    shop = shop_job(job, **sizes)
    start = time.perf_counter()
    ranking = rank(shop, top=20)
    spent = time.perf_counter() - start
    space = ranking.counts["space"]
    line(
        "shop: exact top 20", f"{space:,} kits", f"{_to_compare(ranking.counts):,} to compare", f"{spent:.1f} s",
        f"{space / spent / plain:,.0f} x plain", f"peak {peak_memory():.2f} GB",
    )  # fmt: skip


def job_with_positions(positions: int) -> Job:
    """The demo job on another number of shift positions."""
    with tempfile.TemporaryDirectory() as folder:
        for name in ("machine.yaml", "engine.csv"):
            shutil.copy(ROOT / "configs" / name, folder)
        text = (ROOT / "configs" / "rescue.yaml").read_text().replace("positions: 16", f"positions: {positions}")
        file = Path(folder) / "job.yaml"
        file.write_text(text)
        return load_job(file)


def bench_shift_maps(count: int) -> None:
    """Whole shift maps, 24 positions x 3 torque levels x 2 branches, beside a loop of scipy's brentq."""
    job = job_with_positions(24)
    screen = screen_of(job)
    drive, driven = screen.drive.side, screen.driven.side
    assert isinstance(drive, balance.DriveSide)
    assert isinstance(driven, balance.DrivenSide)
    rng = np.random.default_rng(2)
    rows, columns = rng.integers(len(screen.drive), size=count), rng.integers(len(screen.driven), size=count)
    states = 2 * len(job.duty.levels) * len(job.shift.position)

    def maps(at: int, size: int) -> None:
        chunk = slice(at, at + size)
        balance.engine_speed(
            drive[rows[chunk]], driven[columns[chunk]], job.grip, job.shift.drive_radius, job.engine, job.duty.levels
        )

    start = time.perf_counter()
    for n in range(50):
        maps(n, 1)
    single = (time.perf_counter() - start) / 50
    start = time.perf_counter()
    for _ in parallel(lambda n: maps(128 * n, 128), -(-count // 128)):
        pass
    ours = (time.perf_counter() - start) / count

    kit_drive, kit_driven, belt = drive[rows[0]], driven[columns[0]], job.grip
    speed = np.array([job.target_speed])

    def miss(w: float, branch: int, level: float, n: int) -> float:
        speed[0] = w
        pull = level * float(job.engine.at(speed)[0]) / job.shift.drive_radius[n]
        push = kit_drive.thrust_per_speed2[branch, n] * w * w - kit_drive.spring[n]
        slack = push * belt.tight_per_thrust[n] - pull
        least = belt.least_slack[n] * pull
        held = max(slack, least)
        idle = belt.wrap[n] - belt.active * np.log1p(pull / held)
        thrust = held * idle * belt.idle_thrust[n] + belt.pull_thrust[n] * pull
        return float(thrust + (slack - held) - kit_driven.fixed[branch, n] - kit_driven.per_pull[branch, n] * pull)

    start = time.perf_counter()
    for branch in range(2):
        for level in job.duty.levels:
            for n in range(len(job.shift.position)):
                brentq(miss, 0.05 * job.target_speed, 4 * job.target_speed, args=(branch, level, n))
    loop = time.perf_counter() - start
    line(
        f"shift maps of {states} states", f"one kit {1e3 * single:.2f} ms", f"100,000 kits {1e5 * ours:.1f} s",
        f"brentq loop {1e3 * loop:,.1f} ms a kit", f"{loop / ours:,.0f} x",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small sizes")
    quick = parser.parse_args().quick
    job = load_job(ROOT / "configs" / "rescue.yaml")
    plain = bench_plain(job, 2_000 if quick else 20_000)
    bench_twenty_million(job, plain, quick)
    bench_shift_maps(1_000 if quick else 20_000)
    bench_demo(job)
    line("peak memory of this run", f"{peak_memory():.2f} GB")


if __name__ == "__main__":
    main()
