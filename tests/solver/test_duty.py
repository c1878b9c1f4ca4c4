"""Where the running time goes: a distribution over operating points, held against an ODE, roots and trends."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from solver.belt_grip import slip_limit
from solver.belt_path import shift_path
from solver.duty import Surroundings, duty
from solver.errors import PhysicalRangeError
from solver.grip import grip
from solver.ground import Ground, Vehicle, resistance
from solver.losses import BeltLosses
from solver.points import BACKSHIFT, UPSHIFT

pytestmark = pytest.mark.invariant

FEWER = settings(max_examples=40, deadline=None)
TARGET, AIR, G = 720.0, 1.1, 9.80665
VEHICLE = Vehicle(mass=900.0, drag_area=1.6, wheel_radius=0.31, reduction=11.0, driveline_efficiency=0.9)
LOSSES = BeltLosses(bending=0.9, wedging=0.012, stretch_stiffness=1.6e5, wedge_stiffness=4e7)
TRACK = Ground("track", 1.0, 0.05, 0.7, 0.05, 7.0, 15.0, 0.9, 1 / 20, 1 / 60)
FIRM = replace(TRACK, adhesion=5.0)  # tyres never slip
STEADY = replace(FIRM, starts=0.0, load_changes=0.0)
GROUNDS = st.lists(
    st.builds(
        Ground,
        name=st.just("any"),
        share=st.floats(0.05, 1),
        rolling=st.floats(0, 0.2),
        adhesion=st.floats(0.2, 1.2),
        grade=st.floats(-0.1, 0.2),
        low_speed=st.floats(0.5, 8),
        high_speed=st.floats(9, 40),
        torque=st.floats(0.2, 1),
        load_changes=st.floats(0, 1),
        starts=st.floats(0, 0.1),
        target_speed=st.none() | st.floats(500, 850),
        reduction=st.none() | st.floats(8, 25),
    ),
    min_size=1,
    max_size=4,
)


@pytest.fixture(scope="module")
def around(machine):
    """The machine's surroundings, without friction of bushes: time does not depend on it."""
    belt = grip(machine.path, machine.half_angle, machine.friction)
    return Surroundings(VEHICLE, machine.path, belt, LOSSES, machine.engine, TARGET, AIR)


def mean(found, values):
    """Mean over all time of a value at each point."""
    return float((found.weights.sum(axis=0) * values).sum())


def mean_torque(found, around):
    """Mean torque over that of full throttle, held pulls counted at the target speed."""
    radius, full = around.path.drive_radius, float(around.engine.at(TARGET))
    return mean(found, found.points.pull(full, radius) * radius[found.points.position] / full)


def share_of(found, branch):
    return mean(found, found.points.branch == branch)


def total_sweeps(found, branch):
    return float(found.sweeps[found.points.branch == branch].sum())


def rows_of(found, number):
    """Branch, position, torque, target and weight of the points that carry time on one ground, in order."""
    points, weights = found.points, found.weights[number]
    rows = np.column_stack([points.branch, points.position, points.level, points.held, found.target_speed, weights])
    rows = rows[weights > 0]
    return rows[np.lexsort(rows[:, 3::-1].T)]


