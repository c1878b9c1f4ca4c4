"""Pulling away: the cone clutch, take-up, energy up to lock-up, and whether the belt then grips."""

from dataclasses import replace

import numpy as np
import pytest
import sympy as sp
from scipy.integrate import quad

from solver.engine import EngineCurve
from solver.errors import PhysicalRangeError
from solver.launch import LowGear, StartGround, cone_pull, gripping_torque, launch, slipping_torque, take_up_speed

invariant = pytest.mark.invariant
B13 = np.radians(13)
G = 9.80665
ENGINE = EngineCurve(np.array([200.0, 400, 600, 700, 800]), np.array([50.0, 64, 66, 58, 46]))
STEADY = EngineCurve(np.linspace(100, 900, 5), np.full(5, 55.0))
GEAR = LowGear(
    thrust_per_speed2=0.0093,
    spring=500.0,
    fixed=900.0,
    per_pull=1.45,
    slip_thrust=1.6,
    tight_per_thrust=0.44,
    drive_limit=6.0,
    half_angle=B13,
    kinetic_friction=0.35,
    drive_radius=0.034,
    ratio=2.5,
)
HILL = StartGround(
    mass=700.0,
    drag_area=1.6,
    wheel_radius=0.31,
    reduction=11.0,
    driveline_efficiency=0.9,
    rolling=0.06,
    grade=0.10,
    adhesion=0.8,
    air_density=1.2,
)
FLAT = replace(HILL, drag_area=0.0, rolling=0.0, grade=0.0, driveline_efficiency=1.0)
WINDY = replace(HILL, drag_area=40.0)  # as many sails: drag takes a fifth of the pull at lock-up


@pytest.mark.published
def test_actuating_force_of_a_cone_clutch():
    # Shigley ch. 16, problem of a cone clutch (from memory): D 330 mm, d 306 mm, 60 mm long, f 0.26, 200 N m;
    # uniform wear: 949 N. Its cone is one flank at half angle 90 deg less the cone's own.
    cone = np.arctan(0.012 / 0.060)
    one_flank = cone_pull(949.0, np.pi / 2 - cone, 0.26) / 2
    assert one_flank * (0.330 + 0.306) / 4 == pytest.approx(200, rel=0.6 / 949)


@invariant
def test_friction_along_the_groove_leaves_the_axial_balance_alone():
    # Flank normal and friction as vectors (radial, along, axial); friction turned by `turn` towards the shaft
    b, mu, normal, turn, thrust = sp.symbols("b mu N gamma F", positive=True)
    outward = sp.Matrix([sp.sin(b), 0, sp.cos(b)]) * normal
    rubbing = sp.Matrix([-sp.cos(b) * sp.sin(turn), sp.cos(turn), sp.sin(b) * sp.sin(turn)]) * mu * normal
    assert sp.simplify(outward.dot(rubbing)) == 0
    held = sp.solve(sp.Eq((outward + rubbing)[2].subs(turn, 0), thrust), normal)[0]
    pull = 2 * rubbing[1].subs({turn: 0, normal: held})
    value = float(pull.subs({b: B13, mu: 0.35, thrust: 1000}))
    assert float(cone_pull(1000, B13, 0.35)) == pytest.approx(value, rel=1e-12)
    assert value == pytest.approx(718, abs=0.5)


@invariant
def test_belt_carries_nothing_below_engagement_and_more_with_speed():
    speeds = GEAR.engagement * np.array([0.5, 0.999, 1.2, 1.6, 2.0])
    for carried in (slipping_torque(speeds, GEAR), gripping_torque(speeds, GEAR)):
        assert (carried[:2] == 0).all()
        assert (np.diff(carried[1:]) > 0).all()


@invariant
@pytest.mark.parametrize("capacity", [slipping_torque, gripping_torque])
def test_driven_sheave_limits_unless_its_ramp_alone_holds_the_belt(capacity):
    weak = replace(GEAR, fixed=30.0)
    assert capacity(790.0, weak) == pytest.approx(30.0 / 0.15 * 0.034)
    assert capacity(790.0, replace(weak, per_pull=1.6)) == capacity(790.0, replace(GEAR, fixed=1e9))


@invariant
def test_gripping_torque_is_what_the_drive_limit_leaves():
    thrust = 0.0093 * 600**2 - 500
    tight, slack = 0.44 * thrust, 0.44 * thrust / 6
    assert gripping_torque(600.0, GEAR) == pytest.approx((tight - slack) * 0.034, rel=1e-12)


