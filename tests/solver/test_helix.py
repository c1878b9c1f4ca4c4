"""The torque ramp: work of a turn, friction bands, rotation against quadrature, and ramps that lock."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from solver.errors import PhysicalRangeError
from solver.helix import ramp, ramp_thrust, sheave_rotation

pytestmark = pytest.mark.invariant

RADIUS, TRAVEL = 0.042, 0.0207  # m
ANGLES = st.floats(np.radians(20), np.radians(60))


def turned(travel, angle_at, angle):
    """Rotation by adaptive quadrature of dx / (r tan a), broken at the ramp's own corners."""
    corners = [c for c in angle_at if 0 < c < travel]
    return quad(
        lambda x: 1 / (RADIUS * np.tan(np.interp(x, angle_at, angle))), 0, travel, points=corners or None, epsabs=1e-12
    )[0]


@given(angle=ANGLES, travel=st.floats(0, TRAVEL))
def test_a_plain_ramp_turns_in_proportion_to_travel(angle, travel):
    found = sheave_rotation(travel, [0.0], [angle], RADIUS)
    assert found == pytest.approx(travel / (RADIUS * np.tan(angle)), rel=1e-9, abs=1e-15)


@given(first=st.floats(np.radians(27), np.radians(53)), change=st.floats(-0.12, 0.12), travel=st.floats(1e-6, TRAVEL))
def test_rotation_on_a_progressive_ramp_is_the_integral(first, change, travel):
    at, angle = [0.0, TRAVEL], [first, first + change]  # up to 7 deg over the travel
    assert sheave_rotation([travel, TRAVEL], at, angle, RADIUS)[0] == pytest.approx(turned(travel, at, angle), abs=1e-6)


@settings(max_examples=20)
@given(first=ANGLES, last=ANGLES, corner=st.floats(0.001, 0.02))
@example(first=np.radians(60), last=np.radians(20), corner=0.001)
@example(first=np.radians(60), last=np.radians(20), corner=0.020)
def test_rotation_is_the_integral_however_fast_the_angle_changes(first, last, corner):
    travel, at, angle = np.linspace(0, TRAVEL, 16), [0.0, corner], [first, last]
    found = sheave_rotation(travel, at, angle, RADIUS)
    assert found == pytest.approx(np.array([turned(x, at, angle) for x in travel]), abs=1e-9)


@given(angle=ANGLES, torque=st.floats(-50, 50))
def test_without_friction_a_turn_keeps_its_work(angle, torque):
    # work of torque = work of thrust: T dpsi = F dx with dpsi/dx from the ramp's kinematics
    turn = sheave_rotation(0.01, [0.0], [angle], RADIUS)
    assert ramp_thrust(torque, RADIUS, angle) * 0.01 == pytest.approx(torque * turn, rel=1e-9, abs=1e-12)


@given(angle=ANGLES, friction=st.floats(1e-4, 0.2))
def test_friction_adds_thrust_while_opened_and_takes_it_while_closing(angle, friction):
    plain = ramp_thrust(20.0, RADIUS, angle)
    opened, closing = (ramp_thrust(20.0, RADIUS, angle, friction, way) for way in (False, True))
    assert opened > plain > closing > 0
    assert ramp_thrust(20.0, RADIUS, angle, 0.0, False) == pytest.approx(plain, rel=1e-12)
    assert ramp_thrust(20.0, RADIUS, angle, 0.0, True) == pytest.approx(plain, rel=1e-12)


@given(angle=st.floats(np.radians(25), np.radians(60)))
def test_power_lost_on_the_ramp_is_friction_times_normal_force_times_sliding(angle):
    # to first order in mu: normal force T / (r sin a) on the ramp, sliding dx / sin a for each travel dx
    mu = 1e-6
    opened, closing = (ramp_thrust(1.0, RADIUS, angle, mu, way) for way in (False, True))
    lost = 1 / (RADIUS * np.sin(angle)) / np.sin(angle)
    assert (opened - closing) / (2 * mu) == pytest.approx(lost, rel=1e-6)


@given(angle=ANGLES, less=st.floats(0.01, 0.1))
def test_a_shallower_ramp_gives_more_thrust_and_more_turn(angle, less):
    shallow, steep = (ramp(np.linspace(0, TRAVEL, 5), [0.0], [a], RADIUS, 0.03) for a in (angle - less, angle))
    assert (shallow.thrust_per_torque > steep.thrust_per_torque).all()
    assert (shallow.rotation[1:] > steep.rotation[1:]).all()


def test_ramp_is_its_two_branches_on_the_path():
    travel, at, angle = np.linspace(0, TRAVEL, 9), [0.0, 0.012], np.radians([46.0, 36])
    found = ramp(travel, at, angle, RADIUS, 0.05)
    here = np.interp(travel, at, angle)  # the angle stays beyond the last point
    assert found.thrust_per_torque[0] == pytest.approx(ramp_thrust(1.0, RADIUS, here, 0.05, False), rel=1e-12)
    assert found.thrust_per_torque[1] == pytest.approx(ramp_thrust(1.0, RADIUS, here, 0.05, True), rel=1e-12)
    assert found.rotation == pytest.approx(sheave_rotation(travel, at, angle, RADIUS), rel=1e-12)
    assert found.rotation[0] == 0


@given(friction=st.floats(0.05, 0.5), above=st.floats(1e-3, 0.1))
def test_a_ramp_locks_where_its_angle_falls_to_the_friction_angle(friction, above):
    limit = np.arctan(friction)
    assert ramp_thrust(1.0, RADIUS, limit + above, friction, closing=False) > 0
    with pytest.raises(PhysicalRangeError, match=r"deg locks the ramp: it slides only above .* deg at friction"):
        ramp([0.0, 0.01], [0.0, 0.01], [limit + above, limit - 1e-6], RADIUS, friction)
    assert ramp_thrust(1.0, RADIUS, limit, friction, closing=True) > 0  # closing, it does not lock


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ramp_thrust(1, 0.0, 0.6), "radius = 0 m"),
        (lambda: ramp_thrust(1, 0.04, np.pi / 2), "angle = 1.5708 rad .*plane of rotation"),
        (lambda: ramp_thrust(1, 0.04, 0.6, -0.1, True), "friction = -0.1 -"),
        (lambda: ramp_thrust(1, 0.04, 1.5, 0.2, True), "angle = 1.5 rad .*less the friction angle"),
        (lambda: sheave_rotation([-1e-3], [0], [0.6], 0.04), "travel = -0.001 m"),
        (lambda: sheave_rotation([1e-3], [0], [0.0], 0.04), "angle = 0 rad"),
    ],
)
def test_impossible_ramps_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
