"""Roller contact, swung inertia and friction of a flyweight arm against geometry, MuJoCo, balances of force and power.

Bodies and outlines have a file of their own.
"""

import mujoco
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from solver.arm_bodies import point_mass
from solver.errors import PhysicalRangeError
from solver.flyweights import arm_friction, arm_motion, centrifugal, closing_thrust, inertia_slope

pytestmark = pytest.mark.invariant


@pytest.fixture(scope="module")
def motion(arm):
    return arm_motion(arm.travel, **arm.face)


def roller_centre(arm, travel, angle):
    """Roller centre in the arm's frame (along, across), from the arm angle alone."""
    outboard, height = arm.face["roller_outboard"] + travel, arm.face["roller_height"]
    turn = np.cos(angle), np.sin(angle)
    return np.column_stack([outboard * turn[0] + height * turn[1], height * turn[0] - outboard * turn[1]])


def masses(arm, factor=1.0):
    """The arm's point masses."""
    return point_mass(factor * arm.mass, arm.along, arm.across)


def swung(arm, motion, factor=1.0):
    """dI/dx of them."""
    return inertia_slope(motion, arm.pivot_radius, masses(arm, factor))


def gain(motion, friction, closing):
    """Thrust with friction at the roller alone over thrust without."""
    return arm_friction(motion, friction, 0.0, 0.004).share[0 if closing else 1]


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
    def inertia(_, motion):
        turned = motion.angle[:, None] + np.arctan2(arm.across, arm.along)
        radius = arm.pivot_radius + np.hypot(arm.along, arm.across) * np.sin(turned)
        return (arm.mass * radius**2).sum(axis=1)

    assert swung(arm, motion)[1:-1] == pytest.approx(rates(arm, inertia), rel=1e-6)


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
    thrust = closing_thrust(speed, swung(arm, motion))
    assert thrust == pytest.approx(np.array(moments) * motion.slope, rel=1e-8)
    assert (thrust > 0).all()


@given(speed=st.floats(1, 1e3), factor=st.floats(0.1, 10))
def test_thrust_grows_with_speed_squared_and_with_mass(arm, motion, speed, factor):
    slope, heavier = swung(arm, motion), swung(arm, motion, factor)
    once = closing_thrust(speed, slope)
    assert closing_thrust(factor * speed, slope) == pytest.approx(factor**2 * once, rel=1e-12)
    assert closing_thrust(speed, heavier) == pytest.approx(factor * once, rel=1e-12)


def test_masses_add_up(arm, motion):
    single = [point_mass(*one) for one in zip(arm.mass, arm.along, arm.across, strict=True)]
    for summed in (inertia_slope, centrifugal):
        parts = [summed(motion, arm.pivot_radius, one) for one in single]
        assert summed(motion, arm.pivot_radius, masses(arm)) == pytest.approx(sum(parts), rel=1e-12)


# --- friction -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("pivot", "radius"), [(0.0, 0.004), (0.3, 0.0)])
def test_no_friction_no_band(arm, motion, pivot, radius):
    free, thrown = swung(arm, motion), centrifugal(motion, arm.pivot_radius, masses(arm))
    thrust = arm_friction(motion, 0.0, pivot, radius).thrust(free, thrown)
    assert thrust.shape == (2, len(free))
    assert thrust == pytest.approx(np.stack([free, free]), rel=1e-14)


@given(friction=st.floats(1e-4, 0.12))
def test_friction_takes_thrust_while_closing_and_gives_it_while_opening(motion, friction):
    assert (gain(motion, friction, closing=True) < 1).all()
    assert (gain(motion, friction, closing=False) > 1).all()


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
    lost = (gain(motion, mu, closing)[1:-1] - 1) / mu
    assert lost == pytest.approx(sign * force * slip, rel=1e-4)


def roller_parts(arm, angle, travel):
    """Normal and tangent (towards the tip) of the contact, each (axial, radial), and the contact from the pivot.

    From the roller centre's own path in the arm's frame, so not from the contact data.
    """
    step = 1e-7
    ways = (travel + step, travel, travel - step)
    ahead, here, behind = (roller_centre(arm, x, arm_motion(x, **arm.face).angle) for x in ways)
    tangent = (ahead - behind) / np.hypot(*(ahead - behind).T)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    contact = here - arm.face["roller_radius"] * normal
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    return [
        np.column_stack([v[:, :1] * cos - v[:, 1:] * sin, v[:, :1] * sin + v[:, 1:] * cos])
        for v in (normal, tangent, contact)
    ]


