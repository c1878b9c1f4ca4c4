"""Road load, and road speed in a gear range."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from solver.errors import PhysicalRangeError
from solver.ground import Vehicle, resistance

pytestmark = pytest.mark.invariant

VEHICLE = Vehicle(mass=900.0, drag_area=1.6, wheel_radius=0.31, reduction=11.0, driveline_efficiency=0.9)


@given(grade=st.floats(-1, 1), rolling=st.floats(0, 0.5), speed=st.floats(0, 50), area=st.floats(0, 3))
def test_road_load_is_weight_on_a_slope_rolling_and_air(grade, rolling, speed, area):
    # statics of a body on an incline, as vectors: weight along the way plus rolling times weight across it
    way = np.array([1.0, grade]) / np.hypot(1.0, grade)
    along, across = 800 * 9.80665 * way[1], 800 * 9.80665 * way[0]
    expected = along + rolling * across + 0.5 * 1.2 * area * speed**2
    assert resistance(800, rolling, grade, speed, area, 1.2) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"mass": 0.0}, "mass = 0 kg"),
        ({"rolling": -0.1}, "rolling = -0.1 -"),
        ({"drag_area": -1.0}, r"drag_area = -1 m\^2"),
        ({"air_density": -1.0}, r"air_density = -1 kg/m\^3"),
    ],
)
def test_impossible_road_loads_are_refused_with_value_and_input(changed, message):
    fine = {"mass": 800.0, "rolling": 0.05, "grade": 0.1, "speed": 10.0, "drag_area": 1.5, "air_density": 1.2}
    with pytest.raises(PhysicalRangeError, match=message):
        resistance(**{**fine, **changed})


@given(engine=st.floats(100, 1000), ratio=st.floats(0.5, 4), geared=st.floats(0.5, 30))
def test_road_speed_is_that_of_the_rim_of_the_wheel(engine, ratio, geared):
    # engine turns over both reductions are turns of the wheel
    turns = engine / (2 * np.pi) / ratio / geared
    assert VEHICLE.road_speed(engine, ratio, geared) == pytest.approx(turns * 2 * np.pi * 0.31, rel=1e-12)
    assert VEHICLE.road_speed(engine, ratio) == VEHICLE.road_speed(engine, ratio, 11.0)


def test_road_speed_of_draws_and_positions():
    ratio, geared = np.array([3.0, 2.0, 1.0]), np.array([10.0, 12.0])
    together = VEHICLE.road_speed(700.0, ratio, geared)
    assert together.shape == (2, 3)
    for row, one in zip(together, geared, strict=True):
        assert row.tolist() == VEHICLE.road_speed(700.0, ratio, float(one)).tolist()
    several = VEHICLE.road_speed(np.array([[600.0], [700.0]]), ratio)
    assert several[1].tolist() == VEHICLE.road_speed(700.0, ratio).tolist()
