"""Belt losses: signs, proportions, and the trends that Childs and Cowburn measured."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from solver.belt_path import ShiftPath
from solver.errors import PhysicalRangeError
from solver.losses import BeltLosses, belt_loss, loss_by_sheave, slip_power, speed_loss

RIGID = 1e30  # takes stretch or wedging out
SEAT = 1.25
TENSIONS = {"slack": st.floats(1, 3000), "pull": st.floats(0, 2000)}
BELT = BeltLosses(bending=0.75, wedging=0.011, stretch_stiffness=160e3, wedge_stiffness=60e6)


def pair(drive, driven=None):
    """Two sheaves at one position; losses read radii only."""
    here, radii = np.zeros(1), (np.array([drive]), np.array([driven or drive]))
    return ShiftPath(here, *radii, here + np.pi, here + np.pi, here, here)


@pytest.mark.published
def test_speed_loss_goes_with_one_over_radius_squared():
    # Childs and Cowburn 1987 (abstract), equal pulleys of 51 and 21 mm: trend 1/R^2, so 5.90 times;
    # the trend is that of radial penetration, so the stretch of the cord is left out
    belt = BeltLosses(0.75, 0.011, RIGID, 60e6)
    large, small = (speed_loss(600, 200, pair(r), SEAT, belt) for r in (0.051, 0.021))
    assert small / large == pytest.approx((51 / 21) ** 2, rel=1e-9)


@pytest.mark.published
def test_torque_loss_goes_with_one_over_radius():
    # Childs and Cowburn 1987 (abstract): trend 1/R, so 2.43 times from 51 to 21 mm. The text does not
    # say whether as a moment or as a share; bending makes it the share of torque lost at one belt pull.
    belt = BeltLosses(0.75, 0.0, RIGID, RIGID)
    large, small = (belt_loss(600, 200, 15.0, pair(r), SEAT, belt) / (400 * 15.0) for r in (0.051, 0.021))
    assert small / large == pytest.approx(51 / 21, rel=1e-9)


@pytest.mark.invariant
def test_the_belt_bends_on_both_sheaves():
    # bending alone, at 15 m/s: 0.75 N m of curvature 1/R on each sheave, whichever is the larger
    belt = BeltLosses(0.75, 0.0, RIGID, RIGID)
    for path in (pair(0.04, 0.12), pair(0.12, 0.04)):
        assert belt_loss(600, 200, 15.0, path, SEAT, belt) == pytest.approx(0.75 * 15 * (1 / 0.04 + 1 / 0.12), rel=1e-9)


@pytest.mark.invariant
def test_all_losses_together_grow_on_small_sheaves_between_the_two_trends():
    large, small = (belt_loss(600, 200, 15.0, pair(r), SEAT, BELT) for r in (0.051, 0.021))
    assert 1 < small / large < (51 / 21) ** 2


@pytest.mark.invariant
@given(speed=st.floats(0.1, 60), factor=st.floats(0.1, 10), **TENSIONS)
def test_lost_power_is_positive_and_goes_with_belt_speed(slack, pull, speed, factor):
    path = pair(0.05, 0.11)
    once = belt_loss(slack + pull, slack, speed, path, SEAT, BELT)
    assert once > 0
    assert belt_loss(slack + pull, slack, factor * speed, path, SEAT, BELT) == pytest.approx(factor * once, rel=1e-12)


@pytest.mark.invariant
@given(more=st.floats(1, 2000), **TENSIONS)
def test_more_tension_at_one_pull_loses_more(slack, pull, more):
    # low gear: the drive sheave is the smaller one, so the tight strand sinks deeper the more it is tensioned
    path = pair(0.04, 0.12)
    tight = slack + pull
    less, most = (belt_loss(tight + t, slack + t, 20.0, path, SEAT, BELT) for t in (0, more))
    assert most > less


@pytest.mark.invariant
@given(**TENSIONS)
def test_slip_is_a_share_of_the_power_carried(slack, pull):
    belt = BeltLosses(0.0, 0.0, 160e3, 60e6)
    path, speed = pair(0.05, 0.09), 18.0
    share = speed_loss(slack + pull, slack, path, SEAT, belt)
    assert share >= 0
    slipping = slip_power(slack + pull, slack, speed, path, SEAT, belt)
    assert slipping == pytest.approx(share * pull * speed, rel=1e-9)
    assert belt_loss(slack + pull, slack, speed, path, SEAT, belt) == pytest.approx(slipping, rel=1e-12)


@pytest.mark.invariant
@given(speed=st.floats(0.1, 60), drive=st.floats(0.03, 0.15), driven=st.floats(0.03, 0.15), **TENSIONS)
def test_losses_of_the_sheaves_are_the_belt_loss(slack, pull, speed, drive, driven):
    state = slack + pull, slack, speed, pair(drive, driven), SEAT, BELT
    shares = loss_by_sheave(*state)
    assert shares[0] + shares[1] == belt_loss(*state)
    # by hand, the three kinds apart: bending over each radius, wedging at each entry, slip half each
    slipping = slip_power(*state)
    whole = 0.75 * speed * (1 / drive + 1 / driven) + 0.011 * speed * (2 * slack + pull) + slipping
    assert belt_loss(*state) == pytest.approx(whole, rel=1e-12)
    assert shares[0] == pytest.approx(speed * (0.75 / drive + 0.011 * (slack + pull)) + slipping / 2, rel=1e-12)
    assert shares[1] == pytest.approx(speed * (0.75 / driven + 0.011 * slack) + slipping / 2, rel=1e-12)


@pytest.mark.invariant
def test_the_smaller_sheave_and_the_tighter_entry_lose_more():
    # in low gear the drive sheave is the smaller one and has the tight strand run in
    small, large = loss_by_sheave(900, 300, 20.0, pair(0.04, 0.12), SEAT, BELT)
    assert small > large
    bent = BeltLosses(0.75, 0.0, RIGID, RIGID)
    assert np.divide(*loss_by_sheave(900, 300, 20.0, pair(0.04, 0.12), SEAT, bent)) == pytest.approx(3, rel=1e-9)
    wedged = BeltLosses(0.0, 0.011, RIGID, RIGID)
    assert np.divide(*loss_by_sheave(900, 300, 20.0, pair(0.04, 0.12), SEAT, wedged)) == pytest.approx(3, rel=1e-9)


@pytest.mark.invariant
def test_losses_of_draws_are_those_of_each_alone():
    radii = np.array([[0.04, 0.06, 0.09], [0.038, 0.061, 0.092]])
    here = np.zeros(3)
    tight, slack = np.array([900.0, 800, 700]) + np.zeros((2, 4, 3)), np.array([300.0, 250, 200]) + np.zeros((2, 4, 3))
    path = ShiftPath(here, radii, 0.15 - radii, here, here, here, here)
    seat, bending, wedging = np.array([1.2, 1.3]), np.array([0.7, 0.8]), np.array([0.01, 0.02])
    together = loss_by_sheave(tight, slack, 20.0, path, seat, BeltLosses(bending, wedging, 160e3, np.array([6e7, 5e7])))
    for one, stiff in enumerate((6e7, 5e7)):
        alone = loss_by_sheave(
            tight[one], slack[one], 20.0, ShiftPath(here, radii[one], 0.15 - radii[one], here, here, here, here),
            float(seat[one]), BeltLosses(float(bending[one]), float(wedging[one]), 160e3, stiff),
        )  # fmt: skip
        for several, single in zip(together, alone, strict=True):
            assert several.shape == (2, 4, 3)
            assert several[one] == pytest.approx(single, rel=1e-14)


@pytest.mark.invariant
@given(slack=st.floats(1, 3000), radius=st.floats(0.03, 0.15))
def test_equal_sheaves_without_pull_do_not_slip(slack, radius):
    assert speed_loss(slack, slack, pair(radius), SEAT, BELT) == pytest.approx(0, abs=1e-15)


@pytest.mark.invariant
def test_speed_loss_is_never_a_gain():
    # in high gear without pull the drive sheave is the larger one and its strand sinks less
    assert speed_loss(900, 900, pair(0.12, 0.05), SEAT, BELT) == 0


@pytest.mark.invariant
@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((-1, 0.01, 1e5, 1e7), "bending loss = -1 N m"),
        ((0.7, 0.2, 1e5, 1e7), "wedging loss = 0.2 -"),
        ((0.7, 0.01, 0, 1e7), "stretch_stiffness = 0 N "),
        ((0.7, 0.01, 1e5, -1), r"wedge_stiffness = -1 N/m\^2"),
    ],
)
def test_impossible_coefficients_are_refused(values, message):
    with pytest.raises(PhysicalRangeError, match=message):
        BeltLosses(*values)
