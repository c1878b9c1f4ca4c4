"""Bounds of the slope of needed thrust over pull, held against differences of the needed thrust itself."""

from __future__ import annotations

import numpy as np
import pytest

from solver.balance import DrivenSide, needed_drive_thrust
from solver.belt_path import ShiftPath
from solver.grip import Grip, grip, held_thrust, slack_tension
from solver.points import along
from solver.side_load import Bushes
from solver.thrust_slope import thrust_slopes

pytestmark = pytest.mark.invariant

POSITIONS = 4
BOXES = 8
POINTS = along(POSITIONS)
KINDS = ("usual", "rough", "smooth", "narrow groove", "corrected")


def some_grip(rng: np.random.Generator, kind: str = "usual") -> Grip:
    """A belt at the points of both branches, its wraps anything from 2 to 4.5 rad, its bushes up to the roughest."""
    angle, friction, seating = rng.uniform([0.14, 0.15, 0.0], [0.35, 1.2, 1.0])
    if kind == "narrow groove":
        angle, friction = rng.uniform([0.01, 0.5], [0.06, 1.5])
    if kind == "corrected":
        angle, friction, seating = rng.uniform(0.18, 0.26), rng.uniform(0.2, 0.5), 1.0
    radius, rest = np.linspace(0.03, 0.09, POSITIONS), np.zeros(POSITIONS)
    drive, driven = rng.uniform(2.0, 4.5, (2, POSITIONS))
    path = ShiftPath(rest, radius, radius, drive, driven, rest, rest)
    flanks = path, float(angle), float(friction), float(seating)
    plain = grip(*flanks, corrected=kind == "corrected")
    spread = plain.driven_spread
    steady = np.minimum(-np.expm1(-plain.wrap / plain.active), 2 * np.sqrt(spread) / (4 - spread + 1e-9))
    most = np.array([(1 / plain.tight_per_thrust).min(), (plain.active * plain.idle_thrust * steady).min()])
    share = {"rough": 0.9999, "smooth": 0.0}.get(kind) if kind in ("rough", "smooth") else rng.random(2)
    drive_bush, driven_bush = np.minimum(share * most, 1.0)
    guide = 0.0 if kind == "smooth" else rng.random()
    bushes = Bushes(float(drive_bush), float(driven_bush), float(guide), 0.02, float(rng.random()))
    return grip(*flanks, corrected=kind == "corrected", bushes=bushes).at(POINTS)


def box(rng: np.random.Generator, widest: float) -> tuple[DrivenSide, DrivenSide]:
    """Boxes of fixed thrust and ramp, from next to nothing, where the belt slides, to a firm grip."""
    shape = (BOXES, len(POINTS))
    fixed, ramp = np.exp(rng.uniform(np.log(1), np.log(8000), shape)), rng.uniform(0, 3, shape)
    wider = 1 + widest * rng.random((2, *shape))
    return DrivenSide(fixed, ramp), DrivenSide(fixed * wider[0], ramp * wider[1])


def bounds(lower: DrivenSide, upper: DrivenSide, pulls: np.ndarray, belt: Grip) -> tuple[np.ndarray, np.ndarray]:
    least, most = (slack_tension(side.fixed + side.per_pull * pulls, pulls, belt) for side in (lower, upper))
    return thrust_slopes(lower, upper, pulls, least, most, belt)


def between(lower: DrivenSide, upper: DrivenSide, share: np.ndarray) -> DrivenSide:
    """A driven clutch in the box, so far from its lower corner."""
    return DrivenSide(
        lower.fixed + share[0] * (upper.fixed - lower.fixed),
        lower.per_pull + share[1] * (upper.per_pull - lower.per_pull),
    )


def chord(side: DrivenSide, low: np.ndarray, high: np.ndarray, belt: Grip) -> tuple[np.ndarray, np.ndarray]:
    """Mean slope of the needed thrust between two pulls, and how well rounding lets it be known.

    A mean of slopes lies between their bounds whatever the step, so no step has to be small.
    """
    ends = [needed_drive_thrust(side, pull, belt) for pull in (low, high)]
    pull = np.maximum(high, 1e-30)
    slack = np.abs(slack_tension(side.fixed + side.per_pull * pull, pull, belt))
    # Tensions are solved to 1e-13 of themselves; a need goes on by its slope over tension, below 2 / tight_per_thrust.
    lost = (1e-13 * (slack + pull) + 1e-15 * np.abs(ends[1])) * 8 * (1 + 1 / belt.tight_per_thrust)
    return (ends[1] - ends[0]) / (high - low), lost / (high - low)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("widest", [0.0, 0.05, 3.0])
