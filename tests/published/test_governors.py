"""Flyweight thrust against printed governors and centrifugal clutches, free bodies, and MuJoCo's inverse dynamics.

A governor's sleeve load is a closing thrust: both are 1/2 w^2 dI/dx. Where a book's chain carries pi 3.147 its own pi
is used, so that only its printed digits decide.
"""

from types import SimpleNamespace
from typing import Any

import mujoco
import numpy as np
import pytest
import sympy as sp
from scipy.optimize import brentq

from solver.arm_bodies import Body
from solver.flyweights import closing_thrust, inertia_slope

pytestmark = pytest.mark.published

LBF, INCH = 4.4482216152605, 0.0254  # N, m, exact
FROM_RPM = np.pi / 30


def weight_slope(mass, radius, radius_per_travel):
    """dI/dx of m r^2."""
    return 2 * mass * radius * radius_per_travel


# --- governors --------------------------------------------------------------------------------------------------


def test_hartnell_spring_load_and_speed():
    # Sarkar 7.7: 2 x 3 kg, ball arm 120, sleeve arm 80 mm, 320 rpm at r 120 mm, 20 N/mm, lift 15 mm, pi 3.147:
    # S0 1217.0 N, speed after the lift 327.9 rpm (thrust goes with its square)
    rpm = 3.147 / 30
    start = closing_thrust(320 * rpm, weight_slope(6.0, 0.120, 120 / 80))
    assert start == pytest.approx(1217.0, abs=0.05, rel=0)
    lifted = closing_thrust(327.9 * rpm, weight_slope(6.0, 0.120 + 0.015 * 120 / 80, 120 / 80))
    assert lifted == pytest.approx(1217.0 + 20 * 15, rel=2 * 0.05 / 327.9 + 0.05 / 1517)


@pytest.mark.parametrize(("speed", "radius", "load"), [(280, 0.120, 990.435), (320, 0.138, 1487.673)])
def test_hartnell_with_arms_120_and_100_recomputed(speed, radius, load):
    # Ex. 14.5 of a theory-of-machines course: inputs printed, loads recomputed; lift 15 mm, spring 33.149 N/mm
    assert closing_thrust(speed * FROM_RPM, weight_slope(8.0, radius, 120 / 100)) == pytest.approx(
        load, abs=5e-4, rel=0
    )


@pytest.mark.parametrize(("ball_force", "band"), [(12.25, 0.0272), (25.4, 0.0131)])
def test_dead_band_from_friction_at_the_sleeve(ball_force, band):
    # Bevan 13.11: arms 4.5 and 2 in, 1.5 lb of sleeve friction, ball force 12.25 and 25.4 lb:
    # (N1 - N2)/N = 0.0272 and 0.0131. The force balance is solved for the two speeds at which the sleeve moves.
    nominal, friction = 30.0, 1.5 * LBF
    load = 2 * ball_force * LBF * 4.5 / 2
    slope = 2 * load / nominal**2

    def speed_at(sleeve_load):
        return brentq(lambda w: closing_thrust(w, slope) - sleeve_load, 0, 10 * nominal, xtol=1e-12)

    found = (speed_at(load + friction) - speed_at(load - friction)) / nominal
    assert found == pytest.approx(band, abs=5e-5, rel=0)


# --- centrifugal clutches ---------------------------------------------------------------------------------------


def test_shoe_clutch_power():
    # Khurmi 10.36: 4 shoes of 8 kg at r 165 mm after 5 mm clearance, spring 500 N + 50 N/mm, mu 0.3, drum 200 mm,
    # 500 rpm: 36.1 kW
    press = closing_thrust(500 * FROM_RPM, weight_slope(8.0, 0.165, 1.0)) - (500 + 50 * 5)
    assert 4 * 0.3 * press * 0.200 * 500 * FROM_RPM == pytest.approx(36.1e3, abs=50, rel=0)


def test_shoe_mass_for_a_rated_power():
    # design question (bissoy.com 380114): 25 kW at 1200 rpm, engaging at half of it, drum 100, shoe 75 mm, mu 0.3,
    # 4 shoes: 1184.28 m and 296.07 m newtons (speed written as 125.66 and 62.83 rad/s), m 1.866 kg
    full, engaging = (closing_thrust(w, weight_slope(1.0, 0.075, 1.0)) for w in (1200 * FROM_RPM, 600 * FROM_RPM))
    assert full == pytest.approx(1184.28, rel=2 * 0.005 / 125.66)
    assert engaging == pytest.approx(296.07, rel=2 * 0.005 / 62.83)
    mass = 25e3 / (1200 * FROM_RPM) / (4 * 0.3 * 0.100 * (full - engaging))
    assert mass == pytest.approx(1.866, abs=5e-4, rel=0)