class Road:
    """The machine on the road by the formulas written out: a fine path of its own, forces, losses."""

    def __init__(self, machine, ground, target=TARGET, reduction=11.0):
        self.machine, self.ground, self.target, self.reduction = machine, ground, target, reduction
        s = np.linspace(0, 1, 1201)
        self.path = shift_path(s, 0.036, 0.090, 1.055, 0.268, machine.half_angle)
        flanks = machine.half_angle, machine.friction
        self.limit = np.minimum(
            slip_limit(self.path.drive_wrap, *flanks, "drive"), slip_limit(self.path.driven_wrap, *flanks)
        )
        self.speed = target * 0.31 / (self.path.ratio * reduction)
        self.full = float(machine.engine.at(target)) / self.path.drive_radius

    def position(self, v):
        return float(np.interp(v, self.speed, self.path.position))

    def force(self, pull, v):
        """Tractive force of a belt pull at a road speed, the belt's sheaves just not slipping."""
        along = self.path.drive_radius, self.path.driven_radius, self.limit
        r1, r2, lam = (np.interp(v, self.speed, values) for values in along)
        tight = pull * lam / (lam - 1)
        slack, belt = tight - pull, self.target * r1
        seat = 2 * np.tan(self.machine.half_angle + np.arctan(self.machine.friction))
        slip = pull / LOSSES.stretch_stiffness + (tight / r1**2 - slack / r2**2) / (LOSSES.wedge_stiffness * seat)
        lost = belt * (0.9 * (1 / r1 + 1 / r2) + 0.012 * (tight + slack) + max(slip, 0.0) * pull)
        return 0.9 * (pull * belt - lost) / v

    def carried(self, v, torque=1.0):
        """Belt pull of a share of full torque, or what the tyres hold."""
        asked = torque * float(np.interp(v, self.speed, self.full))
        holds = self.ground.adhesion * 900 * G * np.cos(np.arctan(self.ground.grade))
        if self.force(asked, v) <= holds:
            return asked
        return brentq(lambda pull: self.force(pull, v) - holds, 0, asked, xtol=1e-9)

    def surplus(self, v, torque=1.0):
        ground = self.ground
        slope = np.arctan(ground.grade)
        back = 900 * G * (ground.rolling * np.cos(slope) + np.sin(slope)) + 0.5 * AIR * 1.6 * v**2
        return self.force(self.carried(v, torque), v) - back

    def time(self, low, high, torque=1.0):
        """Time from one road speed to another, by the equation of motion."""
        arrived = lambda _, v: v[0] - high  # noqa: E731
        arrived.terminal = True  # type: ignore[attr-defined] # solve_ivp reads it off the function
        run = solve_ivp(lambda _, v: self.surplus(float(v[0]), torque) / 900, (0, 2000), [low], events=arrived,
                        rtol=1e-8, max_step=0.5)  # fmt: skip
        return float(run.t[-1])


# --- a distribution -------------------------------------------------------------------------------------------------


@FEWER
@given(grounds=GROUNDS)
def test_weights_are_a_distribution(around, grounds):
    try:
        found = duty(grounds, around)
    except PhysicalRangeError:
        assume(False)
    points = found.points
    assert found.weights.shape == (len(grounds), len(points))
    assert found.weights.sum() == pytest.approx(1, rel=1e-12)
    assert (found.weights >= 0).all()
    assert (found.weights.sum(axis=0) > 0).all()  # points without time are left out
    shares = np.array([g.share for g in grounds])
    assert found.weights.sum(axis=1) == pytest.approx(shares / shares.sum(), rel=1e-9)
    assert (found.sweeps >= 0).all()
    for branch in (UPSHIFT, BACKSHIFT):
        assert total_sweeps(found, branch) <= sum(g.share * g.load_changes for g in grounds) * (1 + 1e-9)
    assert (found.traction_limited >= 0).all()
    assert (found.traction_limited <= 1 + 1e-9).all()
    assert (found.asked >= 0).all()
    assert all(low.low_speed <= top <= low.high_speed for low, top in zip(grounds, found.reach, strict=True))
    # one point a place for each torque (tyres of two grounds may hold the same), in order of branch and position
    each = np.column_stack([points.branch, points.position, points.level, found.target_speed])[points.level > 0]
    assert len(np.unique(each, axis=0)) == len(each)
    order = points.branch * 100 + points.position
    assert (np.diff(order) >= 0).all()
    assert ((points.level == 0) | (points.held == 0)).all()


def test_time_stays_inside_the_range_of_speed(around):
    found = duty([replace(TRACK, starts=0.0)], around)
    speed = VEHICLE.road_speed(TARGET, around.path.ratio)
    step = np.diff(speed).max()
    assert (speed[found.points.position] > TRACK.low_speed - step).all()
    assert (speed[found.points.position] < TRACK.high_speed + step).all()


def test_steady_running_is_even_over_the_road_speeds_of_the_range(machine, around):
    """Half on each branch; mean and spread of position as an even road speed has them."""
    found = duty([STEADY], around)
    road = Road(machine, STEADY)
    assert share_of(found, UPSHIFT) == pytest.approx(0.5, rel=1e-12)
    position = around.path.position[found.points.position]
    first, second = (quad(lambda v, n=n: road.position(v) ** n, 7, 15, limit=200)[0] / 8 for n in (1, 2))
    assert mean(found, position) == pytest.approx(first, abs=1e-3)
    assert mean(found, position**2) == pytest.approx(second, abs=3e-3)  # linear spreading widens by step^2 / 6
    assert found.sweeps.sum() == 0
    assert found.asked == pytest.approx(0)