@invariant
@pytest.mark.parametrize("share", [0.25, 0.5, 1.0])
def test_take_up_is_the_first_speed_that_carries_the_engine(share):
    speed = take_up_speed(GEAR, ENGINE, share)
    assert slipping_torque(speed, GEAR) == pytest.approx(share * float(ENGINE.at(speed)), rel=1e-9)
    below = np.linspace(GEAR.engagement, speed * (1 - 1e-6), 5000)
    assert (slipping_torque(below, GEAR) < share * ENGINE.at(below)).all()


@invariant
def test_take_up_of_a_steady_engine_in_closed_form():
    thrust = 55.0 / 0.034 * np.cos(B13) / (2 * 0.35)
    assert take_up_speed(GEAR, STEADY) == pytest.approx(np.sqrt((500 + thrust) / 0.0093), rel=1e-12)


@invariant
def test_more_spring_takes_up_later_and_less_torque_earlier():
    springs = [take_up_speed(replace(GEAR, spring=k), ENGINE) for k in (0.0, 400.0, 700.0, 1000.0)]
    shares = [take_up_speed(GEAR, ENGINE, share) for share in (0.01, 0.25, 0.5, 1.0)]
    assert (np.diff(springs) > 0).all()
    assert (np.diff(shares) > 0).all()
    assert GEAR.engagement < shares[0]


@invariant
@pytest.mark.parametrize("gear", [replace(GEAR, fixed=1.0), replace(GEAR, spring=1e5)])
def test_belt_that_never_carries_the_engine_never_locks_up(gear):
    start = launch(gear, HILL, ENGINE)
    assert take_up_speed(gear, ENGINE) == np.inf
    assert start.take_up_speed == start.lock_up_speed == start.time == start.slip_heat == start.grips_at == np.inf
    assert start.torque == 0
    assert start.slips_on
    assert not start.moves


@invariant
def test_a_belt_too_slippery_to_take_up_may_grip_all_the_same():
    """Gripping asks for flank friction at rest, which the slip limit holds: kinetic friction plays no part in it."""
    slippery = replace(GEAR, kinetic_friction=0.02)
    start, usual = launch(slippery, HILL, ENGINE), launch(GEAR, HILL, ENGINE)
    assert start.take_up_speed == np.inf
    assert usual.slips_on
    assert start.grips_at == pytest.approx(usual.grips_at, rel=1e-9)


def stepped(gear, ground, start, steps=20_000):
    """Engine work less work at the driven shaft, and time, by small steps of the motion itself."""
    shaft_per_road = ground.reduction / ground.wheel_radius
    pull = start.torque * gear.ratio * shaft_per_road * ground.driveline_efficiency
    slope = np.arctan(ground.grade)
    holding = ground.mass * G * (ground.rolling * np.cos(slope) + np.sin(slope))

    def gain(v):
        return (pull - holding - 0.5 * ground.air_density * ground.drag_area * v * v) / ground.mass

    dt = start.time / steps
    v = work = 0.0
    for _ in range(steps):
        middle = v + 0.5 * dt * gain(v)
        work += start.torque * (start.take_up_speed - gear.ratio * shaft_per_road * middle) * dt
        v += dt * gain(middle)
    return v, work


@invariant
@pytest.mark.parametrize("share", [0.4, 1.0])
@pytest.mark.parametrize("ground", [HILL, FLAT, WINDY, replace(HILL, grade=-0.3), replace(HILL, adhesion=0.25)])
def test_heat_is_engine_work_less_work_at_the_driven_shaft(ground, share):
    start = launch(GEAR, ground, ENGINE, share)
    assert start.moves
    speed, heat = stepped(GEAR, ground, start)
    assert speed == pytest.approx(start.lock_up_speed, rel=1e-6)
    assert heat == pytest.approx(start.slip_heat, rel=1e-6)
    assert start.lock_up_speed / 0.31 * 11 * 2.5 == pytest.approx(start.take_up_speed, rel=1e-12)


@invariant
def test_time_and_heat_in_wind_as_integrals_over_road_speed():
    start = launch(GEAR, WINDY, ENGINE)
    geared = 2.5 * 11 / 0.31
    slope = np.arctan(0.10)
    surplus = start.torque * geared * 0.9 - 700 * G * (0.06 * np.cos(slope) + np.sin(slope))
    time = quad(lambda v: 700 / (surplus - 24 * v * v), 0, start.lock_up_speed)[0]
    heat = quad(
        lambda v: start.torque * (start.take_up_speed - geared * v) * 700 / (surplus - 24 * v * v),
        0,
        start.lock_up_speed,
    )[0]
    assert start.time == pytest.approx(time, rel=1e-10)
    assert start.slip_heat == pytest.approx(heat, rel=1e-10)


