"""Bodies that arms carry: plates cut to an outline, radii of gyration, pendulums, rods; what their size does to speed.

References: shapely for areas and centres, sympy for integrals and the turning of axes, MuJoCo for swings and moments.
"""

from types import SimpleNamespace

import mujoco
import numpy as np
import pytest
import shapely
import sympy as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from solver.arm_bodies import Body, body_on_line, gyration_of_pendulum, outline_area, outline_body, point_mass
from solver.errors import PhysicalRangeError
from solver.flyweights import arm_motion, centrifugal, inertia_slope

pytestmark = pytest.mark.invariant

SLUG = [[-6, 4], [-5, -6], [4, -8], [30, -14], [58, -20], [62, -15], [55, -2], [30, 3], [8, 7]]  # mm, an arm


def moments(body):
    return np.array([body.j_along, body.j_across, body.j_product], float)


def moment_matrix(body):
    return np.array([[body.j_along, body.j_product], [body.j_product, body.j_across]], float)


def star(radii, start):
    """A polygon that does not cross itself: corners around a point, at rising angles."""
    angle = start + np.arange(len(radii)) * 2 * np.pi / len(radii)
    return np.column_stack([0.03 + radii * np.cos(angle), -0.01 + radii * np.sin(angle)])


# --- outlines -----------------------------------------------------------------------------------------------------


@given(st.lists(st.floats(0.005, 0.04), min_size=3, max_size=12), st.floats(0, 6), st.booleans())
def test_area_and_centre_are_those_of_shapely(radii, start, backwards):
    points = star(np.array(radii), start)[:: -1 if backwards else 1]
    plate = shapely.Polygon(points)
    body = outline_body(points, 0.064)
    assert outline_area(points) == pytest.approx(plate.area, rel=1e-12)
    assert [body.along, body.across] == pytest.approx([plate.centroid.x, plate.centroid.y], abs=1e-14)


@given(st.lists(st.floats(0.005, 0.04), min_size=3, max_size=8), st.floats(0, 6))
@settings(max_examples=30, deadline=None)
def test_moments_are_those_of_triangles_cut_from_the_plate(radii, start):
    # reference: mean over a triangle of a product of coordinates, from its three edge middles (exact for squares);
    # the star is the union of its triangles about the middle
    points, middle = star(np.array(radii), start), np.array([0.03, -0.01])
    total, second = 0.0, np.zeros((2, 2))
    for p, q in zip(points, np.roll(points, -1, axis=0), strict=True):
        area = shapely.Polygon([middle, p, q]).area
        edges = np.array([(middle + p) / 2, (p + q) / 2, (q + middle) / 2])
        total += area
        second += area * edges.T @ edges / 3
    assert moment_matrix(outline_body(points, 0.064)) == pytest.approx(0.064 * second / total, rel=1e-10, abs=1e-18)


def test_moments_of_a_rectangle_and_a_triangle_by_symbolic_integration():
    x, y = sp.symbols("x y")
    cases = {
        ((10, -8), (60, -8), (60, 12), (10, 12)): ((x, 10, 60), (y, -8, 12)),
        ((0, 0), (60, 0), (0, 30)): ((y, 0, 30 - x / 2), (x, 0, 60)),
    }
    for corners, span in cases.items():
        area = sp.integrate(1, *span)
        wanted = [float(sp.integrate(f, *span) / area) for f in (x, y, x * x, y * y, x * y)]
        body = outline_body(np.array(corners), 1.0)
        assert [body.along, body.across, *moments(body)] == pytest.approx(wanted, rel=1e-12)


def test_the_way_round_a_closing_corner_and_corners_on_a_side_change_nothing():
    points = 1e-3 * np.array(SLUG)
    body = outline_body(points, 0.064)
    denser = np.stack([points, (points + np.roll(points, -1, axis=0)) / 2], axis=1).reshape(-1, 2)
    for same in (points[::-1], np.vstack([points, points[:1]]), np.roll(points, 3, axis=0), denser):
        other = outline_body(same, 0.064)
        assert moments(other) == pytest.approx(moments(body), rel=1e-12)
        assert [other.along, other.across] == pytest.approx([body.along, body.across], rel=1e-12)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([[0, 0], [60, 0], [0, 20], [60, 20]], "side from corner 2 and the side from corner 4"),  # a bow tie
        ([[0, 0], [60, 0], [60, 20], [30, 0], [0, 20]], "meets itself"),  # touches a side
        ([[0, 0], [60, 0], [40, 0], [40, 20], [0, 20]], "meets itself"),  # turns back on itself
        ([[0, 0], [60, 0], [30, 0]], "meets itself"),
        ([[0, 0], [60, 0], [60, 0]], "number of corners of the outline = 2"),
        ([[0, 0], [60, 0], [30, 1e-8]], "area of the outline"),
    ],
)
def test_an_outline_that_crosses_itself_or_holds_nothing_is_refused(points, words):
    for unit in (1e-3, 0.0254):
        with pytest.raises(PhysicalRangeError, match=words):
            outline_body(unit * np.array(points), 0.064)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=3, max_size=9, unique=True))
@settings(max_examples=300, deadline=None)
def test_refused_are_the_outlines_that_shapely_calls_invalid(points):
    try:
        outline_area(1e-3 * np.array(points))
        fine = True
    except PhysicalRangeError:
        fine = False
    assert fine == (shapely.Polygon(points).is_valid and shapely.Polygon(points).area > 0)


# --- radii of gyration and pendulums --------------------------------------------------------------------------------