# --- forces and times -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("adhesion", [5.0, 0.28])
def test_run_ups_take_the_time_of_the_equation_of_motion(machine, around, adhesion):
    """Starts alone stand on the upshift branch above what both branches share; solve_ivp gives the time of one."""
    starts, ground = 1 / 120, replace(STEADY, adhesion=adhesion, starts=1 / 120)
    found = duty([ground], around)
    road = Road(machine, ground)
    taken = road.time(float(road.speed[0]), TRACK.high_speed)
    above = share_of(found, UPSHIFT) - share_of(found, BACKSHIFT)
    assert above == pytest.approx(starts * taken, rel=0.005)
    assert found.asked[0] == pytest.approx(starts * taken, rel=0.005)
    if adhesion < 1:
        assert found.traction_limited[0] > 0


@pytest.mark.parametrize("torque", [0.6, 1.0])
def test_load_changes_take_the_time_of_the_equation_of_motion_both_ways(machine, around, torque):
    rate, ground = 1 / 60, replace(STEADY, torque=torque, load_changes=1 / 60)
    found = duty([ground], around)
    taken = Road(machine, ground).time(TRACK.low_speed, TRACK.high_speed, torque)
    assert found.asked[0] == pytest.approx(2 * rate * taken, rel=0.005)
    assert share_of(found, UPSHIFT) == pytest.approx(0.5, rel=1e-9)


def test_reach_is_where_the_surplus_ends(machine, around):
    ground = replace(TRACK, grade=0.2, high_speed=40.0)
    found = duty([ground], around)
    v = float(found.reach[0])
    assert Road(machine, ground).surplus(v) / 900 == pytest.approx(0.05, abs=0.03)  # within a cell of the fine grid


def test_tyres_hold_the_pull_whose_force_is_that_of_adhesion(machine, around):
    """Belt pulls of points where tyres slip, one by one against brentq on the force written out."""
    ground = replace(TRACK, adhesion=0.3)
    found, road = duty([ground], around), Road(machine, ground)
    slips = found.points.level == 0
    assert slips.any()
    assert (~slips).any()
    full = float(machine.engine.at(TARGET))
    holds = 0.3 * 900 * G * np.cos(np.arctan(0.05))
    for n, held in zip(found.points.position[slips], found.points.held[slips], strict=True):
        v, most = float(VEHICLE.road_speed(TARGET, around.path.ratio[n])), full / around.path.drive_radius[n]
        if road.force(most, v) > holds:
            expected = brentq(lambda pull, v=v: road.force(pull, v) - holds, 0, most)
        else:  # the last position before the engine limits: no more than the engine pulls
            expected = most
        assert held == pytest.approx(expected, rel=1e-4)


def test_held_pulls_do_not_follow_the_engine(around):
    found = duty([replace(TRACK, adhesion=0.3)], around)
    points, radius = found.points, around.path.drive_radius
    slow, fast = points.pull(20.0, radius), points.pull(60.0, radius)
    held = points.level == 0
    assert (slow[held] == fast[held]).all()
    assert (slow[held] > 0).all()
    assert fast[~held] == pytest.approx(3 * slow[~held], rel=1e-12)


@given(grade=st.floats(-0.3, 0.0))
@FEWER
def test_tyres_slip_where_the_force_passes_adhesion_times_the_load_on_the_ground(machine, around, grade):
    # statics on the slope; asked in the last per cent of the shift, where the force of full torque hardly changes
    top = float(VEHICLE.road_speed(TARGET, around.path.ratio[-1]))
    plain = replace(STEADY, rolling=0.0, grade=grade, low_speed=top * 0.99, high_speed=top * 2, torque=1.0)
    road = Road(machine, plain)
    enough = road.force(road.full[-1], top) / (900 * G * np.cos(np.arctan(grade)))
    firm, loose = (duty([replace(plain, adhesion=enough * f)], around) for f in (1.02, 0.99))
    assert firm.traction_limited[0] == 0
    assert loose.traction_limited[0] == pytest.approx(1)


# --- torque as asked ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("torque", [0.45, 0.3, 1.0])
def test_torque_is_served_as_asked_and_no_other(around, torque):
    found = duty([replace(FIRM, torque=torque, starts=0.0)], around)
    assert set(found.points.level) == {torque}
    assert (found.points.held == 0).all()
    starting = duty([replace(FIRM, torque=torque)], around)
    assert set(starting.points.level) == {torque, 1.0}  # run-ups are at full torque
    with_full = starting.points.level == 1
    if torque < 1:
        assert (starting.points.branch[with_full] == UPSHIFT).all()
    assert starting.traction_limited[0] == 0


