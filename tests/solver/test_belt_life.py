"""Belt heat and wear as relative figures: published trends, limits, and what counts where nothing wears."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from solver.belt_life import belt_temperature, conductance, fatigue_rate, relative_life, slip_wear_rate, warmth
from solver.errors import PhysicalRangeError

RATES = st.floats(1e-6, 1e6)


@pytest.mark.published
def test_life_halves_every_ten_degrees():
    # Shepherd, Hot and cold running belts, Power Transmission Design, Oct 1992: belt life halves per 10 C of belt
    cold, warm, hot = warmth([330.0, 340.0, 350.0])
    assert warm / cold == pytest.approx(2, rel=1e-12)
    assert hot / warm == pytest.approx(2, rel=1e-12)


@pytest.mark.published
def test_ten_per_cent_more_tension_cuts_life_to_a_third():
    # Shigley Table 17-16 exponents 10.9 to 12.6 (from memory): life 0.30 to 0.35 at 10 % more peak tension
    ratio = fatigue_rate(2000.0, 30.0, 4000.0) / fatigue_rate(2200.0, 30.0, 4000.0)
    assert 0.30 < ratio < 0.36


@pytest.mark.invariant
def test_fatigue_is_that_of_the_belt_speed_at_rated_tension_and_sixty_degrees():
    assert fatigue_rate(4000.0, 30.0, 4000.0) == pytest.approx(30.0, rel=1e-12)
    assert fatigue_rate(4000.0, 60.0, 4000.0) == pytest.approx(60.0, rel=1e-12)
    assert warmth(333.15) == pytest.approx(1, rel=1e-12)


@pytest.mark.invariant
def test_a_belt_that_any_model_has_burnt_still_wears_at_a_finite_rate():
    assert np.isfinite(warmth([1e5, 1e9]) * fatigue_rate(40_000.0, 300.0, 4000.0)).all()
    assert (np.diff(warmth(np.linspace(250.0, 700.0, 50))) > 0).all()


@pytest.mark.invariant
def test_fatigue_of_draws_meets_their_own_rating():
    together = fatigue_rate(np.array([[1000.0, 2000], [1000.0, 2000]]), 30.0, np.array([4000.0, 5000]))
    for number, rated in enumerate((4000.0, 5000.0)):
        assert together[number].tolist() == fatigue_rate(np.array([1000.0, 2000]), 30.0, rated).tolist()


@pytest.mark.invariant
def test_temperature_rises_with_loss_alone():
    assert belt_temperature(0.0, 280.0, 50.0) == 280.0
    assert belt_temperature(3000.0, 280.0, 50.0) == pytest.approx(340.0)
    with pytest.raises(PhysicalRangeError, match="conductance"):
        belt_temperature(1.0, 280.0, 0.0)


@pytest.mark.published
def test_cooling_goes_with_speed_as_turbulent_convection():
    # Dittus and Boelter 1930 (from memory): Nu ~ Re^0.8, so ten times the speed cools 10^0.8 = 6.3096 times as much
    assert conductance(50.0, 4000.0, 400.0) == pytest.approx(50 * 6.3096, rel=1e-5)


@pytest.mark.invariant
@given(cooling=st.floats(1, 1e4), speed=st.floats(10, 2000), stated=st.floats(10, 2000))
def test_cooling_is_as_stated_at_the_stated_speed(cooling, speed, stated):
    assert conductance(cooling, stated, stated) == cooling
    assert conductance(cooling, speed) == cooling  # stated for no speed: the same at all
    there = conductance(cooling, speed, stated)
    assert conductance(float(there), stated, speed) == pytest.approx(cooling, rel=1e-12)  # there and back


@pytest.mark.invariant
def test_cooling_of_draws_is_that_of_each_alone():
    cooling, speed, stated = np.array([40.0, 60]), np.array([700.0, 800]), np.array([650.0, 850])
    for draws in ((cooling, speed, stated), (cooling, 700.0, None), (40.0, speed, 650.0), (40.0, 700.0, stated)):
        each = [[None if v is None else float(np.broadcast_to(v, 2)[one]) for v in draws] for one in (0, 1)]
        assert conductance(*draws).tolist() == [float(conductance(*one)) for one in each]
    grounds = conductance(cooling, np.array([[700.0, 750, 800], [710.0, 760, 810]]), stated)
    assert grounds[1, 2] == conductance(60.0, 810.0, 850.0)


@pytest.mark.invariant
@given(power=st.floats(1e-3, 1e4), reserve=st.floats(0.02, 10), factor=st.floats(0.1, 10))
def test_slip_wear_is_friction_power_grown_by_the_nearness_of_the_limit(power, reserve, factor):
    wear = slip_wear_rate(power, reserve)
    assert wear == pytest.approx(power * (1 + reserve) / reserve, rel=1e-12)
    assert slip_wear_rate(factor * power, reserve) == pytest.approx(factor * wear, rel=1e-12)


@pytest.mark.invariant
@given(reserves=st.lists(st.floats(-1, 50), min_size=2, max_size=10))
def test_less_reserve_never_wears_less(reserves):
    rising = np.sort(reserves)
    assert (np.diff(slip_wear_rate(100.0, rising)) <= 0).all()


@pytest.mark.invariant
def test_slip_wear_stays_finite_at_the_limit_and_is_bare_friction_power_far_from_it():
    assert slip_wear_rate(100.0, [0.02, 0.0, -0.5]) == pytest.approx([5100.0] * 3)
    assert slip_wear_rate(100.0, np.inf) == 100.0
    assert slip_wear_rate(0.0, 0.0) == 0.0


@pytest.mark.invariant
@given(fatigue=RATES, slip=RATES, more=st.floats(1, 100))
def test_life_is_one_for_the_reference_and_falls_with_either_wear(fatigue, slip, more):
    assert relative_life(fatigue, slip, fatigue, slip) == 1
    assert relative_life(more * fatigue, more * slip, fatigue, slip) == pytest.approx(1 / more, rel=1e-12)
    for kit in ((more * fatigue, slip), (fatigue, more * slip)):
        assert relative_life(*kit, fatigue, slip) == pytest.approx(2 / (1 + more), rel=1e-12)


@pytest.mark.invariant
@pytest.mark.parametrize(
    ("kit", "reference", "life"),
    [
        ((4.0, 0.0), (4.0, 0.0), 1.0),  # neither slips: equals in that half
        ((12.0, 0.0), (4.0, 0.0), 0.5),
        ((4.0, 1e-9), (4.0, 0.0), 0.0),  # it alone slips
        ((4.0, 0.0), (4.0, 5.0), 2.0),  # the other alone slips
        ((0.0, 0.0), (4.0, 5.0), np.inf),
        ((0.0, 0.0), (0.0, 0.0), 1.0),
    ],
)
def test_life_is_defined_where_a_kind_of_wear_is_nought(kit, reference, life):
    assert relative_life(*kit, *reference) == life


@pytest.mark.invariant
def test_life_of_draws_meets_their_own_reference():
    fatigue, slip = np.array([[1.0, 2, 3], [4.0, 5, 6]]), np.array([[9.0, 8, 7], [6.0, 5, 4]])
    together = relative_life(fatigue, slip, np.array([2.0, 5]), np.array([8.0, 0]))
    assert together[0].tolist() == relative_life(fatigue[0], slip[0], 2.0, 8.0).tolist()
    assert together[1].tolist() == relative_life(fatigue[1], slip[1], 5.0, 0.0).tolist() == [0, 0, 0]
    assert together[0, 1] == 1


@pytest.mark.invariant
@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: conductance(0.0, 700.0), "belt_cooling = 0 W/K"),
        (lambda: conductance(50.0, 0.0), "speed = 0 rad/s"),
        (lambda: conductance(50.0, 700.0, -1.0), "stated_speed = -1 rad/s"),
        (lambda: fatigue_rate(-1.0, 30.0, 4000.0), "tight_tension = -1 N"),
        (lambda: fatigue_rate(1.0, 30.0, 0.0), "rated_tension = 0 N"),
        (lambda: slip_wear_rate(-1.0, 0.5), "slip_power = -1 W"),
        (lambda: relative_life(-1.0, 1.0, 1.0, 1.0), "fatigue = -1 m/s"),
        (lambda: relative_life(1.0, 1.0, 1.0, -1.0), "reference_slip_wear = -1 W"),
    ],
)
def test_impossible_wear_is_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
