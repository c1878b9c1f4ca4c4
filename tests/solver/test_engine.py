"""The engine curve between its dyno points, and the air: monotone, consistent, hydrostatic."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import minimize_scalar

from solver.engine import EngineCurve, air_correction, standard_atmosphere, torque_factor
from solver.errors import PhysicalRangeError

pytestmark = pytest.mark.invariant

TORQUES = st.lists(st.floats(5, 200), min_size=4, max_size=12)


def curve_of(torques):
    return EngineCurve(np.linspace(200, 900, len(torques)), np.array(torques))


@given(torques=TORQUES)
def test_curve_goes_through_its_points_and_adds_no_bumps(torques):
    curve = curve_of(torques)
    assert curve.at(curve.speed) == pytest.approx(curve.torque, abs=0.02)  # read linearly from a grid of 0.5 rad/s
    for here in range(len(torques) - 1):
        between = curve.at(np.linspace(curve.speed[here] + 0.6, curve.speed[here + 1] - 0.6, 50))
        low, high = sorted(torques[here : here + 2])
        assert (between >= low * (1 - 1e-12)).all()
        assert (between <= high * (1 + 1e-12)).all()


@given(torques=TORQUES, factor=st.floats(0.5, 1.2), speed=st.floats(50, 1500))
def test_air_scales_the_whole_curve(torques, factor, speed):
    curve = curve_of(torques)
    assert curve.scaled(factor).at(speed) == pytest.approx(factor * curve.at(speed), rel=1e-12)
    assert curve.scaled(factor).peak_power == pytest.approx(factor * curve.peak_power, rel=1e-9)


def test_factors_of_draws_scale_torque_slope_and_peak_power():
    curve, factors = curve_of([38.0, 52, 61, 66, 67, 63, 52, 36]), np.array([0.8, 0.9, 1.0])
    several, speed = curve.scaled(factors), np.linspace(150, 950, 40)
    for own, whole in zip(several.torque_and_slope(speed[None]), curve.torque_and_slope(speed), strict=True):
        assert own == pytest.approx(factors[:, None] * whole, rel=1e-12)
    assert several.peak_power == pytest.approx(factors * curve.peak_power)
    assert several.peak_power_speed == curve.peak_power_speed
    assert several.at(700.0) == pytest.approx(factors * curve.at(700.0))


@given(torques=TORQUES, low=st.floats(20, 700), width=st.floats(1, 800), share=st.floats(0, 1))
def test_torque_is_linear_between_nodes(torques, low, width, share):
    curve = curve_of(torques)
    nodes = curve.nodes(low, low + width)
    assert (nodes[0], nodes[-1]) == (low, low + width)
    assert (np.diff(nodes) >= 0).all()
    before, after = nodes[:-1], nodes[1:]
    between = curve.at(before) + share * (curve.at(after) - curve.at(before))
    assert curve.at(before + share * (after - before)) == pytest.approx(between, rel=1e-9)


@given(torques=TORQUES)
def test_no_speed_gives_more_than_peak_power(torques):
    curve = curve_of(torques)
    speed = np.linspace(curve.speed[0], curve.speed[-1], 20001)
    assert (curve.at(speed) * speed).max() <= curve.peak_power * (1 + 1e-4)  # read linearly from a grid of 0.5 rad/s
    assert curve.speed[0] <= curve.peak_power_speed <= curve.speed[-1]


@given(torques=TORQUES)
def test_peak_is_the_best_that_a_minimizer_finds_in_any_piece(torques):
    curve = curve_of(torques)
    torque = PchipInterpolator(curve.speed, curve.torque)
    ends = zip(curve.speed[:-1], curve.speed[1:], strict=True)
    found = [
        minimize_scalar(lambda w: -w * torque(w), bounds=b, method="bounded", options={"xatol": 1e-6}) for b in ends
    ]
    most = max(-min(one.fun for one in found), (curve.speed * curve.torque).max())
    best = curve.peak_power_speed
    assert best * torque(best) == pytest.approx(most, rel=1e-12)
    assert curve.peak_power == pytest.approx(most, rel=1e-4)


def test_peak_of_a_falling_line_is_where_its_parabola_has_it():
    # w (a - b w) is greatest at a / 2b, and a monotone cubic through points of a line is that line
    speed = np.array([210.0, 330, 470, 600, 740, 900])
    for a, b in ((340.0, 0.29), (300.0, 0.25), (250.0, 0.26)):
        curve = EngineCurve(speed, a - b * speed)
        assert curve.peak_power_speed == pytest.approx(a / (2 * b), rel=1e-12)
        assert curve.peak_power == pytest.approx(a**2 / (4 * b), rel=1e-9)
    assert EngineCurve(speed, np.full(6, 60.0)).peak_power_speed == 900  # power rises to the last point
    assert EngineCurve(speed, 1e5 / speed**2).peak_power_speed == 210  # and falls from the first


def test_peak_of_a_parabola_of_torque_is_found_between_its_points():
    # T = 60 - (w - 500)^2 / 8000 at its points; d(w T)/dw = 0 is a quadratic
    speed = np.linspace(250, 850, 61)
    torque = 60 - (speed - 500) ** 2 / 8000
    exact = max(np.roots([-3 / 8000, 2 * 1000 / 8000, 60 - 500**2 / 8000]))
    assert EngineCurve(speed, torque).peak_power_speed == pytest.approx(exact, abs=0.1)


@given(torques=TORQUES)
def test_end_torque_holds_outside_the_points(torques):
    curve = curve_of(torques)
    assert curve.at([0.0, 100, 199]) == pytest.approx(torques[0])
    assert curve.at([901.0, 2000]) == pytest.approx(torques[-1])


def test_slope_is_that_of_the_torque_read():
    curve = curve_of([38.0, 52, 61, 66, 67, 63, 52, 36])
    speed = np.linspace(205.03, 895.07, 211)
    step = 1e-4
    rise = (curve.at(speed + step) - curve.at(speed - step)) / (2 * step)
    assert curve.torque_and_slope(speed)[1] == pytest.approx(rise, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("speed", [100.0, 1500.0])
def test_slope_is_zero_where_torque_is_held(speed):
    assert curve_of([38.0, 52, 61, 40]).torque_and_slope(np.array([speed]))[1] == 0


@given(pressure=st.floats(6e4, 1.05e5), temperature=st.floats(230, 320), more=st.floats(1.001, 1.1))
def test_thin_or_warm_air_takes_power(pressure, temperature, more):
    here = air_correction(pressure, temperature)
    assert air_correction(pressure * more, temperature) > here
    assert air_correction(pressure, temperature * more) < here


@given(pressure=st.floats(6e4, 1.05e5), temperature=st.floats(230, 320))
def test_an_engine_without_boost_takes_the_air_as_it_is(pressure, temperature):
    assert torque_factor(pressure, temperature) == air_correction(pressure, temperature)


@given(altitude=st.floats(0, 5000), below=st.floats(0, 1), above=st.floats(1, 5000))
def test_boost_holds_power_to_its_altitude_and_no_higher(altitude, below, above):
    def factor(height):
        return torque_factor(*standard_atmosphere(height)[:2], altitude)

    assert factor(altitude) == factor(below * altitude) == 1
    assert 0 < factor(altitude + above) < 1
    without = [torque_factor(*standard_atmosphere(height)[:2]) for height in (altitude + above, altitude)]
    assert factor(altitude + above) == pytest.approx(without[0] / without[1], rel=1e-12)


def test_boost_holds_less_high_on_a_hot_day():
    pressure, temperature, _ = standard_atmosphere(2000.0)
    assert torque_factor(pressure, temperature + 20, 2000.0) < 1 == torque_factor(pressure, temperature - 20, 2000.0)


def test_torque_factors_of_draws_are_those_of_each_alone():
    pressure, temperature = np.array([6.5e4, 8e4, 9.9e4]), np.array([270.0, 290, 310])
    altitude = np.array([1500.0, 2500, 3500])
    for heights in (altitude, 2500.0):
        together = torque_factor(pressure, temperature, heights)
        each = zip(pressure, temperature, np.broadcast_to(heights, 3), strict=True)
        assert together.tolist() == [float(torque_factor(*one)) for one in each]
    assert torque_factor(6.5e4, 270.0, altitude).shape == (3,)


@given(height=st.floats(-490, 10_990))
def test_atmosphere_is_in_hydrostatic_balance(height):
    # dp = -rho g dh, with the density of the ideal gas
    step = 1.0
    above, here, below = (standard_atmosphere(height + way * step) for way in (1, 0, -1))
    pressure, temperature, density = here
    assert (above[0] - below[0]) / (2 * step) == pytest.approx(-density * 9.80665, rel=1e-6)
    assert pressure == pytest.approx(density * 287.05287 * temperature, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: EngineCurve(np.array([1.0, 2, 3]), np.ones(3)), "number of dyno points = 3"),
        (lambda: EngineCurve(np.array([1.0, 2, 2, 3]), np.ones(4)), "step of dyno speed = 0 rad/s"),
        (lambda: EngineCurve(np.array([1.0, 2, 3, 4]), np.array([1.0, 1, 0, 1])), "torque = 0 N m"),
        (lambda: curve_of([38.0, 52, 61, 40]).scaled(np.array([0.9, 0.0])), "torque factor = 0 -"),
        (lambda: air_correction(0.0, 288), "dry_pressure = 0 Pa"),
        (lambda: standard_atmosphere(12_000), "altitude = 12000 m"),
        (lambda: torque_factor(9e4, 0.0), "temperature = 0 K"),
        (lambda: torque_factor(9e4, 288, 12_000), "altitude = 12000 m"),
    ],
)
def test_impossible_engines_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