def test_grounds_that_ask_for_the_same_torque_share_their_points(around):
    one, other = replace(STEADY, torque=0.6), replace(STEADY, torque=0.6, name="other", share=0.5, rolling=0.08)
    alone, together = duty([one], around), duty([one, other], around)
    assert len(together.points) == len(alone.points)
    assert together.weights.shape[0] == 2
    assert together.weights[0] * 1.5 == pytest.approx(alone.weights[0], rel=1e-12)
    apart = duty([one, replace(other, torque=0.7)], around)
    assert len(apart.points) == 2 * len(alone.points)
    faster = duty([one, replace(other, target_speed=TARGET + 1)], around)  # the same torque, another target
    assert len(faster.points) > len(together.points)
    assert set(faster.target_speed) == {TARGET, TARGET + 1}


def test_an_own_target_and_an_own_gear_range_are_those_of_a_job_of_that_ground_alone(around):
    """Each ground of a mix against the machine that has its target speed and reduction as its own."""
    grounds = [
        replace(TRACK, share=0.5),
        replace(TRACK, name="slow", share=0.3, target_speed=640.0, torque=0.6),
        replace(TRACK, name="low", share=0.2, reduction=19.0, low_speed=4.0, high_speed=8.0, adhesion=0.5),
        replace(TRACK, name="both", share=0.4, target_speed=640.0, reduction=14.0, low_speed=5.0, torque=0.8),
    ]
    mixed = duty(grounds, around)
    for number, ground in enumerate(grounds):
        target = ground.target_speed or TARGET
        vehicle = replace(VEHICLE, reduction=ground.reduction or 11.0)
        plain = replace(ground, target_speed=None, reduction=None)
        alone = duty([plain], replace(around, vehicle=vehicle, target_speed=target))
        here, there = rows_of(mixed, number), rows_of(alone, 0)
        here[:, -1] *= 1.4 / ground.share
        assert here == pytest.approx(there, rel=1e-9)
        assert (here[:, -2] == target).all()
        for name in ("traction_limited", "reach", "asked"):
            assert getattr(mixed, name)[number] == pytest.approx(getattr(alone, name)[0], rel=1e-12), name
    swept = sum(duty([replace(g, share=1.0)], around).sweeps.sum() * g.share for g in grounds)
    assert mixed.sweeps.sum() == pytest.approx(swept, rel=1e-9)


# --- load changes ---------------------------------------------------------------------------------------------------


def test_load_changes_sweep_the_range_once_up_and_once_down(machine, around):
    rate, ground = 0.02, replace(FIRM, starts=0.0, load_changes=0.02, share=0.7)
    found, road = duty([ground], around), Road(machine, FIRM)
    across = road.position(TRACK.high_speed) - road.position(TRACK.low_speed)
    assert found.asked[0] < 1
    for branch in (UPSHIFT, BACKSHIFT):
        assert total_sweeps(found, branch) == pytest.approx(0.7 * rate * across, rel=0.01)
    whole = duty([replace(ground, low_speed=0.5, high_speed=40.0, grade=-0.05, load_changes=0.005)], around)
    assert whole.asked[0] < 1
    assert total_sweeps(whole, UPSHIFT) == pytest.approx(0.7 * 0.005, rel=1e-9)


@FEWER
@given(rate=st.floats(0, 0.1), more=st.floats(0.01, 0.5))
def test_load_changes_never_take_time_from_the_backshift_branch(around, rate, more):
    calm, busy = (duty([replace(TRACK, load_changes=r)], around) for r in (rate, rate + more))
    assert share_of(busy, BACKSHIFT) >= share_of(calm, BACKSHIFT) - 1e-12
    assert busy.sweeps.sum() > calm.sweeps.sum()
    assert busy.asked[0] > calm.asked[0]


def test_load_changes_take_time_for_the_backshift_branch_where_run_ups_fill_the_rest(around):
    calm, busy = (duty([replace(TRACK, starts=0.2, load_changes=r)], around) for r in (0.05, 0.5))
    assert share_of(busy, BACKSHIFT) > share_of(calm, BACKSHIFT)


