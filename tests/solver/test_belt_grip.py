"""Belt tensions and thrusts of one sheave in closed form: limits, monotonicity, and the end at gross slip."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from solver.belt_grip import (
    centrifugal_tension,
    drive_thrust,
    driven_thrust,
    eytelwein_ratio,
    slip_limit,
)
from solver.belt_path import wrap_angles
from solver.errors import PhysicalRangeError

pytestmark = pytest.mark.invariant

WRAPS = st.floats(np.radians(120), np.radians(240))
HALF_ANGLES = st.floats(np.radians(8), np.radians(22))
FRICTIONS = st.floats(0.1, 0.8)
SEATINGS = st.floats(0, 1)
FLANKS = {"half_angle": HALF_ANGLES, "friction": FRICTIONS}


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


@given(wrap=WRAPS, pull=st.floats(1, 5000), **FLANKS)
def test_gross_slip_is_eytelwein_and_needs_the_active_arc_only(wrap, half_angle, friction, pull):
    # at the closed form's own end the idle arc is gone: ratio exp(mu theta / sin b), thrust (T1' - T2') cos b / (2 mu)
    ratio = eytelwein_ratio(wrap, half_angle, friction) * (1 - 1e-9)
    thrust = driven_thrust(pull * ratio / (ratio - 1), pull / (ratio - 1), wrap, half_angle, friction)
    assert thrust == pytest.approx(pull * np.cos(half_angle) / (2 * friction), rel=1e-6)


# --- trends -----------------------------------------------------------------------------


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
        (
            lambda: drive_thrust(1.0, 3, 0.78, 1.4),
            "half_angle plus friction angle = 1.73.* friction and seating of the belt",
        ),
    ],
)
def test_impossible_belts_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
