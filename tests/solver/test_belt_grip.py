"""Belt tensions and thrusts in closed form: inverse, limits, monotonicity, and the end at gross slip."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from solver.belt_grip import (
    centrifugal_tension,
    drive_thrust,
    driven_thrust,
    eytelwein_ratio,
    grip,
    slack_tension,
    slip_limit,
)
from solver.belt_path import ShiftPath, wrap_angles
from solver.errors import PhysicalRangeError

pytestmark = pytest.mark.invariant

WRAPS = st.floats(np.radians(120), np.radians(240))
HALF_ANGLES = st.floats(np.radians(8), np.radians(22))
FRICTIONS = st.floats(0.1, 0.8)
SEATINGS = st.floats(0, 1)
FLANKS = {"half_angle": HALF_ANGLES, "friction": FRICTIONS}


def one_position(drive_wrap, driven_wrap):
    """A path of one position; grip reads its wraps only."""
    radius, at_rest = np.array([0.08]), np.zeros(1)
    return ShiftPath(at_rest, radius, radius, np.array([drive_wrap]), np.array([driven_wrap]), at_rest, at_rest)


# --- inverse --------------------------------------------------------------------------------------------------------


@given(wrap=WRAPS, seating=SEATINGS, pull=st.floats(1, 5e3), share=st.floats(1e-6, 20), **FLANKS)
def test_slack_tension_inverts_driven_thrust(wrap, half_angle, friction, seating, pull, share):
    belt = grip(one_position(np.pi, wrap), half_angle, friction, seating)
    slack = pull * (belt.least_slack[0] * (1 + 1e-9) + share)
    thrust = driven_thrust(slack + pull, slack, wrap, half_angle, friction, seating)
    assert slack_tension(thrust, pull, belt)[0] == pytest.approx(slack, abs=1e-9 * (slack + pull), rel=0)


@given(wrap=WRAPS, thrust=st.floats(10, 1e4), pull=st.floats(1, 5e3), **FLANKS)
def test_driven_thrust_gives_back_the_thrust_of_a_slack_tension(wrap, half_angle, friction, thrust, pull):
    belt = grip(one_position(np.pi, wrap), half_angle, friction)
    assume(thrust > belt.pull_thrust * pull * 1.001)  # above gross slip
    slack = slack_tension(thrust, pull, belt)[0]
    again = driven_thrust(slack + pull, slack, wrap, half_angle, friction)
    assert again == pytest.approx(thrust, rel=1e-9)


@pytest.mark.parametrize("thrust", [1500.0, 2500.0, 4000.0])
def test_slack_tension_is_the_root_that_brentq_finds(machine, thrust):
    pull, flanks = 700.0, (machine.half_angle, machine.friction)
    found = slack_tension(thrust, pull, machine.belt)
    for wrap, least, slack in zip(machine.belt.wrap, machine.belt.least_slack, found, strict=True):
        root = brentq(
            lambda s, wrap=wrap: driven_thrust(s + pull, s, wrap, *flanks) - thrust, least * pull * 1.0001, 1e5
        )
        assert slack == pytest.approx(root, rel=1e-9)


def test_slack_tension_rises_without_a_jump_through_the_closed_form_s_end(machine):
    """Below gross slip the function goes on by its tangent: continuous in value and in slope."""
    pull, belt = 800.0, machine.belt
    end = belt.pull_thrust * pull
    across = slack_tension(end + np.linspace(-1, 1, 9)[:, None] * 1e-4, pull, belt)
    steps = np.diff(across, axis=0)
    assert (steps > 0).all()
    assert steps == pytest.approx(np.broadcast_to(steps[:1], steps.shape), rel=1e-3)
    wide = slack_tension(np.linspace(-500, 5000, 100)[:, None], pull, belt)
    assert (np.diff(wide, axis=0) > 0).all()


@given(factor=st.floats(0.01, 100), thrust=st.floats(600, 6000), pull=st.floats(1, 2000))
def test_slack_tension_scales_with_all_forces(machine, factor, thrust, pull):
    once = slack_tension(thrust, pull, machine.belt)
    scale = np.abs(once) + pull
    assert (
        np.abs(slack_tension(factor * thrust, factor * pull, machine.belt) / factor - once).max() < 1e-9 * scale.max()
    )


# --- limits ---------------------------------------------------------------------------------------------------------


def test_equal_sheaves_need_equal_thrust_where_no_torque_is_carried():
    # symmetry: ratio 1 wraps half a turn on both, and without torque both carry the same tension
    wraps = wrap_angles(0.08, 0.08, 0.27)
    assert wraps == pytest.approx((np.pi, np.pi), rel=1e-15)
    b, tension = np.radians(13.5), 900.0
    assert driven_thrust(tension, tension, wraps[1], b, 0.35) == pytest.approx(drive_thrust(tension, wraps[0], b, 0.35))


@given(wrap=WRAPS, seating=SEATINGS, tension=st.floats(1, 5000), **FLANKS)
def test_without_pull_the_whole_wrap_is_idle(wrap, half_angle, friction, seating, tension):
    idle = drive_thrust(tension, wrap, half_angle, friction, seating)
    assert driven_thrust(tension, tension, wrap, half_angle, friction, seating) == pytest.approx(idle, rel=1e-12)
    belt = grip(one_position(np.pi, wrap), half_angle, friction, seating)
    assert slack_tension(idle, 1e-9, belt)[0] == pytest.approx(tension, rel=1e-9)


@pytest.mark.parametrize("thrust", [0.0, 1500.0])
def test_zero_pull_is_a_plain_belt(machine, thrust):
    belt = machine.belt
    assert slack_tension(thrust, 0.0, belt) == pytest.approx(thrust * belt.seat / belt.wrap, rel=1e-12)


@given(wrap=WRAPS, pull=st.floats(1, 5000), **FLANKS)
def test_gross_slip_is_eytelwein_and_needs_the_active_arc_only(wrap, half_angle, friction, pull):
    # at the closed form's own end the idle arc is gone: ratio exp(mu theta / sin b), thrust (T1' - T2') cos b / (2 mu)
    ratio = eytelwein_ratio(wrap, half_angle, friction) * (1 - 1e-9)
    thrust = driven_thrust(pull * ratio / (ratio - 1), pull / (ratio - 1), wrap, half_angle, friction)
    assert thrust == pytest.approx(pull * np.cos(half_angle) / (2 * friction), rel=1e-6)
    assert grip(one_position(np.pi, wrap), half_angle, friction).least_slack[0] == pytest.approx(
        1 / (ratio - 1), rel=1e-6
    )


# --- trends and the belt's coefficients -----------------------------------------------------------------------------


@pytest.mark.parametrize("pulley", ["drive", "driven"])
@given(wrap=WRAPS, more=st.floats(0.01, 0.2), **FLANKS)
def test_slip_limit_rises_with_wrap_and_friction_and_stays_measured(pulley, wrap, half_angle, friction, more):
    # ceiling 21: largest useful ratio of Childs and Cowburn 1987 (abstract), as the docstring says
    limit = slip_limit(wrap, half_angle, friction, pulley)
    assert 1 <= limit <= 21
    assert slip_limit(wrap + more, half_angle, friction, pulley) >= limit
    assert slip_limit(wrap, half_angle, friction + more, pulley) >= limit


@pytest.mark.parametrize("friction", [0.16, 0.18, 0.25, 0.35, 0.5])
def test_slip_limit_of_the_driven_sheave_stays_below_eytelwein_and_below_the_drive_sheave(friction):
    # driven: the belt slides inward, which spends friction radially; drive: it slides outward, which presses the
    # flanks harder, so Eytelwein is no bound there. mu 0.18: rubber on wet iron
    wrap, half_angle = np.radians([120.0, 150, 170, 180, 190, 210, 235]), np.radians(13)
    driven = slip_limit(wrap, half_angle, friction)
    assert (driven < eytelwein_ratio(wrap, half_angle, friction)).all()
    assert (driven < slip_limit(wrap, half_angle, friction, "drive")).all()


@given(wrap=WRAPS, seating=SEATINGS, more=st.floats(1, 1000), **FLANKS)
def test_more_tension_needs_more_thrust(wrap, half_angle, friction, seating, more):
    flanks = wrap, half_angle, friction, seating
    assert drive_thrust(1000 + more, *flanks) > drive_thrust(1000, *flanks)
    assert driven_thrust(1400 + more, 1000 + more, *flanks) > driven_thrust(1400, 1000, *flanks)


@given(drive=WRAPS, driven=WRAPS, seating=SEATINGS, **FLANKS)
def test_coefficients_are_those_of_the_closed_forms(drive, driven, half_angle, friction, seating):
    belt = grip(one_position(drive, driven), half_angle, friction, seating)
    assert belt.tight_per_thrust[0] * drive_thrust(800, drive, half_angle, friction, seating) == pytest.approx(800)
    limit = float(slip_limit(driven, half_angle, friction))
    assert (belt.drive_limit[0], belt.driven_limit[0]) == (slip_limit(drive, half_angle, friction, "drive"), limit)
    needed = driven_thrust(limit / (limit - 1), 1 / (limit - 1), driven, half_angle, friction, seating)
    assert belt.slip_thrust[0] == pytest.approx(needed, rel=1e-12)


def test_centrifugal_tension_grows_with_speed_squared():
    assert centrifugal_tension(0.4, np.array([10.0, 20, 40])) == pytest.approx([40, 160, 640])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: drive_thrust(-1.0, 3, 0.23, 0.35), r"tight_net = -1 N .*m v\^2"),
        (lambda: driven_thrust(500, 0, 3, 0.23, 0.35), "slack_net = 0 N"),
        (lambda: driven_thrust(500, 600, 3, 0.23, 0.35), "tight_net = 500 N .*slack_net"),
        (lambda: driven_thrust(500, 0.01, 3, 0.23, 0.35), "active arc = .* rad .*slides on all of it"),
        (lambda: slip_limit(3, np.radians(60), 0.35), "half_angle = 1.0472 rad"),
        (lambda: slip_limit(7, 0.23, 0.35), "wrap = 7 rad"),
        (lambda: drive_thrust(1.0, 3, 0.23, 0.0), "friction = 0 -"),
        (lambda: drive_thrust(1.0, 3, 0.23, 0.35, 1.1), "seating = 1.1 -"),
    ],
)
def test_impossible_belts_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
