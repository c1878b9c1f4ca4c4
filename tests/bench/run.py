"""Benchmarks: every figure is measured beside its yardstick in the same run.

    python tests/bench/run.py            # all, some minutes
    python tests/bench/run.py --quick    # small sizes, so that the benchmarks cannot rot

The machine these run on is shared and noisy: read ratios, not seconds.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).parent))

from shop import shop_job  # noqa: E402

from catalog import load_job  # noqa: E402
from catalog.job import Job  # noqa: E402
from search import rank  # noqa: E402
from search.exact import Screen, make_screen  # noqa: E402
from search.kits import make_space  # noqa: E402
from search.score import Request, pair_terms  # noqa: E402
from solver import balance  # noqa: E402

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
        "shop: exact top 20", f"{space:,} kits", f"{_to_compare(ranking.counts):,} to compare", f"{spent:.1f} s", f"{space / spent / plain:,.0f} x plain",
        f"peak {peak_memory():.2f} GB",
    )  # fmt: skip


def bench_shift_maps(job: Job, count: int) -> None:
    """Whole shift maps beside a loop of scipy's brentq over the same states."""
    screen = screen_of(job)
    drive, driven = screen.drive.side, screen.driven.side
    assert isinstance(drive, balance.DriveSide)
    assert isinstance(driven, balance.DrivenSide)
    rng = np.random.default_rng(2)
    rows, columns = rng.integers(len(screen.drive), size=count), rng.integers(len(screen.driven), size=count)
    states = 2 * len(job.duty.levels) * len(job.shift.position)
    start = time.perf_counter()
    for at in range(0, count, 128):
        chunk = slice(at, at + 128)
        balance.engine_speed(
            drive[rows[chunk]], driven[columns[chunk]], job.grip, job.shift.drive_radius, job.engine, job.duty.levels
        )
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
        thrust = held * (belt.wrap[n] - belt.active * np.log1p(pull / held)) / belt.seat + belt.pull_thrust * pull
        return float(thrust + (slack - held) - kit_driven.fixed[branch, n] - kit_driven.per_pull[branch, n] * pull)

    start = time.perf_counter()
    for branch in range(2):
        for level in job.duty.levels:
            for n in range(len(job.shift.position)):
                brentq(miss, 0.05 * job.target_speed, 4 * job.target_speed, args=(branch, level, n))
    loop = time.perf_counter() - start
    line(
        f"shift maps of {states} states", f"{1e6 * ours:.0f} us a kit", f"brentq loop {1e6 * loop:,.0f} us",
        f"{loop / ours:,.0f} x",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small sizes")
    quick = parser.parse_args().quick
    job = load_job(ROOT / "configs" / "rescue.yaml")
    plain = bench_plain(job, 2_000 if quick else 20_000)
    bench_twenty_million(job, plain, quick)
    bench_shift_maps(job, 500 if quick else 10_000)
    bench_demo(job)
    line("peak memory of this run", f"{peak_memory():.2f} GB")


if __name__ == "__main__":
    main()