def test_turning_of_axes_by_sympy():
    mass, along, across, k_along, k_across = 0.064, 0.031, -0.012, 0.041, 0.009
    turn = sp.atan2(sp.Float(across, 30), sp.Float(along, 30))
    turned = sp.Matrix([[sp.cos(turn), -sp.sin(turn)], [sp.sin(turn), sp.cos(turn)]])
    wanted = turned * sp.diag(mass * k_along**2, mass * k_across**2) * turned.T
    found = moment_matrix(body_on_line(mass, along, across, k_along, k_across))
    assert found == pytest.approx(np.array(wanted.evalf(), float), rel=1e-12)


def test_a_body_no_larger_than_its_centre_is_a_point_mass():
    for along, across in ((0.035, -0.006), (-0.01, 0.02), (0.0, 0.03)):
        found = body_on_line(0.064, along, across, np.hypot(along, across))
        assert moments(found) == pytest.approx(moments(point_mass(0.064, along, across)), abs=1e-18)
    with pytest.raises(PhysicalRangeError, match=r"radius of gyration = 0\.034 m is outside what a centre 35 mm"):
        body_on_line(0.064, 0.035, 0.0, 0.034)


def test_a_plate_swung_under_gravity_has_the_period_of_its_moments():
    """MuJoCo lets the plate swing; the period gives its moment about the pin."""
    body = outline_body(1e-3 * np.array(SLUG), 0.064)
    distance = float(np.hypot(body.along, body.across))
    about_pin = body.j_along + body.j_across
    about_centre = about_pin - body.mass * distance**2
    model = mujoco.MjModel.from_xml_string(
        '<mujoco><option timestep="1e-5" integrator="RK4"/><worldbody><body><joint type="hinge" axis="0 1 0"/>'
        f'<inertial pos="0 0 {-distance}" mass="{body.mass}" '
        f'diaginertia="{about_centre} {about_centre} {about_centre}"/></body></worldbody></mujoco>'
    )
    model.opt.gravity[:] = [0, 0, -9.80665]
    data = mujoco.MjData(model)
    data.qpos[0] = 1e-3
    times = []
    before = data.qpos[0]
    while len(times) < 3:
        mujoco.mj_step(model, data)
        now = data.qpos[0]
        if before * now < 0:
            times.append(data.time - model.opt.timestep * abs(now) / abs(now - before))
        before = now
    gyration = gyration_of_pendulum(times[2] - times[0], distance)
    assert body.mass * gyration**2 == pytest.approx(about_pin, rel=1e-5)


@pytest.mark.parametrize(("period", "distance", "word"), [(0.0, 0.03, "period"), (0.4, 0.0, "distance")])
def test_a_pendulum_that_does_not_swing_is_refused(period, distance, word):
    with pytest.raises(PhysicalRangeError, match=f"{word} = 0"):
        gyration_of_pendulum(period, distance)


# --- thrust -------------------------------------------------------------------------------------------------------


def test_inertia_is_the_second_moment_of_the_radius_by_sympy():
    """A plate of even mass drawn out by integration: I of its elements, differentiated over the angle."""
    a, c, q, pivot = sp.symbols("a c q r")
    span = ((a, 10, 60), (c, -8, 12))
    inertia = sp.integrate((pivot + a * sp.sin(q) + c * sp.cos(q)) ** 2, *span) / 1000
    rate = sp.lambdify((q, pivot), sp.diff(inertia, q))
    outward = sp.lambdify((q, pivot), sp.integrate(pivot + a * sp.sin(q) + c * sp.cos(q), *span) / 1000)
    body = outline_body([[10, -8], [60, -8], [60, 12], [10, 12]], 1.0)
    for angle, radius in ((-0.3, 47.0), (0.4, 50.0), (1.1, 60.0)):
        motion = at_angle(angle)
        assert inertia_slope(motion, radius, body) == pytest.approx(rate(angle, radius), rel=1e-12)
        assert centrifugal(motion, radius, body) == pytest.approx(outward(angle, radius), rel=1e-12)


def at_angle(angle):
    """The motion of an arm at an angle, one radian a metre."""
    return SimpleNamespace(angle=np.array([angle]), slope=np.ones(1))


def test_what_lies_even_about_the_pivot_makes_no_moment():
    ring = Body(0.05, 0.0, 0.0, 2e-5, 2e-5, 0.0)
    assert inertia_slope(at_angle(0.7), 0.047, ring) == pytest.approx(0.0, abs=1e-18)


def engine_speed_share(arm, motion, body, alone):
    """Share by which engine speed moves, N ~ A^(-1/2), on average over the shift, with the arm's tuning masses in."""
    masses = point_mass(arm.mass[1:], arm.along[1:], arm.across[1:])
    with_size, without = (
        inertia_slope(motion, arm.pivot_radius, masses) + inertia_slope(motion, arm.pivot_radius, one)
        for one in (body, alone)
    )
    return float(np.mean((without / with_size) ** 0.5 - 1))


def test_a_rod_of_64_g_and_60_mm_moves_engine_speed_by_tens_of_rpm(arm):
    motion = arm_motion(arm.travel, **arm.face)
    mass, along, across = (float(v[0]) for v in (arm.mass, arm.along, arm.across))
    rod = body_on_line(mass, along, across, np.hypot(np.hypot(along, across), 0.060 / np.sqrt(12)))
    moved = 7000 * engine_speed_share(arm, motion, rod, point_mass(mass, along, across))
    assert 20 < abs(moved) < 200


@given(factor=st.floats(0.1, 10))
def test_engine_speed_falls_with_the_square_root_of_all_mass(arm, factor):
    motion = arm_motion(arm.travel, **arm.face)
    once, more = (inertia_slope(motion, 0.047, outline_body(1e-3 * np.array(SLUG), 0.064 * f)) for f in (1.0, factor))
    assert (once / more) ** 0.5 == pytest.approx(factor**-0.5, rel=1e-12)
