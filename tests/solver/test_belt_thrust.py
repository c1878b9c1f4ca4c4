"""Sheave thrust and slip limit against statics, and against tables of the full theory that were computed elsewhere.

No measured axial force of a rubber-belt variator was found: nothing here is a published value.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from solver.belt_grip import centrifugal_tension, drive_thrust, driven_thrust, eytelwein_ratio, slip_limit
from solver.belt_path import belt_length, wrap_angles

pytestmark = pytest.mark.invariant

B13 = np.radians(13)


# --- slip limit -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("half_angle", [12, 13, 14])
@pytest.mark.parametrize("friction", [0.3, 0.35, 0.4, 0.5])
def test_slip_limit_at_half_a_turn_is_inside_measured_ratios(friction, half_angle):
    # Childs and Cowburn 1987 (abstract): largest useful ratio 5 (R 21 mm) to 21 (R 51 mm); 3 to 21 is asked for
    limit = slip_limit(np.pi, np.radians(half_angle), friction)
    assert 3 < limit < 21
    assert limit < eytelwein_ratio(np.pi, np.radians(half_angle), friction) / 5


@pytest.mark.parametrize("wrap", [150, 165, 180])
@pytest.mark.parametrize("friction", [0.25, 0.3, 0.4, 0.5])
def test_slip_limit_is_in_the_range_of_the_full_theory(wrap, friction):
    # computed, not published: about 2.5 to 6 for these wraps and frictions at 13 deg; the theory itself gives 2.47 at
    # friction 0.25 and 150 deg
    assert 2.45 < slip_limit(np.radians(wrap), B13, friction) < 6


# Computed from the full theory at b 13 deg, mu 0.35, not published; its convergence is 1 %
DRIVEN_CAPACITY = [(120, 2.12), (140, 2.65), (150, 2.97), (160, 3.35), (170, 3.78), (180, 4.28), (200, 5.50)]
DRIVEN_ARC = [(114.3, 2), (150.7, 3), (174.6, 4), (192.5, 5), (229.2, 8)]
DRIVE_ARC = [(76.8, 2), (92.4, 3), (100.5, 4), (105.6, 5), (113.6, 8)]


@pytest.mark.parametrize(
    ("pulley", "wrap", "ratio"),
    [("driven", *row) for row in DRIVEN_CAPACITY + DRIVEN_ARC] + [("drive", *row) for row in DRIVE_ARC],
)
def test_slip_limit_is_where_the_active_arc_fills_the_wrap(pulley, wrap, ratio):
    assert slip_limit(np.radians(wrap), B13, 0.35, pulley=pulley) == pytest.approx(ratio, rel=0.01)


# --- thrust -----------------------------------------------------------------------------------------------------

# Computed, not published: T1'/T2', drive thrust by the full theory and in closed form, then driven
FULL_THEORY = [
    (1.5, 2.503, 2.486, 1.867, 1.984),
    (2, 2.518, 2.486, 1.646, 1.763),
    (3, 2.534, 2.486, 1.487, 1.570),
]


@pytest.mark.parametrize(("ratio", "drive_full", "drive", "driven_full", "driven"), FULL_THEORY)
def test_closed_form_beside_the_full_theory(ratio, drive_full, drive, driven_full, driven):
    found = drive_thrust(1.0, np.pi, B13, 0.35), driven_thrust(1.0, 1 / ratio, np.pi, B13, 0.35)
    assert found == pytest.approx((drive, driven), abs=0.0005, rel=0)
    assert 0.005 < 1 - found[0] / drive_full < 0.04
    assert 0.04 < found[1] / driven_full - 1 < 0.084


def test_worked_chain_d1_geometry_recomputed():
    # Computed, not published: R1 50, R2 85, C 260 mm, 3600 rpm, 0.35 kg/m
    assert np.degrees(wrap_angles(0.050, 0.085, 0.260)) == pytest.approx([164.527, 195.473], abs=0.0005, rel=0)
    assert belt_length(0.050, 0.085, 0.260) == pytest.approx(0.948834, abs=5e-7, rel=0)
    assert centrifugal_tension(0.35, 0.050 * 120 * np.pi) == pytest.approx(124.36, abs=0.005, rel=0)


@pytest.mark.parametrize(("ratio", "drive", "driven"), [(2, 2272.0, 1869.4), (3, 1704.0, 1231.2), (4, 1514.7, 1028.4)])
def test_worked_chain_d1_thrusts_recomputed(ratio, drive, driven):
    # Computed, not published: b 13 deg, mu 0.35, belt pull 500 N
    slack = 500 / (ratio - 1)
    wrap_drive, wrap_driven = wrap_angles(0.050, 0.085, 0.260)
    assert drive_thrust(slack + 500, wrap_drive, B13, 0.35) == pytest.approx(drive, abs=0.05, rel=0)
    assert driven_thrust(slack + 500, slack, wrap_driven, B13, 0.35) == pytest.approx(driven, abs=0.05, rel=0)


def test_least_thrust_before_gross_slip():
    # Computed, not published: M cos b / (2 mu R) = 695.98 N for 25 N m at 50 mm (textbook rule, from memory)
    wrap = np.radians(195.473)
    ratio = eytelwein_ratio(wrap, B13, 0.35) * (1 - 1e-9)
    slack = 500 / (ratio - 1)
    assert driven_thrust(slack + 500, slack, wrap, B13, 0.35) == pytest.approx(695.98, abs=0.005, rel=0)


def test_seating_changes_the_idle_arc_by_the_stated_factor():
    # leaving the radial friction out multiplies the idle arc's thrust by 2.74 at b 13 deg, mu 0.35
    with_friction, without = drive_thrust(1000, np.pi, B13, 0.35, np.array([1.0, 0.0]))
    assert without / with_friction == pytest.approx(2.74, abs=0.005, rel=0)


@pytest.mark.parametrize(("seating", "friction"), [(1.0, 0.35), (0.0, 0.0)])
def test_idle_arc_is_a_wedge_in_equilibrium(seating, friction):
    """Statics of one radian of belt, solved for the flank force: no angle of friction in it."""
    radial = 2 * (np.sin(B13) + friction * np.cos(B13))  # two flanks carry the tension's inward pull, friction helps
    axial = np.cos(B13) - friction * np.sin(B13)
    expected = 1000 / radial * axial * np.pi
    assert drive_thrust(1000, np.pi, B13, 0.35, seating) == pytest.approx(expected, rel=1e-12)
    assert driven_thrust(1000, 1000, np.pi, B13, 0.35, seating) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("ratio", [1.5, 3.0, 10.0])
def test_active_arc_is_the_integral_of_a_belt_sliding_along_the_groove(ratio):
    """Integrate along the arc at g = 90 deg: tension grows, thrust T'/(2 tan b) adds up until T1' is reached."""
    slack, wrap, friction = 300.0, np.radians(190), 0.35

    def growth(arc, y):
        return [y[0] * friction / np.sin(B13), y[0] / (2 * np.tan(B13))]

    def reached(arc, y):
        return y[0] - ratio * slack

    reached.terminal = True  # type: ignore[attr-defined] # solve_ivp reads it off the function
    run = solve_ivp(growth, (0, wrap), [slack, 0], events=reached, rtol=1e-10, atol=1e-9)
    idle = drive_thrust(slack, wrap - run.t[-1], B13, friction)
    assert driven_thrust(ratio * slack, slack, wrap, B13, friction) == pytest.approx(idle + run.y[1, -1], rel=1e-7)