@invariant
def test_on_the_flat_half_of_the_engine_work_turns_to_heat_and_half_to_motion():
    start = launch(GEAR, FLAT, STEADY)
    assert start.slip_heat == pytest.approx(0.5 * 55.0 * start.take_up_speed * start.time, rel=1e-9)
    assert start.slip_heat == pytest.approx(0.5 * 700.0 * start.lock_up_speed**2, rel=1e-9)


@invariant
def test_vanishing_drag_meets_none():
    calm, breath = (launch(GEAR, replace(HILL, drag_area=area), ENGINE) for area in (0.0, 1e-9))
    assert breath.time == pytest.approx(calm.time, rel=1e-9)
    assert breath.slip_heat == pytest.approx(calm.slip_heat, rel=1e-9)


@invariant
@pytest.mark.parametrize("ground", [replace(HILL, grade=1.5, adhesion=3.0), replace(HILL, drag_area=1e3)])
def test_without_enough_pull_lock_up_is_not_reached(ground):
    start = launch(GEAR, ground, ENGINE)
    assert not start.moves
    assert start.time == start.slip_heat == np.inf
    assert np.isfinite(start.take_up_speed)


@invariant
def test_tyres_that_slip_hold_the_torque_of_the_belt():
    ice = replace(HILL, adhesion=0.2)
    firm, slippery = (launch(GEAR, ground, ENGINE) for ground in (replace(HILL, adhesion=5.0), ice))
    assert not firm.tyres_slip
    assert slippery.tyres_slip
    adhesion_force = 0.2 * 700 * G * np.cos(np.arctan(0.10))
    assert slippery.torque * 2.5 * 11 / 0.31 * 0.9 == pytest.approx(adhesion_force, rel=1e-9)
    assert slipping_torque(slippery.take_up_speed, GEAR) == pytest.approx(slippery.torque, rel=1e-9)
    assert slippery.take_up_speed < firm.take_up_speed
    assert not launch(GEAR, ice, ENGINE, 0.2).tyres_slip  # a light foot
    assert not launch(GEAR, replace(HILL, adhesion=0.05), ENGINE).moves  # the hill asks for more


@invariant
def test_belt_that_grips_less_than_it_carried_slips_on_to_where_it_grips():
    start = launch(GEAR, HILL, STEADY, 0.5)
    assert start.slips_on
    gripping = 27.5 / 0.034 / (0.44 * (1 - 1 / 6))
    assert start.grips_at == pytest.approx(np.sqrt((500 + gripping) / 0.0093), rel=1e-12)
    assert launch(replace(GEAR, drive_limit=1.0), HILL, ENGINE).grips_at == np.inf


@invariant
def test_belt_grips_at_once_where_the_drive_sheave_has_thrust_to_spare():
    firm = replace(GEAR, tight_per_thrust=1.2)  # a wide groove
    start = launch(firm, HILL, ENGINE)
    assert not start.slips_on
    assert start.grips_at == start.take_up_speed


@invariant
def test_a_driven_sheave_that_limits_holds_as_much_slipping_as_gripping():
    limited = replace(
        GEAR, fixed=50.0 / 0.034 * 0.15, tight_per_thrust=1.2
    )  # 50 N m, met where torque has fallen so far
    start = launch(limited, replace(HILL, adhesion=5.0), ENGINE)
    assert start.torque == pytest.approx(50.0, rel=1e-9)
    assert start.take_up_speed > 700
    assert not start.slips_on


@invariant
@pytest.mark.parametrize(
    ("record", "field", "value"),
    [
        *((GEAR, name, -1.0) for name in ("thrust_per_speed2", "spring", "fixed", "tight_per_thrust", "drive_radius")),
        *((GEAR, name, -1.0) for name in ("kinetic_friction", "ratio")),
        (GEAR, "drive_limit", 0.9),
        (GEAR, "half_angle", 1.0),
        *((HILL, name, -1.0) for name in ("mass", "drag_area", "wheel_radius", "reduction", "rolling", "air_density")),
        (HILL, "driveline_efficiency", 1.1),
        (HILL, "adhesion", 0.0),
    ],
)
def test_numbers_that_nothing_can_have_are_refused(record, field, value):
    with pytest.raises(PhysicalRangeError, match=field):
        replace(record, **{field: value})


@invariant
def test_shares_and_thrusts_out_of_range_are_refused():
    for share in (0.0, 1.1):
        with pytest.raises(PhysicalRangeError, match="share"):
            launch(GEAR, HILL, ENGINE, share)
    with pytest.raises(PhysicalRangeError, match="most"):
        take_up_speed(GEAR, ENGINE, most=0.0)
    for thrust, angle, friction, name in ((-1, 0.2, 0.3, "thrust"), (1, 1.6, 0.3, "half_angle"), (1, 0.2, -1, "fric")):
        with pytest.raises(PhysicalRangeError, match=name):
            cone_pull(thrust, angle, friction)
