"""The balance held against closed forms, another root finder, states made beforehand, and scaling laws."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from solver.balance import (
    DrivenSide,
    DriveSide,
    Status,
    engagement_speed,
    engine_speed,
    needed_drive_thrust,
    tensions,
)
from solver.belt_grip import drive_thrust, driven_thrust
from solver.grip import drive_need, held_thrust
from solver.points import BACKSHIFT, UPSHIFT, Points, along

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
BELTS = pytest.mark.parametrize("bushes", ["belt", "rough"])  # of the machine: without friction of bushes, and with


def sides(gain, spring, fixed, share, bands=(1.0, 1.0)) -> tuple[DriveSide, DrivenSide]:
    """Clutches over branches and positions, from values that may vary over position; `bands`: (opening over closing)
    of arms and of ramp."""
    n = 12
    arms, ramp = np.array([[1.0], [bands[0]]]), np.array([[1.0], [1 / bands[1]]])
    return (
        DriveSide(arms * np.broadcast_to(gain, n), np.broadcast_to(spring, n).astype(float)),
        DrivenSide(ramp * np.broadcast_to(fixed, n), ramp * np.broadcast_to(share, n)),
    )


def loaded(levels):
    """Points of every branch, position and torque level."""
    each = [along(12, float(level)) for level in np.atleast_1d(levels)]
    names = "branch", "position", "level", "held"
    return Points(**{name: np.concatenate([getattr(points, name) for points in each]) for name in names})


def belt_at(machine, points, bushes="belt"):
    """The machine's belt, which stands at both branches of every position, at other points."""
    here = getattr(machine, bushes)
    chosen = 12 * points.branch + points.position
    return type(here)(**{k: v if np.ndim(v) == 0 else v[..., chosen] for k, v in vars(here).items()})


