"""The bounds of the search on engine curves made to break them, and the speed-limit rule."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from catalog.job import Job
from search.exact import Screen, make_screen, top_pairs
from search.kits import make_space
from search.score import Request, pair_terms, shift_map
from solver.balance import DrivenSide, DriveSide
from solver.engine import EngineCurve

pytestmark = pytest.mark.invariant

RPM = np.pi / 30
# rpm: N m; a cut just above target, a tuned pipe, a dip, a spike, and bumps all over
CURVES = {
    "cut": ([2000, 4000, 5500, 7000, 7100, 7200, 7300, 7600, 8000, 9000], [47, 61, 64, 58, 57, 41, 38, 37, 36, 34]),
    "pipe": ([2000, 4000, 5500, 6000, 6500, 7000, 7500, 7750, 8000, 8500], [27, 31, 36, 47, 57, 62, 62, 60, 50, 27]),
    "dip": ([2000, 4000, 5500, 6200, 6500, 6800, 7000, 7500, 8000], [47, 61, 64, 62, 50, 60, 58, 52, 42]),
    "spike": ([2000, 4000, 5500, 6900, 6960, 7020, 7500, 8000], [47, 61, 64, 58, 66, 57, 52, 42]),
    "bumps": ([2000, 3000, 4000, 5000, 5500, 6000, 6500, 7000, 7250, 8000], [40, 62, 45, 66, 50, 63, 52, 60, 47, 38]),
}


def odd_screen(job: Job, name: str, target: float, limit: float) -> Screen:
    speed, torque = (np.asarray(values, float) for values in CURVES[name])
    limits = job.spec.limits.model_copy(
        update={"belt_margin": -0.5, "engagement": (1000 * RPM, 6000 * RPM), "idle_clearance": 0.1}
    )
    odd = replace(
        job,
        engine=EngineCurve(speed * RPM, torque),
        target_speed=target * RPM,
        speed_limit=limit * RPM,
        spec=job.spec.model_copy(update={"limits": limits}),
    )
    locks = {"flyweight": "flail,cradle", "drive_spring": "larch,alder,hazel"}
    return make_screen(odd, make_space(odd, locks), Request.of(odd))


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize(("target", "limit"), [(7000, 7700), (7050, 12000), (6300, 6900), (7000, 7010)])
def test_no_bound_is_above_a_score_however_the_torque_runs(job: Job, name: str, target: float, limit: float) -> None:
    screen = odd_screen(job, name, target, limit)
    rng = np.random.default_rng(5)
    rows = rng.choice(len(screen.drive), 40, replace=False)
    columns = rng.choice(len(screen.driven), min(40, len(screen.driven)), replace=False)
    pairs, bounds = [], []
    for row in rows:
        block = slice(row, row + 1)
        kept = columns[screen.rule(block)[0, columns] == 0]
        pairs += [(row, column) for column in kept]
        bounds += list(screen.bound(block)[0, kept])
    if not pairs:
        return  # nothing keeps this speed limit; the other targets and limits of this curve do
    chosen = np.array(pairs)
    _, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, chosen)
    assert (np.array(bounds) <= scores + 2e-9).all()
    assert (screen.close_bound(chosen) <= scores + 2e-9).all()
    drive, driven = cast(DriveSide, screen.drive.side), cast(DrivenSide, screen.driven.side)
    state = shift_map(screen.job, drive[chosen[:, 0]], driven[chosen[:, 1]])
    assert (state.speed <= screen.job.speed_limit * (1 + 1e-9)).all()


def test_no_kit_is_lost_on_a_torque_cut_above_target(job: Job) -> None:
    screen = odd_screen(job, "cut", 7050, 9500)
    found = top_pairs(screen, 10)
    columns = np.argsort(screen.driven_score)[:40]
    chosen = np.concatenate(
        [
            [(row, column) for column in columns[screen.rule(slice(row, row + 1))[0, columns] == 0]] or np.empty((0, 2))
            for row in range(0, len(screen.drive), 7)
        ]
    ).astype(np.intp)
    _, scores = pair_terms(screen.job, screen.request, screen.drive, screen.driven, chosen)
    listed = {tuple(pair) for pair in found.pairs}
    assert len(chosen) > 1000
    assert {tuple(pair) for pair in chosen[scores < found.scores[-1] - 1e-8]} <= listed
