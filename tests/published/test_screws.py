"""The torque ramp against power screws: a ramp is a screw turned by torque, its thrust the load raised or lowered.

Raising a load = sheaves closing (friction against the torque), lowering = sheaves being opened.
"""

import numpy as np
import pytest
import sympy as sp

from solver.errors import PhysicalRangeError
from solver.helix import ramp_thrust

pytestmark = pytest.mark.published

INCH = 0.0254  # m, exact
LBF = 4.4482216152605  # N, exact


def lead_angle(lead, mean_diameter):
    """Definition of the lead angle, from the plane of rotation: one turn advances one lead."""
    return np.arctan2(lead, np.pi * mean_diameter)


@pytest.mark.parametrize(
    ("torque", "mean", "lead", "friction", "load", "half_digit"),
    [
        # Shigley Ex. 8-1: 26.18 N m, of which the collar takes 6400 N x 0.08 x 20 mm (values from memory)
        pytest.param(26.18 - 10.24, 0.030, 0.008, 0.08, 6400, 0.005, id="Shigley 8-1"),
        # Wentzell 18.1: 453.68 in lb raise half of 5,800 lb
        pytest.param(
            453.68 * INCH * LBF, 1.354 * INCH, INCH / 3, 0.15, 2900 * LBF, 0.005 * INCH * LBF, id="Wentzell 18.1"
        ),
        # Wentzell 18.3, Acme thread, flank 14.5 deg: 428.13 in lb
        pytest.param(
            428.13 * INCH * LBF,
            1.375 * INCH,
            INCH / 4,
            0.15 / np.cos(np.radians(14.5)),
            2900 * LBF,
            0.005 * INCH * LBF,
            id="Wentzell 18.3",
        ),
        # Jindal 16-1: 110.148 N m, of which the collar takes 20 kN x 0.15 x 12 mm; mean diameter 30 - 6/2
        pytest.param(110.148 - 36.0, 0.027, 0.006, 0.2, 20e3, 0.0005, id="Jindal 16-1"),
    ],
)
def test_torque_of_a_raising_screw_gives_its_load(torque, mean, lead, friction, load, half_digit):
    thrust = ramp_thrust(torque, mean / 2, lead_angle(lead, mean), friction, closing=True)
    assert thrust == pytest.approx(load, rel=half_digit / torque)


def test_a_coarse_screw_is_driven_back_by_its_load():
    # Shigley Ex. 8-1, lowering: 9.77 N m with the collar's 10.24, so the thread itself returns 0.47 N m (from memory)
    returned = 10.24 - 9.77
    thrust = ramp_thrust(returned, 0.015, lead_angle(0.008, 0.030), 0.08, closing=False)
    assert thrust == pytest.approx(6400, rel=0.005 / returned)


@pytest.mark.parametrize(
    ("mean", "lead", "friction", "efficiency", "half_digit"),
    [
        pytest.param(1.354, 1 / 3, 0.15, 0.3391, 5e-5, id="Wentzell 18.2"),
        pytest.param(0.050, 0.010, 0.08, 0.441, 5e-4, id="Khurmi 10.11"),
        # inputs printed, 0.33357 recomputed (the transcription uses tan where atan is meant)
        pytest.param(0.050, 0.012, 0.15, 0.33357, 5e-6, id="Khurmi 10.12, recomputed"),
    ],
)
def test_share_of_thrust_left_by_friction_is_the_screw_efficiency(mean, lead, friction, efficiency, half_digit):
    angle = lead_angle(lead, mean)
    with_friction = ramp_thrust(10.0, mean / 2, angle, friction, closing=True)
    assert with_friction / ramp_thrust(10.0, mean / 2, angle) == pytest.approx(efficiency, abs=half_digit, rel=0)


def test_efficiency_of_a_screw_with_collar():
    # Shigley Ex. 8-1: e = 0.311 of the whole 26.18 N m turns into lift (values from memory)
    thrust = ramp_thrust(0.311 * 26.18, 0.015, lead_angle(0.008, 0.030))
    assert thrust == pytest.approx(6400, rel=0.0005 / 0.311)


