"""Belt life as a relative figure."""

import pytest

from solver.belt_life import belt_temperature, wear_rate
from solver.errors import PhysicalRangeError


@pytest.mark.published
def test_life_halves_every_ten_degrees():
    # Shepherd, Hot and cold running belts, Power Transmission Design, Oct 1992: belt life halves per 10 C of belt
    cold, warm = (wear_rate(2000.0, 30.0, t, 4000.0) for t in (330.0, 340.0))
    assert warm / cold == pytest.approx(2, rel=1e-12)


@pytest.mark.published
def test_ten_per_cent_more_tension_cuts_life_to_a_third():
    # Shigley Table 17-16 exponents 10.9 to 12.6 (from memory): life 0.30 to 0.35 at 10 % more peak tension
    ratio = wear_rate(2000.0, 30.0, 330.0, 4000.0) / wear_rate(2200.0, 30.0, 330.0, 4000.0)
    assert 0.30 < ratio < 0.36


@pytest.mark.invariant
def test_temperature_rises_with_loss_alone():
    assert belt_temperature(0.0, 280.0, 50.0) == 280.0
    assert belt_temperature(3000.0, 280.0, 50.0) == pytest.approx(340.0)
    with pytest.raises(PhysicalRangeError, match="conductance"):
        belt_temperature(1.0, 280.0, 0.0)
