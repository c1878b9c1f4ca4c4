"""Roller contact, swung inertia and friction of a flyweight arm against geometry, MuJoCo and the balance of power."""

import mujoco
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from solver.errors import PhysicalRangeError
from solver.flyweights import arm_motion, closing_thrust, friction_gain, inertia_slope

pytestmark = pytest.mark.invariant


@pytest.fixture(scope="module")
def motion(arm):
    return arm_motion(arm.travel, **arm.face)


def roller_centre(arm, travel, angle):
    """Roller centre in the arm's frame (along, across), from the arm angle alone."""
    outboard, height = arm.face["roller_outboard"] + travel, arm.face["roller_height"]
    turn = np.cos(angle), np.sin(angle)
    return np.column_stack([outboard * turn[0] + height * turn[1], height * turn[0] - outboard * turn[1]])


def polar(arm):
    """(reach, lead) of the arm's masses about its pivot."""
    return np.hypot(arm.along, arm.across), np.arctan2(arm.across, arm.along)


def rates(arm, function):
    """Slope of a function of the arm's motion by central differences over the travel."""
    step = 1e-6
    inner = arm.travel[1:-1]
    ahead, behind = (arm_motion(inner + way * step, **arm.face) for way in (1, -1))
    return (function(inner + step, ahead) - function(inner - step, behind)) / (2 * step)


# --- contact ------------------------------------------------------------------------------------------------------


def test_roller_centre_lies_on_the_offset_curve_of_the_face(arm, motion):
    # reference: shapely's offset curve of the face drawn out finely; the profile's own points are joined by a spline
    points, radius = arm.face["profile"], arm.face["roller_radius"]
    fine = np.linspace(points[0, 0], points[-1, 0], 20001)
    face = shapely.LineString(np.column_stack([fine, CubicSpline(*points.T)(fine)]))
    locus = face.offset_curve(radius)
    centres = shapely.points(roller_centre(arm, arm.travel, motion.angle))
    assert shapely.distance(centres, locus).max() < 1e-6
    assert shapely.distance(centres, face) == pytest.approx(radius, abs=1e-8)
    touch = [face.interpolate(face.project(centre)).x for centre in centres]
    assert motion.along == pytest.approx(np.array(touch), abs=1e-6)