def test_lift_off_speed():
    # brainmass 223190: 5 kg at 0.2 m against 200 N lifts at 14.14 rad/s, 135 rpm
    slope = weight_slope(5.0, 0.2, 1.0)
    assert closing_thrust(14.14, slope) == pytest.approx(200, rel=2 * 0.005 / 14.14)
    assert closing_thrust(135 * FROM_RPM, slope) == pytest.approx(200, rel=2 * 0.5 / 135)


def test_more_mass_lowers_the_speed_recomputed():
    # computed, not published: 0.180 kg at 45 mm, dr/dx 0.8, 3600 rpm -> 921 N;
    # 10 % more mass gives the same thrust at 4.65 % less speed
    slope = weight_slope(0.180, 0.045, 0.8)
    thrust = closing_thrust(3600 * FROM_RPM, slope)
    assert thrust == pytest.approx(921, abs=0.5, rel=0)
    assert closing_thrust(3600 * FROM_RPM * (1 - 0.0465), 1.1 * slope) == pytest.approx(thrust, rel=2 * 5e-5 / 0.9535)


# --- free bodies (sympy) ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("travel", [0.004, 0.012, 0.021])
def test_bell_crank_pushing_a_flat_collar(travel):
    """Slope of inertia by symbolic differentiation; thrust by moments about the pivot, without virtual work."""
    mass, pivot, reach, lever, speed = 0.06, 0.055, 0.030, 0.040, 420.0
    x = sp.Symbol("x")
    angle = sp.asin(x / lever)
    slope = float(sp.diff(5 * mass * (pivot + reach * sp.sin(angle)) ** 2, x).subs(x, travel))
    q = np.arcsin(travel / lever)
    moment = 5 * mass * speed**2 * (pivot + reach * np.sin(q)) * reach * np.cos(q)
    assert closing_thrust(speed, slope) == pytest.approx(moment / (lever * np.cos(q)), rel=1e-12)


@pytest.mark.parametrize(("ramp", "plate"), [(35.0, 0.0), (40.0, 12.0), (20.0, 25.0)])
def test_roller_wedged_between_ramp_and_plate(ramp, plate):
    """Slope of inertia by symbolic differentiation; thrust from the two contact forces of the roller."""
    mass, start, speed, travel = 0.08, 0.040, 380.0, 0.010
    a, d = np.radians([ramp, plate])
    x = sp.Symbol("x")
    radius = start + x / (sp.tan(a) + sp.tan(d))
    slope = float(sp.diff(6 * mass * radius**2, x).subs(x, travel))
    outward = 6 * mass * speed**2 * float(radius.subs(x, travel))
    # rows: axial and radial balance of the roller; columns: contact force of plate and of ramp
    forces = np.linalg.solve([[np.cos(d), -np.cos(a)], [np.sin(d), np.sin(a)]], [0, outward])
    assert closing_thrust(speed, slope) == pytest.approx(forces[0] * np.cos(d), rel=1e-12)


# --- MuJoCo -----------------------------------------------------------------------------------------------------

SPINNING_ARM = """
<mujoco>
  <option gravity="0 0 0"/>
  <worldbody>
    <body>
      <joint type="hinge" axis="0 0 1"/>
      <inertial pos="0 0 0" mass="1" diaginertia="0.01 0.01 0.01"/>
      <body pos="{pivot} 0 0">
        <joint type="hinge" axis="0 1 0"/>
        <inertial pos="{lead} 0 {reach}" mass="{mass}" diaginertia="{across} {across} {along}"/>
      </body>
    </body>
  </worldbody>
</mujoco>
"""


def spinning_arm(**sizes):
    """An arm on a hinge on a spinning shaft: at angle 0 it lies along the axis, a positive angle swings it out."""
    model = mujoco.MjModel.from_xml_string(SPINNING_ARM.format(**sizes))
    return model, mujoco.MjData(model)


def outward_moment(model, data, speed, angle):
    """Moment with which the arm pushes outwards: what `mj_inverse` says must hold it still in steady spin."""
    data.qpos[:], data.qvel[:], data.qacc[:] = [0, angle], [speed, 0], 0
    mujoco.mj_inverse(model, data)
    return -data.qfrc_inverse[1]


