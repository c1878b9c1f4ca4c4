"""The balance held against closed forms, another root finder, states made beforehand, and scaling laws."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from solver.balance import (
    BACKSHIFT,
    UPSHIFT,
    DrivenSide,
    DriveSide,
    Status,
    engagement_speed,
    engine_speed,
    needed_drive_thrust,
)
from solver.belt_grip import drive_thrust, driven_thrust
from solver.errors import PhysicalRangeError

pytestmark = pytest.mark.invariant

FEWER = settings(max_examples=40, deadline=None)
LEVELS = np.array([0.4, 0.7, 1.0])
# Clutches near real orders of magnitude: A [N s^2], drive spring [N], driven push [N], thrust per belt pull [-]
CLUTCHES = {
    "gain": st.floats(0.004, 0.012),
    "spring": st.floats(0, 1500),
    "fixed": st.floats(300, 3000),
    "share": st.floats(0, 1.3),
}


def sides(gain, spring, fixed, share, bands=(1.0, 1.0)) -> tuple[DriveSide, DrivenSide]:
    """Clutches from values that may vary over position; `bands`: (opening over closing) of arms and of ramp."""
    n = 12
    arms, ramp = np.array([[1.0], [bands[0]]]), np.array([[1.0], [1 / bands[1]]])
    return (
        DriveSide(arms * np.broadcast_to(gain, n), np.broadcast_to(spring, n).astype(float)),
        DrivenSide(ramp * np.broadcast_to(fixed, n), ramp * np.broadcast_to(share, n)),
    )


def balanced(machine, drive, driven, engine=None, levels=LEVELS):
    return engine_speed(drive, driven, machine.belt, machine.path.drive_radius, engine or machine.engine, levels)


def closed_forms(machine, speed, gain, spring, level, position):
    """Tight and slack net tension, and pull, from engine torque and drive thrust by the public formulas."""
    path, flanks = machine.path, (machine.half_angle, machine.friction)
    pull = level * machine.engine.at(speed) / path.drive_radius[position]
    unit = drive_thrust(1.0, path.drive_wrap[position], *flanks)  # thrust per net tension
    tight = (gain * speed**2 - spring) / unit
    return tight, tight - pull, pull


# --- the balance itself -----------------------------------------------------------------------------------------


@FEWER
@given(**CLUTCHES, bands=st.tuples(st.floats(1, 1.1), st.floats(1, 1.5)))
def test_thrusts_of_the_closed_forms_balance_at_the_speed_found(machine, gain, spring, fixed, share, bands):
    drive, driven = sides(gain, spring, fixed, share, bands)
    state = balanced(machine, drive, driven)
    assert np.isfinite(state.speed).all()
    here = np.nonzero(state.status == Status.BALANCED)
    assume(len(here[0]))
    branch, rung, n = here
    tight, slack, pull = closed_forms(
        machine, state.speed[here], drive.thrust_per_speed2[branch, n], spring, LEVELS[rung], n
    )
    needed = driven_thrust(tight, slack, machine.path.driven_wrap[n], machine.half_angle, machine.friction)
    assert needed == pytest.approx(driven.fixed[branch, n] + driven.per_pull[branch, n] * pull, rel=1e-8)
    assert state.tight_net[here] == pytest.approx(tight, rel=1e-9)
    assert state.slack_net[here] == pytest.approx(slack, rel=1e-7)


@FEWER
@given(
    level=st.floats(0.2, 1),
    speed=st.floats(250, 800),
    grip_share=st.floats(0.1, 1),
    sensing=st.floats(0, 0.95),
    spring=st.floats(0, 2000),
)
def test_a_state_made_beforehand_is_found_again(machine, level, speed, grip_share, sensing, spring):
    """Chosen: engine speed and tension ratio, up to the slip limit. The clutches that balance it follow."""
    path, belt, flanks = machine.path, machine.belt, (machine.half_angle, machine.friction)
    pull = level * machine.engine.at(speed) / path.drive_radius
    slack = pull / (belt.driven_limit**grip_share - 1)
    thrust = driven_thrust(slack + pull, slack, path.driven_wrap, *flanks)
    gain = (drive_thrust(slack + pull, path.drive_wrap, *flanks) + spring) / speed**2
    drive, driven = sides(gain, spring, thrust * (1 - sensing), sensing * thrust / pull)
    state = balanced(machine, drive, driven, levels=[level])
    assert state.speed == pytest.approx(np.full((2, 1, 12), speed), rel=1e-9)
    assert (state.status == Status.BALANCED).all()
    assert state.slack_net == pytest.approx(np.broadcast_to(slack, (2, 1, 12)), rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_brentq_finds_the_same_speed(machine, seed):
    rng = np.random.default_rng(seed)
    gain, spring, fixed, share = rng.uniform([0.006, 200, 1300, 1.1], [0.010, 1200, 2500, 1.5])
    state = balanced(machine, *sides(gain, spring, fixed, share))
    n, rung = int(rng.integers(12)), int(rng.integers(3))

    def excess(speed):
        tight, slack, pull = closed_forms(machine, speed, gain, spring, LEVELS[rung], n)
        try:
            return driven_thrust(tight, slack, machine.path.driven_wrap[n], machine.half_angle, machine.friction) - (
                fixed + share * pull
            )
        except PhysicalRangeError:
            return -1e6  # too little tension for this torque: the speed is too low

    root = brentq(excess, 100.0, 2000.0, xtol=1e-10)
    assert state.speed[UPSHIFT, rung, n] == pytest.approx(root, rel=1e-9)


@FEWER
@given(**CLUTCHES)
def test_needed_drive_thrust_is_the_thrust_in_balance(machine, gain, spring, fixed, share):
    drive, driven = sides(gain, spring, fixed, share)
    state = balanced(machine, drive, driven)
    held = state.status == Status.BALANCED
    needed = needed_drive_thrust(driven, state.pull, machine.belt)
    assert needed[held] == pytest.approx(state.drive_thrust[held], rel=1e-7)


def test_stacked_clutches_balance_as_each_alone(machine):
    rng = np.random.default_rng(5)
    kits = [sides(*rng.uniform([0.005, 200, 600, 0.4], [0.010, 1200, 2000, 1.2])) for _ in range(5)]
    stack = balanced(
        machine,
        DriveSide(np.stack([d.thrust_per_speed2 for d, _ in kits]), np.stack([d.spring for d, _ in kits])),
        DrivenSide(np.stack([d.fixed for _, d in kits]), np.stack([d.per_pull for _, d in kits])),
    )
    for number, (drive, driven) in enumerate(kits):
        alone = balanced(machine, drive, driven)
        assert stack.speed[number] == pytest.approx(alone.speed, rel=1e-9)
        assert (stack.status[number] == alone.status).all()


# --- scaling and trends -------------------------------------------------------------------------------------------


@FEWER
@given(**CLUTCHES, factor=st.floats(0.5, 2))
def test_engine_speed_goes_with_mass_to_the_minus_half(machine, gain, spring, fixed, share, factor):
    # exact at fixed thrust: a torque curve that does not change with speed fixes the thrust (virtual work, F ~ m w^2)
    once, heavier = (balanced(machine, *sides(m * gain, spring, fixed, share), machine.steady) for m in (1, factor))
    held = once.status != Status.BELT_SLIDES
    assert heavier.speed[held] == pytest.approx(once.speed[held] * factor**-0.5, rel=1e-9)
    assert heavier.drive_thrust[held] == pytest.approx(once.drive_thrust[held], rel=1e-7, abs=1e-5)


@FEWER
@given(**CLUTCHES, factor=st.floats(0.5, 2))
def test_engine_speed_goes_with_the_root_of_all_forces(machine, gain, spring, fixed, share, factor):
    once = balanced(machine, *sides(gain, spring, fixed, share), machine.steady)
    all_more = balanced(machine, *sides(gain, factor * spring, factor * fixed, share), machine.steady.scaled(factor))
    held = once.status != Status.BELT_SLIDES
    assert all_more.speed[held] == pytest.approx(once.speed[held] * factor**0.5, rel=1e-9)


@FEWER
@given(**CLUTCHES)
def test_flyweight_thrust_grows_with_speed_squared(machine, gain, spring, fixed, share):
    state = balanced(machine, *sides(gain, spring, fixed, share))
    assert (state.drive_thrust + spring) / state.speed**2 == pytest.approx(np.full((2, 3, 12), gain), rel=1e-12)


@FEWER
@given(**CLUTCHES, more=st.floats(1.01, 1.5))
def test_what_raises_and_what_lowers_engine_speed(machine, gain, spring, fixed, share, more):
    def speed(gain, spring, fixed, share):
        state = balanced(machine, *sides(gain, spring, fixed, share))
        held = state.status == Status.BALANCED
        return np.where(held, state.speed, np.nan)

    base = speed(gain, spring, fixed, share)
    assume(np.isfinite(base).any())
    for changed in ((gain, spring + 50 * more, fixed, share), (gain, spring, fixed * more, share)):
        rise = speed(*changed) - base
        assert (rise[np.isfinite(rise)] > 0).all()
    rise = speed(gain, spring, fixed, share + 0.1 * more) - base
    assert (rise[np.isfinite(rise)] > 0).all()
    rise = speed(gain * more, spring, fixed, share) - base
    assert (rise[np.isfinite(rise)] < 0).all()


@pytest.mark.parametrize("level", [0.0, 1e-12])
def test_without_torque_only_the_springs_are_left(machine, level):
    """F1 then is the driven spring's push carried over by the belt: P theta1 / theta2, the flank angle cancels."""
    drive, driven = sides(0.007, 500.0, 1200.0, 1.1)
    state = balanced(machine, drive, driven, levels=[level])
    carried = 1200.0 * machine.path.drive_wrap / machine.path.driven_wrap
    assert state.drive_thrust[:, 0] == pytest.approx(np.stack([carried, carried]), rel=1e-8)
    assert state.speed[:, 0] == pytest.approx(np.sqrt((np.stack([carried, carried]) + 500) / 0.007), rel=1e-9)