def test_roller_stays_at_one_distance_from_the_middle_of_a_round_face(arm, motion):
    # geometry: the offset of an arc is an arc about the same middle; the spline of its points is off by about 1e-10 m
    distance = np.hypot(*(roller_centre(arm, arm.travel, motion.angle) - arm.middle).T)
    assert distance == pytest.approx(arm.bulge + arm.face["roller_radius"], abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(
    tilt=st.floats(0.3, 1.3),
    radius=st.floats(0.003, 0.012),
    outboard=st.floats(0.025, 0.045),
    height=st.floats(-0.004, 0.004),
)
def test_straight_face_swings_by_the_arcsine_of_its_distance(tilt, radius, outboard, height):
    # geometry: the roller centre keeps its distance from the straight face, so sin(polar angle + tilt) = distance/reach
    along = 0.006 * np.sin(tilt) * np.cos(tilt) + np.linspace(0.001, 0.12, 9)  # from the foot of the perpendicular on
    face = np.column_stack([along, 0.006 - np.tan(tilt) * along])
    travel = np.linspace(0, 0.02, 7)
    motion = arm_motion(travel, face, radius, outboard, height)
    reach = np.hypot(outboard + travel, height)
    away = 0.006 * np.cos(tilt) + radius
    angle = np.arctan2(height, outboard + travel) - (np.arcsin(away / reach) - tilt)
    assert motion.angle == pytest.approx(angle, abs=1e-9)


def test_slope_is_the_rate_of_the_angle(arm, motion):
    assert motion.slope[1:-1] == pytest.approx(rates(arm, lambda x, m: m.angle), rel=1e-7)


# --- thrust -------------------------------------------------------------------------------------------------------


def test_inertia_slope_is_the_rate_of_the_inertia(arm, motion):
    reach, lead = polar(arm)

    def inertia(_, motion):
        radius = arm.pivot_radius + reach * np.sin(motion.angle[:, None] + lead)
        return (arm.mass * radius**2).sum(axis=1)

    slope = inertia_slope(motion, arm.pivot_radius, arm.mass, reach, lead)
    assert slope[1:-1] == pytest.approx(rates(arm, inertia), rel=1e-6)


def test_thrust_is_the_moment_of_inverse_dynamics_over_the_whole_travel(arm, motion):
    # MuJoCo mj_inverse: hinge angle and spin prescribed, moment about the pivot read off; virtual work makes it thrust
    weights = "".join(
        f'<body pos="{across} 0 {along}"><inertial pos="0 0 0" mass="{mass}" diaginertia="1e-15 1e-15 1e-15"/></body>'
        for mass, along, across in zip(arm.mass, arm.along, arm.across, strict=True)
    )
    model = mujoco.MjModel.from_xml_string(
        '<mujoco><option gravity="0 0 0"/><worldbody><body><joint type="hinge" axis="0 0 1"/>'
        '<inertial pos="0 0 0" mass="1" diaginertia="0.01 0.01 0.01"/>'
        f'<body pos="{arm.pivot_radius} 0 0"><joint type="hinge" axis="0 1 0"/>'
        '<inertial pos="0 0 0" mass="1e-12" diaginertia="1e-15 1e-15 1e-15"/>'
        f"{weights}</body></body></worldbody></mujoco>"
    )
    data, speed, moments = mujoco.MjData(model), 720.0, []
    for angle in motion.angle:
        data.qpos[:], data.qvel[:], data.qacc[:] = [0, angle], [speed, 0], 0
        mujoco.mj_inverse(model, data)
        moments.append(-data.qfrc_inverse[1])
    thrust = closing_thrust(speed, inertia_slope(motion, arm.pivot_radius, arm.mass, *polar(arm)))
    assert thrust == pytest.approx(np.array(moments) * motion.slope, rel=1e-8)
    assert (thrust > 0).all()


@given(speed=st.floats(1, 1e3), factor=st.floats(0.1, 10))
def test_thrust_grows_with_speed_squared_and_with_mass(arm, motion, speed, factor):
    slope = inertia_slope(motion, arm.pivot_radius, arm.mass, *polar(arm))
    heavier = inertia_slope(motion, arm.pivot_radius, factor * arm.mass, *polar(arm))
    once = closing_thrust(speed, slope)
    assert closing_thrust(factor * speed, slope) == pytest.approx(factor**2 * once, rel=1e-12)
    assert closing_thrust(speed, heavier) == pytest.approx(factor * once, rel=1e-12)


def test_masses_add_up(arm, motion):
    reach, lead = polar(arm)
    parts = [inertia_slope(motion, arm.pivot_radius, *one) for one in zip(arm.mass, reach, lead, strict=True)]
    assert inertia_slope(motion, arm.pivot_radius, arm.mass, reach, lead) == pytest.approx(sum(parts), rel=1e-12)


# --- friction -----------------------------------------------------------------------------------------------------


def test_no_friction_no_band(motion):
    assert friction_gain(motion, 0.0, closing=True) == pytest.approx(1, abs=1e-14)
    assert friction_gain(motion, 0.0, closing=False) == pytest.approx(1, abs=1e-14)


@given(friction=st.floats(1e-4, 0.12))
def test_friction_takes_thrust_while_closing_and_gives_it_while_opening(motion, friction):
    assert (friction_gain(motion, friction, closing=True) < 1).all()
    assert (friction_gain(motion, friction, closing=False) > 1).all()


@pytest.mark.parametrize(("closing", "sign"), [(True, -1), (False, 1)])
def test_power_lost_is_friction_times_normal_force_times_sliding(arm, motion, closing, sign):
    """To first order in mu. Sliding and normal come from the roller centre's own path in the arm's frame, not from
    the contact data: the roller does not turn, so it slips by the path less its radius times the arm's swing."""
    path = rates(arm, lambda x, m: roller_centre(arm, x, m.angle))
    length = np.hypot(*path.T)
    slope = motion.slope[1:-1]
    slip = length - arm.face["roller_radius"] * slope
    normal = np.column_stack([-path[:, 1], path[:, 0]]) / length[:, None]
    angle = motion.angle[1:-1]
    axial = normal[:, 0] * np.cos(angle) - normal[:, 1] * np.sin(angle)
    force = 1 / axial  # normal force that gives unit thrust
    mu = 1e-6
    lost = (friction_gain(motion, mu, closing)[1:-1] - 1) / mu
    assert lost == pytest.approx(sign * force * slip, rel=1e-4)


# --- refusals -----------------------------------------------------------------------------------------------------


def test_a_hollow_tighter_than_the_roller_is_refused(arm):
    along = np.linspace(0.02, 0.06, 41)
    hollow = np.column_stack([along, -0.01 - 0.8 * (along - 0.02) + 90 * (along - 0.04) ** 2])
    with pytest.raises(PhysicalRangeError, match=r"does not fit the hollow .* mm along the arm .*undercut"):
        arm_motion(arm.travel, **arm.face | {"profile": hollow})


def test_leaving_the_face_is_refused_with_the_travel(arm):
    with pytest.raises(PhysicalRangeError, match=r"leaves the face at travel 40 mm"):
        arm_motion([0.0, 0.010, 0.040], **arm.face)
    with pytest.raises(PhysicalRangeError, match=r"leaves the face at travel 0 mm"):
        arm_motion(arm.travel, **arm.face | {"roller_outboard": 0.025})


def test_a_face_that_does_not_push_the_roller_outboard_is_refused_with_the_travel(arm):
    below = np.column_stack([np.linspace(0.005, 0.08, 8), np.full(8, -0.030)])  # the roller would pull it
    with pytest.raises(PhysicalRangeError, match=r"not push the roller outboard at travel 0 mm"):
        arm_motion(arm.travel, **arm.face | {"profile": below})


def test_a_face_that_leads_the_roller_back_is_refused(arm):
    steep = np.column_stack([np.linspace(0.005, 0.012, 8), np.linspace(0.030, -0.030, 8)])
    with pytest.raises(PhysicalRangeError, match="does not lead the roller steadily away"):
        arm_motion(arm.travel, **arm.face | {"profile": steep})


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"roller_radius": 0.0}, "roller_radius = 0 m"),
        ({"profile": [[0.02, 0], [0.03, -0.01], [0.04, -0.02]]}, "number of profile points = 3"),
        ({"profile": [[0.02, 0], [0.03, -0.01], [0.03, -0.02], [0.04, -0.03]]}, "profile step along the arm = 0 m"),
    ],
)
def test_impossible_arms_are_refused_by_name(arm, change, name):
    with pytest.raises(PhysicalRangeError, match=name):
        arm_motion(arm.travel, **arm.face | change)


def test_friction_that_jams_the_arm_is_refused(motion):
    with pytest.raises(PhysicalRangeError, match=r"friction = 1 - .*slide on its roller"):
        friction_gain(motion, 1.0, closing=True)


def test_negative_mass_is_refused(motion):
    with pytest.raises(PhysicalRangeError, match=r"mass = -0\.01 kg"):
        inertia_slope(motion, 0.047, [0.02, -0.01], [0.03, 0.03], [0.0, 0.0])