@pytest.mark.parametrize("speed", [1500, 3000, 6000])
@pytest.mark.parametrize("angle", [0.0, 0.3, 0.7])
def test_swung_point_mass_by_inverse_dynamics(speed, angle):
    pivot, reach, mass = 0.055, 0.032, 0.06
    model, data = spinning_arm(pivot=pivot, lead=0, reach=reach, mass=mass, across=1e-15, along=1e-15)
    moment = outward_moment(model, data, speed * FROM_RPM, angle)
    radius = pivot + reach * np.sin(angle)
    slope = weight_slope(mass, radius, reach * np.cos(angle))  # per radian, so the thrust is a moment
    assert closing_thrust(speed * FROM_RPM, slope) == pytest.approx(moment, rel=1e-9)


@pytest.mark.parametrize("angle", [-0.2, 0.25, 0.6])
def test_swung_slender_arm_by_inverse_dynamics(angle):
    """A body of real size: the slope comes from MuJoCo's inertia of the shaft, the moment from its inverse dynamics."""
    model, data = spinning_arm(pivot=0.055, lead=0.004, reach=0.022, mass=0.09, across=1.6e-5, along=2e-6)

    def shaft_inertia(q):
        data.qpos[:], data.qvel[:] = [0, q], [0, 0]
        data.qacc[:] = [1, 0]
        mujoco.mj_inverse(model, data)
        return data.qfrc_inverse[0]

    step = 1e-4
    slope = (shaft_inertia(angle + step) - shaft_inertia(angle - step)) / (2 * step)
    moment = outward_moment(model, data, 5000 * FROM_RPM, angle)
    assert closing_thrust(5000 * FROM_RPM, slope) == pytest.approx(moment, rel=1e-7)


@pytest.mark.parametrize("seed", range(12))
def test_swung_body_with_a_full_inertia_by_inverse_dynamics(seed):
    """A body of any shape at any angle: MuJoCo is told mass, centre and inertia about the centre, turned anyhow."""
    rng = np.random.default_rng(seed)
    spots = rng.uniform(-0.02, 0.02, (8, 3)) + np.array([0.03, 0.0, -0.005])  # along, pin, across
    weights = rng.uniform(0.002, 0.02, 8)
    mass, centre = weights.sum(), weights @ spots / weights.sum()
    about_pivot = spots.T @ (weights[:, None] * spots)
    off = spots - centre
    squares = off.T @ (weights[:, None] * off)
    inertia = np.trace(squares) * np.eye(3) - squares
    # MuJoCo's axes: z along the shaft, which is along the arm at angle 0; x outwards, across it; y along the pin
    order = [2, 1, 0]
    turned, full = centre[order], inertia[np.ix_(order, order)]
    six = " ".join(str(full[i, j]) for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)))
    model = mujoco.MjModel.from_xml_string(
        SPINNING_ARM.format(pivot=0.055, lead=0, reach=0, mass=1, across=1, along=1).replace(
            '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>',
            f'<inertial pos="{" ".join(map(str, turned))}" mass="{mass}" fullinertia="{six}"/>',
        )
    )
    body = Body(mass, centre[0], centre[2], about_pivot[0, 0], about_pivot[2, 2], about_pivot[0, 2])
    data = mujoco.MjData(model)
    for angle in rng.uniform(-0.6, 1.2, 5):
        at: Any = SimpleNamespace(angle=np.array([angle]), slope=np.ones(1))  # per radian, so the thrust is a moment
        moment = outward_moment(model, data, 5000 * FROM_RPM, angle)
        slope = inertia_slope(at, 0.055, body)
        assert closing_thrust(5000 * FROM_RPM, slope) == pytest.approx(moment, rel=1e-7)


def test_hartnell_load_by_inverse_dynamics():
    # Sarkar 7.7 with exact pi: 1212.777 N on the sleeve (recomputed), here from two arms of 120 mm over levers of 80 mm
    model, data = spinning_arm(pivot=0.120, lead=0, reach=0.120, mass=3.0, across=1e-15, along=1e-15)
    sleeve = 2 * outward_moment(model, data, 320 * FROM_RPM, 0.0) / 0.080
    assert sleeve == pytest.approx(1212.777, abs=5e-4, rel=0)
    assert closing_thrust(320 * FROM_RPM, weight_slope(6.0, 0.120, 120 / 80)) == pytest.approx(sleeve, rel=1e-9)