@pytest.mark.parametrize(("roller", "pivot"), [(0.0, 0.15), (0.05, 0.02), (0.1, 0.6)])
@pytest.mark.parametrize(("branch", "way"), [(0, 1), (1, -1)])
def test_forces_and_moments_on_the_arm_balance_with_friction_at_roller_and_pin(arm, roller, pivot, branch, way):
    """The roller force is the root of the moments about the pivot, with the pin's load as the sum of two vectors."""
    travel, radius = arm.travel[1:-1], 0.004
    motion = arm_motion(travel, **arm.face)
    free, thrown = swung(arm, motion) / 2, centrifugal(motion, arm.pivot_radius, masses(arm))
    thrust = arm_friction(motion, roller, pivot, radius).thrust(free, thrown)[branch]
    moment = free / motion.slope
    for n, (normal, tangent, contact) in enumerate(zip(*roller_parts(arm, motion.angle, travel), strict=True)):
        on_roller = normal - way * roller * tangent

        def left(size, n=n, on_roller=on_roller, contact=contact):
            pin = np.array([0.0, thrown[n]]) - size * on_roller
            lever = contact[0] * on_roller[1] - contact[1] * on_roller[0]
            return moment[n] - size * lever - way * pivot * radius * np.hypot(*pin)

        size = brentq(left, 0.0, 20 * moment[n] / 0.02, xtol=1e-15)
        assert thrust[n] == pytest.approx(size * on_roller[0], rel=1e-6)


@given(roller=st.floats(0, 0.1), pivot=st.floats(0, 0.5), factor=st.floats(0.01, 100))
def test_friction_lies_about_the_thrust_without_and_scales_with_mass(arm, motion, roller, pivot, factor):
    friction = arm_friction(motion, roller, pivot, 0.004)
    free, thrown = swung(arm, motion) / 2, centrifugal(motion, arm.pivot_radius, masses(arm))
    closing, opening = friction.thrust(free, thrown)
    assert (closing <= free * (1 + 1e-12)).all()
    assert (opening >= free * (1 - 1e-12)).all()
    assert friction.thrust(factor * free, factor * thrown) == pytest.approx(
        factor * np.stack([closing, opening]), rel=1e-12
    )


@given(pivot=st.floats(0, 1), light=st.floats(0, 0.3))
def test_the_rollers_come_free_where_the_pin_holds_the_whole_moment(motion, pivot, light):
    # the line of the centrifugal force then passes within the friction circle of the pin
    radius, thrown = 0.004, np.ones_like(motion.slope)
    free = light * 0.02 * motion.slope
    closing = arm_friction(motion, 0.02, pivot, radius).thrust(free, thrown)[0]
    spare = light * 0.02 - pivot * radius
    if abs(spare) > 1e-9:
        assert ((closing > 0) == (spare > 0)).all()


def test_draws_of_the_pin_are_each_alone(arm, motion):
    free, thrown = swung(arm, motion) / 2, centrifugal(motion, arm.pivot_radius, masses(arm))
    pivot, radius = np.array([0.0, 0.02, 0.2]), np.array([0.004, 0.005, 0.003])
    together = arm_friction(motion, 0.03, pivot, radius).thrust(free, thrown)
    assert together.shape == (3, 2, len(free))
    for n in range(3):
        alone = arm_friction(motion, 0.03, float(pivot[n]), float(radius[n])).thrust(free, thrown)
        assert together[n] == pytest.approx(alone, rel=1e-12)


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


@pytest.mark.parametrize(
    ("roller", "pivot", "radius", "words"),
    [
        (1.0, 0.0, 0.004, r"roller_friction = 1 - .*slide on its roller"),
        (0.0, 1.0, 0.1, r"pivot_friction = 1 - .*turn on its pin"),
        (-0.1, 0.0, 0.004, r"roller_friction = -0\.1 -"),
        (0.0, 1.1, 0.004, r"pivot_friction = 1\.1 -"),
        (0.0, 0.1, -0.004, r"pin_radius = -0\.004 m"),
    ],
)
def test_friction_that_jams_the_arm_or_cannot_be_is_refused(motion, roller, pivot, radius, words):
    with pytest.raises(PhysicalRangeError, match=words):
        arm_friction(motion, roller, pivot, radius)


def test_negative_mass_and_pivot_on_the_axis_are_refused(motion):
    with pytest.raises(PhysicalRangeError, match=r"mass = -0\.01 kg"):
        point_mass([0.02, -0.01], 0.03, 0.0)
    with pytest.raises(PhysicalRangeError, match=r"pivot_radius = 0 m"):
        inertia_slope(motion, 0.0, point_mass(0.02, 0.03, 0.0))
