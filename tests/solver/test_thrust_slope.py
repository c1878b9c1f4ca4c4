"""Bounds of the slope of needed thrust over pull, held against differences of the needed thrust itself."""

from __future__ import annotations

import numpy as np
import pytest

from solver.balance import DrivenSide, needed_drive_thrust
from solver.belt_grip import Grip, grip
from solver.belt_path import shift_path
from solver.thrust_slope import thrust_slopes

pytestmark = pytest.mark.invariant

POSITIONS = 4


def some_grip(rng: np.random.Generator) -> Grip:
    angle = float(np.radians(rng.uniform(8, 20)))
    path = shift_path(np.linspace(0, 1, POSITIONS), 0.034, 0.086, 0.995, 0.256, angle)
    return grip(path, angle, float(rng.uniform(0.15, 1.2)), float(rng.uniform(0, 1)))


def box(rng: np.random.Generator, widest: float) -> tuple[DrivenSide, DrivenSide]:
    """Eight boxes of fixed thrust and ramp, from next to nothing, where the belt slides, to a firm grip."""
    shape = (8, 2, POSITIONS)
    fixed, ramp = np.exp(rng.uniform(np.log(1), np.log(8000), shape)), rng.uniform(0, 3, shape)
    wider = 1 + widest * rng.random((2, *shape))
    return DrivenSide(fixed, ramp), DrivenSide(fixed * wider[0], ramp * wider[1])


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("widest", [0.0, 0.05, 3.0])
def test_every_slope_of_a_box_lies_between_its_bounds(seed: int, widest: float) -> None:
    rng = np.random.default_rng(seed)
    belt, (lower, upper) = some_grip(rng), box(rng, widest)
    pulls = np.geomspace(50, 4000, 12)[:, None, None, None, None]
    least, most = (needed_drive_thrust(side, pulls, belt) for side in (lower, upper))
    slowest, fastest = thrust_slopes(lower, upper, pulls, least, most, belt)
    for share in ((0, 0), (1, 1), (0, 1), (1, 0), rng.random(2), rng.random(2)):
        side = DrivenSide(
            lower.fixed + share[0] * (upper.fixed - lower.fixed),
            lower.per_pull + share[1] * (upper.per_pull - lower.per_pull),
        )
        for within in (0.0, 0.5, 1.0):
            at = pulls[:-1] + within * (pulls[1:] - pulls[:-1])
            step = 1e-4 * at
            after, before = (needed_drive_thrust(side, pull, belt) for pull in (at + step, at - step))
            slope, room = (after - before) / (2 * step), 1e-6 + 2e-4 * np.abs(fastest) * (within != 0.5)
            assert (slope >= slowest - room).all()
            assert (slope <= fastest + room).all()


def test_a_box_without_width_in_a_small_cell_has_one_slope() -> None:
    rng = np.random.default_rng(3)
    belt, (side, _) = some_grip(rng), box(rng, 0.0)
    pulls = np.array([1000.0, 1000.001])[:, None, None, None, None]
    thrust = needed_drive_thrust(side, pulls, belt)
    slowest, fastest = thrust_slopes(side, side, pulls, thrust, thrust, belt)
    assert fastest == pytest.approx(slowest, rel=1e-4, abs=1e-5)
    assert fastest == pytest.approx(np.diff(thrust, axis=0) / 0.001, rel=1e-3, abs=1e-4)


def test_no_pull_is_no_trouble() -> None:
    rng = np.random.default_rng(4)
    belt, (lower, upper) = some_grip(rng), box(rng, 0.1)
    pulls = np.array([0.0, 0.0, 10.0])[:, None, None, None, None]
    least, most = (needed_drive_thrust(side, pulls, belt) for side in (lower, upper))
    slowest, fastest = thrust_slopes(lower, upper, pulls, least, most, belt)
    assert np.isfinite([slowest, fastest]).all()
    assert (slowest <= fastest).all()