@pytest.mark.parametrize(
    ("mean", "lead", "friction"),
    [
        pytest.param(1.354, 1 / 3, 0.15, id="Wentzell 18.2: self-locking"),
        pytest.param(0.050, 0.010, 0.08, id="Khurmi 10.11: self-locking"),
        pytest.param(0.050, 0.012, 0.15, id="Khurmi 10.12: self-locking"),
    ],
)
def test_screws_printed_as_self_locking_cannot_be_opened(mean, lead, friction):
    with pytest.raises(PhysicalRangeError, match="angle"):
        ramp_thrust(10.0, mean / 2, lead_angle(lead, mean), friction, closing=False)


def test_locking_begins_where_the_tangent_equals_the_friction():
    # Shigley section 8-2, Eq. 8-3: self-locking for f >= tan(lambda) (rule from memory)
    friction = 0.1
    with pytest.raises(PhysicalRangeError):
        ramp_thrust(10.0, 0.045, np.arctan(friction) - 1e-9, friction, closing=False)
    assert ramp_thrust(10.0, 0.045, np.arctan(friction) + 1e-9, friction, closing=False) > 1e9


def test_angle_is_measured_from_the_plane_of_rotation():
    # Wentzell 18.2 prints 4.48 deg for this lead; from the shaft axis it would be 85.52 deg. Half a unit of the
    # angle is 0.11 % of the thrust; the wrong convention is off by a factor of 160.
    ideal = ramp_thrust(453.68 * INCH * LBF, 1.354 * INCH / 2, np.radians(4.48))
    assert ideal * 0.3391 == pytest.approx(2900 * LBF, rel=0.005 / 4.48 + 0.00005 / 0.3391)


@pytest.mark.parametrize("angle", [12.0, 33.0, 48.0, 61.0])
def test_frictionless_ramp_keeps_the_work_of_one_turn(angle):
    # conservation of energy: 2 pi T goes in, thrust times lead comes out
    torque, radius = 21.25, 0.045
    lead = 2 * np.pi * radius * np.tan(np.radians(angle))
    assert ramp_thrust(torque, radius, np.radians(angle)) * lead == pytest.approx(2 * np.pi * torque, rel=1e-12)


# check table, computed, not published: 42.5 N m on the shaft, half of it on the ramp, radius 45 mm
HELIX_TABLE = [
    (30, 817.9, 1046.4, 656.9),
    (36, 650.0, 808.5, 529.8),
    (40, 562.8, 692.5, 460.7),
    (44, 489.0, 598.2, 400.3),
    (50, 396.2, 484.1, 322.0),
]


@pytest.mark.parametrize(("angle", "ideal", "opening", "closing"), HELIX_TABLE)
def test_helix_table_recomputed(angle, ideal, opening, closing):
    a = np.radians(angle)
    assert ramp_thrust(21.25, 0.045, a) == pytest.approx(ideal, abs=0.05, rel=0)
    assert ramp_thrust(21.25, 0.045, a, 0.1, closing=False) == pytest.approx(opening, abs=0.05, rel=0)
    assert ramp_thrust(21.25, 0.045, a, 0.1, closing=True) == pytest.approx(closing, abs=0.05, rel=0)


def thrust_of_a_free_body():
    """Thrust on a ramp face from its force balance, in symbols; no angle of friction in it."""
    normal, thrust, a, mu, push = sp.symbols("normal thrust a mu push")
    around = sp.Eq(push, normal * sp.sin(a) + mu * normal * sp.cos(a))
    along = sp.Eq(thrust, normal * sp.cos(a) - mu * normal * sp.sin(a))
    solved = sp.solve([around, along], [normal, thrust], dict=True)[0][thrust]
    return sp.lambdify((push, a, mu), solved)


@pytest.mark.parametrize(("closing", "friction"), [(True, 0.08), (False, -0.08), (None, 0.0)])
def test_thrust_is_that_of_a_free_body_on_an_incline(closing, friction):
    # friction holds the torque back while the sheaves close and helps it while they are opened
    angles = np.radians([15.0, 25.0, 40.0, 55.0])
    expected = thrust_of_a_free_body()(20.0 / 0.045, angles, friction)
    assert ramp_thrust(20.0, 0.045, angles, abs(friction), closing) == pytest.approx(expected, rel=1e-12)