def test_where_there_is_more_to_do_than_time_only_the_proportion_counts(around):
    once, twice = (duty([replace(TRACK, starts=0.2 * k, load_changes=0.5 * k)], around) for k in (1, 2))
    assert once.asked[0] > 1
    assert twice.asked == pytest.approx(2 * once.asked, rel=1e-9)
    assert twice.weights == pytest.approx(once.weights, rel=1e-9, abs=1e-15)
    assert twice.sweeps == pytest.approx(once.sweeps, rel=1e-9, abs=1e-15)
    # cut by as many times as is asked for: so much of the sweeps is left
    uncut = replace(TRACK, starts=0.0, load_changes=1e-3)
    assert once.sweeps.sum() == pytest.approx(duty([uncut], around).sweeps.sum() / 1e-3 * 0.5 / once.asked[0], rel=1e-9)


# --- trends ---------------------------------------------------------------------------------------------------------


@FEWER
@given(high=st.floats(0.3, 1.0), less=st.floats(0.02, 0.15))
def test_less_adhesion_moves_time_to_lower_torque(around, high, less):
    firm, loose = (
        duty([replace(TRACK, starts=0.0, load_changes=0.0, adhesion=a)], around) for a in (high, high - less)
    )
    assert mean_torque(loose, around) <= mean_torque(firm, around) + 1e-12
    assert loose.traction_limited[0] >= firm.traction_limited[0]
    if firm.traction_limited[0] > 0:
        assert mean_torque(loose, around) < mean_torque(firm, around)


@FEWER
@given(torque=st.floats(0.3, 0.8), more=st.floats(0.01, 0.2))
def test_more_torque_asked_moves_time_to_higher_torque(around, torque, more):
    calm, keen = (duty([replace(TRACK, torque=t, starts=0.0)], around) for t in (torque, torque + more))
    assert mean_torque(keen, around) >= mean_torque(calm, around)


def test_a_steeper_ground_is_run_on_lower_positions(around):
    flat, steep = (duty([replace(TRACK, grade=g, high_speed=40.0)], around) for g in (0.0, 0.15))
    assert mean(steep, steep.points.position) < mean(flat, flat.points.position)
    assert steep.reach[0] < flat.reach[0]


def test_losses_of_the_belt_lengthen_run_ups(around):
    lossy = replace(LOSSES, wedging=0.05)
    ground = replace(STEADY, starts=1 / 120)
    easy, hard = (duty([ground], replace(around, losses=losses)) for losses in (LOSSES, lossy))
    assert hard.asked[0] > easy.asked[0] * 1.02


def test_friction_of_bushes_does_not_touch_the_time(machine, around):
    rough = grip(machine.path, machine.half_angle, machine.friction, bushes=machine.bushes)
    one, other = (duty([TRACK], replace(around, grip=some)) for some in (around.grip, rough))
    assert np.array_equal(one.weights, other.weights)
    assert np.array_equal(one.points.held, other.points.held)


# --- refusals -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ground", "message"),
    [
        (
            replace(TRACK, low_speed=60.0, high_speed=80.0),
            "216 to 288 km/h of ground 'track' lies outside the shift, which runs from",
        ),
        (replace(TRACK, reduction=100.0), "ground 'track' lies outside the shift.* its gear range or the reduction"),
        (replace(TRACK, grade=0.9), "ground 'track' cannot be held at 25.2 km/h: the machine reaches"),
        (replace(TRACK, adhesion=0.05), "ground 'track' cannot be held at 25.2 km/h: .* adhesion"),
    ],
)
def test_grounds_that_cannot_be_run_are_refused(around, ground, message):
    with pytest.raises(PhysicalRangeError, match=message) as caught:
        duty([TRACK, ground], around)
    assert caught.value.field == "grounds[1]"


def test_all_grounds_that_cannot_be_run_are_told_at_once(around):
    with pytest.raises(PhysicalRangeError) as caught:
        duty([replace(TRACK, grade=0.9), TRACK, replace(TRACK, low_speed=60.0, high_speed=80.0)], around)
    assert [caught.value.field, *(refusal.field for refusal in caught.value.also)] == ["grounds[0]", "grounds[2]"]


def test_holding_a_grade_counts_what_the_road_takes(around):
    """At the least acceleration the surplus is what `resistance` leaves: nothing is counted twice."""
    ground = replace(STEADY, grade=0.12, high_speed=40.0)
    heavier = replace(around, vehicle=replace(VEHICLE, mass=1000.0))
    light, heavy = duty([ground], around), duty([ground], heavier)
    assert heavy.reach[0] < light.reach[0]
    assert resistance(1000, 0.05, 0.12, light.reach[0], 1.6, AIR) > resistance(
        900, 0.05, 0.12, light.reach[0], 1.6, AIR
    )
