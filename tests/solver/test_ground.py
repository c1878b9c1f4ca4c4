"""Road load, and where the running time goes: weights as a distribution, run-ups against an ODE, trends."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from solver.errors import PhysicalRangeError
from solver.ground import Ground, Vehicle, duty, resistance

pytestmark = pytest.mark.invariant

LEVELS = (0.25, 0.5, 0.75, 1.0)
POWER, TARGET, AIR = 38e3, 720.0, 1.1
VEHICLE = Vehicle(mass=900.0, drag_area=1.6, wheel_radius=0.31, reduction=11.0, driveline_efficiency=0.9)
TRACK = Ground("track", 1.0, 0.05, 0.7, 0.05, 7.0, 15.0, 0.9, 1 / 20, 1 / 60)
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
        throttle=st.floats(0.2, 1),
        load_changes=st.floats(0, 1),
        starts=st.floats(0, 0.1),
    ),
    min_size=1,
    max_size=4,
)


def duty_of(machine, grounds, power=POWER, levels=LEVELS):
    return duty(grounds, VEHICLE, machine.path, power, TARGET, levels, AIR)


def mean_level(found):
    return float(np.einsum("gblp,l->", found.weights, found.levels))


def backshift_share(found):
    return float(found.weights[:, 1].sum())


# --- road load --------------------------------------------------------------------------------------------------


@given(grade=st.floats(-1, 1), rolling=st.floats(0, 0.5), speed=st.floats(0, 50), area=st.floats(0, 3))
def test_road_load_is_weight_on_a_slope_rolling_and_air(grade, rolling, speed, area):
    # statics of a body on an incline, as vectors: weight along the way plus rolling times weight across it
    way = np.array([1.0, grade]) / np.hypot(1.0, grade)
    along, across = 800 * 9.80665 * way[1], 800 * 9.80665 * way[0]
    expected = along + rolling * across + 0.5 * 1.2 * area * speed**2
    assert resistance(800, rolling, grade, speed, area, 1.2) == pytest.approx(expected, rel=1e-9, abs=1e-9)


# --- weights ------------------------------------------------------------------------------------------------------


@settings(deadline=None)
@given(grounds=GROUNDS, levels=st.sampled_from([LEVELS, (0.5, 1.0), (1.0,)]))
def test_weights_are_a_distribution(machine, grounds, levels):
    try:
        found = duty_of(machine, grounds, levels=levels)
    except PhysicalRangeError:
        assume(False)
    assert found.weights.shape == (len(grounds), 2, len(levels), 12)
    assert found.weights.sum() == pytest.approx(1, rel=1e-12)
    assert (found.weights >= 0).all()
    shares = np.array([g.share for g in grounds])
    assert found.weights.sum(axis=(1, 2, 3)) == pytest.approx(shares / shares.sum(), rel=1e-9)
    assert (found.sweeps >= 0).all()
    assert found.sweeps.sum() <= sum(g.share * g.load_changes for g in grounds) * (1 + 1e-9)
    assert (found.traction_limited >= 0).all()
    assert (found.traction_limited <= 1 + 1e-9).all()
    assert all(low.low_speed <= top <= low.high_speed for low, top in zip(grounds, found.reach, strict=True))


def test_time_stays_inside_the_range_of_speed(machine):
    found = duty_of(machine, [replace(TRACK, starts=0.0)])
    speed = VEHICLE.road_speed(TARGET, machine.path.ratio)
    used = found.weights.sum(axis=(0, 1, 2)) > 0
    step = np.diff(speed).max()
    assert (speed[used] > TRACK.low_speed - step).all()
    assert (speed[used] < TRACK.high_speed + step).all()


def test_run_ups_take_the_time_of_the_equation_of_motion(machine):
    """Starts alone stand on the upshift branch above what both branches share; solve_ivp gives the time of one."""
    starts = 1 / 120
    found = duty_of(machine, [replace(TRACK, load_changes=0.0, adhesion=5.0, starts=starts)])
    first = float(VEHICLE.road_speed(TARGET, machine.path.ratio[0]))
    # belt efficiency 0.87 during the run-up is the module's stated assumption
    force = POWER * 0.87 * VEHICLE.driveline_efficiency

    def motion(_, v):
        return (force / v - resistance(900.0, 0.05, 0.05, v, 1.6, AIR)) / 900.0

    arrived = lambda _, v: v[0] - TRACK.high_speed  # noqa: E731
    arrived.terminal = True  # type: ignore[attr-defined] # solve_ivp reads it off the function
    run = solve_ivp(motion, (0, 1000), [first], events=arrived, rtol=1e-9)
    above = found.weights[0, 0].sum() - found.weights[0, 1].sum()
    assert above == pytest.approx(starts * run.t[-1], rel=0.002)


def test_full_throttle_without_slip_stays_on_the_top_level(machine):
    found = duty_of(machine, [replace(TRACK, throttle=1.0, adhesion=5.0)])
    assert found.weights[:, :, -1].sum() == pytest.approx(1)
    assert found.traction_limited[0] == 0


# --- trends -------------------------------------------------------------------------------------------------------


@given(high=st.floats(0.3, 1.0), less=st.floats(0.02, 0.15))
def test_less_adhesion_moves_time_to_lower_torque(machine, high, less):
    firm, loose = (duty_of(machine, [replace(TRACK, adhesion=a)]) for a in (high, high - less))
    assert mean_level(loose) <= mean_level(firm) + 1e-12
    assert loose.traction_limited[0] >= firm.traction_limited[0]
    if firm.traction_limited[0] > 0:
        assert mean_level(loose) < mean_level(firm)


@given(grade=st.floats(-0.3, 0.0))
def test_tyres_slip_where_the_force_passes_adhesion_times_the_load_on_the_ground(machine, grade):
    # statics on the slope; asked in the last per cent of the shift, where the force of full throttle hardly changes
    top = float(VEHICLE.road_speed(TARGET, machine.path.ratio[-1]))
    force = POWER * 0.87 * VEHICLE.driveline_efficiency / top
    enough = force / (VEHICLE.mass * 9.80665 * np.cos(np.arctan(grade)))
    ground = Ground("downhill", 1.0, 0.0, enough, grade, top * 0.99, top * 2, 1.0, 1 / 20, 0.0)
    firm, loose = (duty_of(machine, [replace(ground, adhesion=enough * f)]) for f in (1.02, 0.99))
    assert firm.traction_limited[0] == 0
    assert loose.traction_limited[0] == pytest.approx(1)


@given(rate=st.floats(0, 0.1), more=st.floats(0.01, 0.5))
def test_load_changes_never_take_time_from_the_backshift_branch(machine, rate, more):
    calm, busy = (duty_of(machine, [replace(TRACK, load_changes=r)]) for r in (rate, rate + more))
    assert backshift_share(busy) >= backshift_share(calm) - 1e-12
    assert busy.sweeps.sum() > calm.sweeps.sum()


def test_load_changes_take_time_for_the_backshift_branch_where_run_ups_fill_the_rest(machine):
    calm, busy = (duty_of(machine, [replace(TRACK, starts=0.2, load_changes=r)]) for r in (0.05, 0.5))
    assert backshift_share(busy) > backshift_share(calm)


def test_where_there_is_more_to_do_than_time_only_the_proportion_counts(machine):
    once, twice = (duty_of(machine, [replace(TRACK, starts=0.2 * k, load_changes=0.5 * k)]) for k in (1, 2))
    assert twice.weights == pytest.approx(once.weights, rel=1e-9, abs=1e-15)
    assert twice.sweeps == pytest.approx(once.sweeps, rel=1e-9, abs=1e-15)
    assert 0 < once.sweeps.sum() < 0.5


@given(throttle=st.floats(0.3, 0.8), more=st.floats(0.01, 0.2))
def test_more_throttle_moves_time_to_higher_torque(machine, throttle, more):
    calm, keen = (duty_of(machine, [replace(TRACK, throttle=t, starts=0.0)]) for t in (throttle, throttle + more))
    assert mean_level(keen) >= mean_level(calm)


def test_a_steeper_ground_is_run_on_lower_positions(machine):
    flat, steep = (duty_of(machine, [replace(TRACK, grade=g, high_speed=40.0)]) for g in (0.0, 0.15))
    position = [float((d.weights.sum(axis=(0, 1, 2)) * machine.path.position).sum()) for d in (flat, steep)]
    assert position[1] < position[0]
    assert steep.reach[0] < flat.reach[0]


def test_reach_is_where_the_surplus_ends(machine):
    found = duty_of(machine, [replace(TRACK, grade=0.2, high_speed=40.0)])
    v = found.reach[0]
    left = POWER * 0.87 * 0.9 / v - resistance(900.0, 0.05, 0.2, v, 1.6, AIR)
    assert left / 900.0 == pytest.approx(0.05, abs=0.05)  # the module's least acceleration, within the fine grid


@pytest.mark.parametrize(
    ("ground", "message"),
    [
        (replace(TRACK, low_speed=60.0, high_speed=80.0), "ground 'track' lies outside the shift, which runs from"),
        (replace(TRACK, grade=0.9), "ground 'track' cannot be held at 25.2 km/h: the machine reaches"),
    ],
)
def test_grounds_that_cannot_be_run_are_refused(machine, ground, message):
    with pytest.raises(PhysicalRangeError, match=message):
        duty_of(machine, [ground])


def test_levels_out_of_order_are_refused(machine):
    with pytest.raises(PhysicalRangeError, match="step of torque levels"):
        duty_of(machine, [TRACK], levels=(1.0, 0.5))
    with pytest.raises(PhysicalRangeError, match=r"torque level = 1\.2 -"):
        duty_of(machine, [TRACK], levels=(0.5, 1.2))