@FEWER
@given(**CLUTCHES, bands=st.tuples(st.floats(1, 1.15), st.floats(1, 2)))
def test_upshift_speed_is_never_below_backshift_speed(machine, gain, spring, fixed, share, bands):
    # friction: arms push less while closing, the ramp pushes more while it is opened
    state = balanced(machine, *sides(gain, spring, fixed, share, bands))
    held = (state.status != Status.BELT_SLIDES).all(axis=0)  # a belt that slides has more than one balance
    up, back = (state.speed[branch][held] for branch in (UPSHIFT, BACKSHIFT))
    assert (up >= back * (1 - 1e-10)).all()
    if bands == (1, 1):
        assert up == pytest.approx(back, rel=1e-10)


# --- engagement, status ---------------------------------------------------------------------------------------


def test_arms_carry_the_spring_at_engagement():
    gain, spring = np.linspace([[0.006], [0.007]], [[0.009], [0.010]], 12).T[0], np.linspace(400, 900, 12)
    speed = engagement_speed(DriveSide(gain, spring))
    assert gain[UPSHIFT, 0] * speed**2 == pytest.approx(spring[0], rel=1e-12)


@pytest.mark.parametrize(
    ("clutches", "status"),
    [
        ((0.007, 500.0, 1200.0, 1.1), Status.BALANCED),
        ((0.0008, 500.0, 1200.0, 1.1), Status.ABOVE_CURVE),
        ((0.5, 500.0, 1200.0, 1.1), Status.BELOW_CURVE),
        ((0.007, 500.0, 1.0, 0.3), Status.BELT_SLIDES),
    ],
)
def test_status_says_what_a_speed_stands_on(machine, clutches, status):
    state = balanced(machine, *sides(*clutches), levels=[1.0])
    assert (state.status == status).all()
    assert np.isfinite(state.speed).all()