def balanced(machine, drive, driven, engine=None, levels=LEVELS, bushes="belt", points=None, ceiling=None):
    points = loaded(levels) if points is None else points
    return engine_speed(
        drive.at(points), driven.at(points), belt_at(machine, points, bushes), machine.path.drive_radius,
        engine or machine.engine, points, ceiling,
    )  # fmt: skip


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
    here, points = np.nonzero(state.status == Status.BALANCED)[0], loaded(LEVELS)
    assume(len(here))
    branch, n = points.branch[here], points.position[here]
    tight, slack, pull = closed_forms(
        machine, state.speed[here], drive.thrust_per_speed2[branch, n], spring, points.level[here], n
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
    slack = pull / (belt.driven_limit[:12] ** grip_share - 1)
    thrust = driven_thrust(slack + pull, slack, path.driven_wrap, *flanks)
    gain = (drive_thrust(slack + pull, path.drive_wrap, *flanks) + spring) / speed**2
    drive, driven = sides(gain, spring, thrust * (1 - sensing), sensing * thrust / pull)
    state = balanced(machine, drive, driven, levels=[level])
    assert state.speed == pytest.approx(np.full(24, speed), rel=1e-9)
    assert (state.status == Status.BALANCED).all()
    assert state.slack_net == pytest.approx(np.tile(slack, 2), rel=1e-7)


@FEWER
@given(level=st.floats(0.2, 1), speed=st.floats(250, 800), grip_share=st.floats(0.1, 1), sensing=st.floats(0, 0.95),
       spring=st.floats(0, 2000), held=st.floats(0, 800))  # fmt: skip
def test_a_state_made_beforehand_is_found_again_with_bushes_and_held_pull(
    machine, level, speed, grip_share, sensing, spring, held
):
    """The same with friction of the sheaves, and with a part of the pull that tyres hold whatever the engine speed."""
    points = replace(along(12, level), held=np.full(24, held))
    belt = machine.rough
    pull = points.pull(machine.engine.at(speed), machine.path.drive_radius)
    slack = pull / (belt.driven_limit**grip_share - 1)
    thrust, need = (function(slack, pull, belt)[0] for function in (held_thrust, drive_need))
    drive = DriveSide((need + spring) / speed**2, np.full(24, spring))
    driven = DrivenSide(thrust * (1 - sensing), sensing * thrust / pull)
    state = engine_speed(drive, driven, belt, machine.path.drive_radius, machine.engine, points)
    assert state.speed == pytest.approx(np.full(24, speed), rel=1e-9)
    assert state.slack_net == pytest.approx(slack, rel=1e-7)
    assert state.pull == pytest.approx(pull, rel=1e-8)
    assert state.torque == pytest.approx(pull * np.tile(machine.path.drive_radius, 2), rel=1e-8)
    assert state.drive_thrust == pytest.approx(need, rel=1e-7)
    assert state.driven_thrust == pytest.approx(thrust, rel=1e-7)


def plain_imbalance(machine, speed, clutches, rubs, branch, n, level, held):
    """Thrust that the driven clutch lacks at a speed, by the formulas of statics written out.

    `rubs`: friction of drive bush, driven bush and guide. The slack tension is sought on its own, so that nothing of
    the solver's algebra is in it.
    """
    gain, spring, fixed, share = clutches
    path, sign = machine.path, (1 if branch == UPSHIFT else -1)
    pull = level * float(machine.engine.at(speed)) / path.drive_radius[n] + held
    seat = 2 * np.tan(machine.half_angle + np.arctan(machine.friction))
    active = np.sin(machine.half_angle) / machine.friction

    def load(tight, slack, wrap):
        return np.sqrt(tight**2 + slack**2 - 2 * tight * slack * np.cos(wrap))

    def drive_lacks(slack):
        tight = slack + pull
        rubbing = rubs[0] / 2 * load(tight, slack, path.drive_wrap[n])
        rubbing += rubs[2] * machine.bushes.torque_share * pull * path.drive_radius[n] / machine.bushes.guide_radius
        return tight * path.drive_wrap[n] / seat + sign * rubbing - (gain * speed**2 - spring)

    least = pull / np.expm1(path.driven_wrap[n] / active)
    if drive_lacks(least) >= 0:
        return -1e6  # too little tension for this torque: the speed is too low
    slack = brentq(drive_lacks, least, 1e7, xtol=1e-11)
    tight = slack + pull
    held_up = slack * (path.driven_wrap[n] - active * np.log(tight / slack)) / seat
    held_up += pull * np.cos(machine.half_angle) / (2 * machine.friction)
    return held_up - sign * rubs[1] / 2 * load(tight, slack, path.driven_wrap[n]) - fixed - share * pull


@BELTS
@pytest.mark.parametrize("seed", range(8))
def test_brentq_finds_the_same_speed(machine, seed, bushes):
    rng = np.random.default_rng(seed)
    clutches = rng.uniform([0.006, 200, 1300, 1.1], [0.010, 1200, 2500, 1.5])
    given = machine.bushes
    rubs = (given.drive, given.driven, given.guide) if bushes == "rough" else (0.0, 0.0, 0.0)
    held = rng.uniform(0, 400, 24) * (rng.random() < 0.5)
    points = replace(along(12, float(rng.uniform(0.3, 1))), held=held)
    state = balanced(machine, *sides(*clutches), points=points, bushes=bushes)
    for j in rng.integers(24, size=4):
        where = int(points.branch[j]), int(points.position[j]), float(points.level[j]), float(held[j])
        root = brentq(lambda w, where=where: plain_imbalance(machine, w, clutches, rubs, *where), 100, 2000, xtol=1e-9)
        assert state.speed[j] == pytest.approx(root, rel=1e-8)


@BELTS
@FEWER
@given(**CLUTCHES)
def test_needed_drive_thrust_is_the_thrust_in_balance(machine, bushes, gain, spring, fixed, share):
    drive, driven = sides(gain, spring, fixed, share)
    points = loaded(LEVELS)
    state, belt = balanced(machine, drive, driven, bushes=bushes), belt_at(machine, points, bushes)
    held = state.status == Status.BALANCED
    needed = needed_drive_thrust(driven.at(points), state.pull, belt)
    assert needed[held] == pytest.approx(state.drive_thrust[held], rel=1e-7)
    tight, slack = tensions(driven.at(points), state.pull, belt)
    assert tight[held] == pytest.approx(state.tight_net[held], rel=1e-6)
    assert slack[held] == pytest.approx(state.slack_net[held], rel=1e-6, abs=1e-6 * tight.max())
    assert (slack >= 0).all()
    assert (state.carried[1] >= 0).all()


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


@BELTS
@FEWER
@given(**CLUTCHES, factor=st.floats(0.5, 2))
def test_engine_speed_goes_with_mass_to_the_minus_half(machine, bushes, gain, spring, fixed, share, factor):
    # exact at fixed thrust: a torque curve that does not change with speed fixes the thrust (virtual work, F ~ m w^2)
    once, heavier = (
        balanced(machine, *sides(m * gain, spring, fixed, share), machine.steady, bushes=bushes) for m in (1, factor)
    )
    held = once.status != Status.BELT_SLIDES
    assert heavier.speed[held] == pytest.approx(once.speed[held] * factor**-0.5, rel=1e-9)
    assert heavier.drive_thrust[held] == pytest.approx(once.drive_thrust[held], rel=1e-7, abs=1e-5)


@BELTS
@FEWER
@given(**CLUTCHES, factor=st.floats(0.5, 2))
def test_engine_speed_goes_with_the_root_of_all_forces(machine, bushes, gain, spring, fixed, share, factor):
    once = balanced(machine, *sides(gain, spring, fixed, share), machine.steady, bushes=bushes)
    more = sides(gain, factor * spring, factor * fixed, share)
    all_more = balanced(machine, *more, machine.steady.scaled(factor), bushes=bushes)
    held = once.status != Status.BELT_SLIDES
    assert all_more.speed[held] == pytest.approx(once.speed[held] * factor**0.5, rel=1e-9)


@FEWER
@given(**CLUTCHES)
def test_flyweight_thrust_grows_with_speed_squared(machine, gain, spring, fixed, share):
    state = balanced(machine, *sides(gain, spring, fixed, share))
    assert (state.drive_thrust + spring) / state.speed**2 == pytest.approx(np.full(72, gain), rel=1e-12)


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
    assert state.drive_thrust == pytest.approx(np.tile(carried, 2), rel=1e-8)
    assert state.speed == pytest.approx(np.sqrt((np.tile(carried, 2) + 500) / 0.007), rel=1e-9)


@BELTS
@FEWER
@given(**CLUTCHES, bands=st.tuples(st.floats(1, 1.15), st.floats(1, 2)))
def test_upshift_speed_is_never_below_backshift_speed(machine, bushes, gain, spring, fixed, share, bands):
    # friction: arms push less while closing, the ramp pushes more while it is opened, and sheaves rub on their shafts
    state = balanced(machine, *sides(gain, spring, fixed, share, bands), bushes=bushes)
    speed, slides = state.speed.reshape(3, 2, 12), (state.status == Status.BELT_SLIDES).reshape(3, 2, 12)
    held = ~slides.any(axis=1)  # a belt that slides has more than one balance
    up, back = (speed[:, branch][held] for branch in (UPSHIFT, BACKSHIFT))
    assert (up >= back * (1 - 1e-10)).all()
    if bands == (1, 1):
        if bushes == "belt":
            assert up == pytest.approx(back, rel=1e-10)
        else:
            assert (up > back * 1.001).all()


def test_held_pull_does_not_follow_the_engine(machine):
    """Tyres hold 600 N: the balance is that of the same pull at a steady torque, whatever the curve."""
    drive, driven = sides(0.007, 500.0, 1200.0, 1.1)
    held = replace(along(12, 0.0), held=np.full(24, 600.0))
    one, other = (balanced(machine, drive, driven, engine, points=held) for engine in (machine.engine, machine.steady))
    assert one.speed == pytest.approx(other.speed, rel=1e-9)
    assert (one.pull == 600).all()
    needed = needed_drive_thrust(driven.at(held), 600.0, machine.belt)
    assert one.speed == pytest.approx(np.sqrt((needed + 500) / 0.007), rel=1e-9)


def test_one_position_may_carry_several_torques_on_one_branch(machine):
    drive, driven = sides(0.007, 500.0, 1200.0, 1.1)
    places = Points(np.array([1, 1, 0]), np.array([4, 4, 4]), np.array([0.45, 1.0, 0.45]), np.zeros(3))
    few = balanced(machine, drive, driven, points=places)
    for j, level in enumerate(places.level):
        whole = balanced(machine, drive, driven, levels=[level])
        assert few.speed[j] == pytest.approx(whole.speed[12 * places.branch[j] + 4], rel=1e-12)
    assert few.speed[0] < few.speed[1]


def test_a_ceiling_leaves_single_balances_alone(machine):
    """Whether they lie below it or, where the clutches do not slow the engine there, above."""
    for gain in (0.005, 0.007, 0.009):
        drive, driven = sides(gain, 500.0, 1200.0, 1.1)
        free = balanced(machine, drive, driven)
        capped = balanced(machine, drive, driven, ceiling=float(np.median(free.speed)))
        assert capped.speed == pytest.approx(free.speed, rel=1e-9)


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