@pytest.mark.parametrize("seed", range(10))
def test_every_slope_of_a_box_lies_between_its_bounds(seed: int, widest: float, kind: str) -> None:
    rng = np.random.default_rng([seed, int(100 * widest), KINDS.index(kind)])
    belt, (lower, upper) = some_grip(rng, kind), box(rng, widest)
    pulls = np.concatenate([[0.0], np.geomspace(5, 8000, 14)])[:, None, None]
    slowest, fastest = bounds(lower, upper, pulls, belt)
    assert np.isfinite([slowest, fastest]).all()
    assert (slowest <= fastest).all()
    shape = (2, BOXES, len(POINTS))
    for share in (np.zeros(shape), np.ones(shape), np.eye(2)[0][:, None, None] * np.ones(shape),
                  np.eye(2)[1][:, None, None] * np.ones(shape), rng.random(shape), rng.random(shape)):  # fmt: skip
        side = between(lower, upper, share)
        for ends in ((0.0, 1.0), (0.0, 0.01), (0.99, 1.0), np.sort(rng.random(2))):
            low, high = (pulls[:-1] + within * (pulls[1:] - pulls[:-1]) for within in ends)
            slope, room = chord(side, low, high, belt)
            assert (slope >= slowest - room).all()
            assert (slope <= fastest + room).all()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(4))
def test_slopes_are_bounded_next_to_where_the_belt_begins_to_slide(seed: int, kind: str) -> None:
    """Fixed thrusts for which the belt passes from its closed form to the tangent within the cells, a hair apart."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    belt, (_, some) = some_grip(rng, kind), box(rng, 0.0)
    pull = 1000.0
    held = held_thrust(belt.least_slack * pull, np.full(len(POINTS), pull), belt)[0]  # sliding begins
    ramp = rng.uniform(0, 0.9, some.fixed.shape) * np.maximum(held, 0.0) / pull
    side = DrivenSide(np.maximum(held - ramp * pull, 0.0) * (1 + 1e-6 * rng.standard_normal(ramp.shape)), ramp)
    wider = DrivenSide(side.fixed * (1 + 1e-6), side.per_pull * (1 + 1e-6))
    pulls = (pull * (1 + np.array([-0.2, -1e-2, -1e-4, 0.0, 1e-4, 1e-2, 0.2])))[:, None, None]
    slowest, fastest = bounds(side, wider, pulls, belt)
    for inside in (side, wider, between(side, wider, rng.random((2, *ramp.shape)))):
        slope, room = chord(inside, pulls[:-1], pulls[1:], belt)
        assert (slope >= slowest - room).all()
        assert (slope <= fastest + room).all()


@pytest.mark.parametrize("kind", KINDS)
def test_bounds_hold_for_clutches_without_spring_or_without_ramp(kind: str) -> None:
    rng = np.random.default_rng([9, KINDS.index(kind)])
    belt = some_grip(rng, kind)
    pulls = np.geomspace(1, 5000, 9)[:, None, None]
    nothing, ramps = np.zeros((BOXES, len(POINTS))), rng.uniform(0, 3, (BOXES, len(POINTS)))
    springs = rng.uniform(0, 2000, ramps.shape)
    for side in (DrivenSide(nothing, ramps), DrivenSide(springs, nothing), DrivenSide(nothing, nothing)):
        slowest, fastest = bounds(side, side, pulls, belt)
        slope, room = chord(side, pulls[:-1], pulls[1:], belt)
        assert (slope >= slowest - room).all()
        assert (slope <= fastest + room).all()


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "narrow groove"])
@pytest.mark.parametrize("seed", range(3))
def test_a_box_without_width_in_a_small_cell_has_one_slope(seed: int, kind: str) -> None:
    """The bounds are no wider than the box and the cell make them."""
    rng = np.random.default_rng(seed)
    belt, (side, _) = some_grip(rng, kind), box(rng, 0.0)
    side = DrivenSide(side.fixed + 500, side.per_pull)
    pulls = np.array([1000.0, 1000.001])[:, None, None]
    slowest, fastest = bounds(side, side, pulls, belt)
    assert fastest == pytest.approx(slowest, rel=1e-3, abs=1e-4)
    slope, room = chord(side, pulls[:1], pulls[1:], belt)
    assert (np.abs(slope - fastest) < room + 1e-3 * np.abs(slope) + 1e-4).all()


@pytest.mark.parametrize("kind", KINDS)
def test_no_pull_is_no_trouble(kind: str) -> None:
    rng = np.random.default_rng(4)
    belt, (lower, upper) = some_grip(rng, kind), box(rng, 0.1)
    pulls = np.array([0.0, 0.0, 1e-200, 10.0])[:, None, None]
    slowest, fastest = bounds(lower, upper, pulls, belt)
    assert np.isfinite([slowest, fastest]).all()
    assert (slowest <= fastest).all()


def test_a_wider_box_and_a_wider_cell_have_wider_bounds() -> None:
    rng = np.random.default_rng(5)
    belt, (lower, upper) = some_grip(rng), box(rng, 0.5)
    pulls = np.geomspace(50, 4000, 9)[:, None, None]
    middle = between(lower, upper, np.full((2, 1, 1), 0.5))
    inner, outer = bounds(middle, middle, pulls, belt), bounds(lower, upper, pulls, belt)
    assert (outer[0] <= inner[0] + 1e-9).all()
    assert (outer[1] >= inner[1] - 1e-9).all()
    whole = bounds(lower, upper, pulls[::4], belt)
    for wide, fine, worst in zip(whole, outer, (np.min, np.max), strict=True):
        parts = worst(fine.reshape(2, 4, *fine.shape[1:]), axis=1)
        sign = 1 if worst is np.min else -1
        assert (sign * (parts - wide) >= -1e-9).all()
