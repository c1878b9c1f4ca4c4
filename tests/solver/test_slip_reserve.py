"""Slip reserve of both sheaves, and the least tensions that keep a wanted one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from solver.balance import DrivenSide, least_tensions, slip_reserves, tensions
from solver.grip import held_thrust, slack_tension

pytestmark = pytest.mark.invariant

BELTS = pytest.mark.parametrize("bushes", ["belt", "rough"])  # of the machine: without friction of bushes, and with


@BELTS
@given(share=st.floats(0, 0.99), pull=st.floats(50, 3000))
def test_slip_reserve_is_zero_where_the_thrust_is_the_slip_thrust(machine, bushes, share, pull):
    belt = getattr(machine, bushes)
    ramp = share * belt.slip_thrust
    driven = DrivenSide((belt.slip_thrust - ramp) * pull, ramp)
    assert slip_reserves(driven, pull, 1e9, belt).driven == pytest.approx(np.zeros(24), abs=1e-9)
    slack = slack_tension(belt.slip_thrust * pull, pull, belt)
    assert (slack + pull) / slack == pytest.approx(belt.driven_limit, rel=1e-9)  # the tensions stand at the limit ratio
    lighter = DrivenSide(driven.fixed * 0.9, driven.per_pull)
    assert (slip_reserves(lighter, pull, 1e9, belt).driven < 0).all()


@BELTS
@given(share=st.floats(0, 0.9), pull=st.floats(50, 3000), reserve=st.floats(0.01, 5))
def test_the_driven_sheave_slips_at_the_pull_its_reserve_says(machine, bushes, share, pull, reserve):
    """Not at more tension: pull grows, and the ramp's thrust with it, until the tensions stand at the limit ratio."""
    belt = getattr(machine, bushes)
    ramp = share * belt.slip_thrust
    driven = DrivenSide((belt.slip_thrust - ramp) * (1 + reserve) * pull, ramp)
    found = slip_reserves(driven, pull, 1e9, belt).driven
    assert found == pytest.approx(np.full(24, reserve), rel=1e-9)
    tight, slack = tensions(driven, pull * (1 + found), belt)
    assert tight / slack == pytest.approx(belt.driven_limit, rel=1e-7)


@given(pull=st.floats(50, 3000), reserve=st.floats(0, 1))
def test_slip_reserve_of_the_drive_sheave_counts_its_own_tension(machine, pull, reserve):
    belt = machine.belt
    tight = (1 + reserve) * pull / (1 - 1 / belt.drive_limit)
    plenty = DrivenSide(np.full(24, 1e6), np.zeros(24))
    found = slip_reserves(plenty, pull, tight, belt)
    assert found.drive == pytest.approx(np.full(24, reserve), abs=1e-9)
    assert (found.least == found.drive).all()
    capped = slip_reserves(plenty, pull, 1e9, belt)
    assert (capped.drive == 10).all()  # as said
    assert (capped.driven == 10).all()


@given(share=st.floats(0, 1.5), fixed=st.floats(0, 3000), tight=st.floats(10, 5000), pull=st.floats(50, 3000))
def test_the_least_reserve_is_that_of_the_sheave_nearer_to_slip(machine, share, fixed, tight, pull):
    driven = DrivenSide(np.full(24, fixed), np.full(24, share))
    found = slip_reserves(driven, pull, tight, machine.rough)
    assert (found.least == np.where(found.drive < found.driven, found.drive, found.driven)).all()
    assert (found.least <= 10).all()
    assert np.isfinite(found.least).all()


def test_without_pull_nothing_slips(machine):
    found = slip_reserves(DrivenSide(np.full(24, 900.0), np.full(24, 0.5)), 0.0, 1000.0, machine.belt)
    assert (found.least == 10).all()


@BELTS
@given(share=st.floats(0, 1.2), pull=st.floats(50, 3000), reserve=st.floats(0, 1))
def test_least_tensions_have_the_wanted_reserve(machine, bushes, share, pull, reserve):
    belt = getattr(machine, bushes)
    ramp = np.minimum(share, 0.98 * belt.slip_thrust)
    driven = DrivenSide(np.zeros(24), ramp)
    tight, slack = least_tensions(driven, pull, reserve, belt)
    assert tight - slack == pytest.approx(np.full(24, pull), rel=1e-9)
    springs = (belt.slip_thrust - ramp) * (1 + reserve) * pull
    held = slack_tension(springs + ramp * pull, pull, belt) + pull
    on_drive = (1 + reserve) * pull / (1 - 1 / belt.drive_limit)
    assert tight == pytest.approx(np.maximum(held, on_drive), rel=1e-9)  # the tensions of just such springs
    meets = slip_reserves(DrivenSide(springs, ramp), pull, tight, belt).least
    assert meets == pytest.approx(np.full(24, reserve), abs=1e-9)


@BELTS
@given(share=st.floats(0, 1.2), fixed=st.floats(0, 3000), pull=st.floats(1, 3000))
def test_tensions_of_a_driven_clutch_hold_its_thrust(machine, bushes, share, fixed, pull):
    belt = getattr(machine, bushes)
    tight, slack = tensions(DrivenSide(np.full(24, fixed), np.full(24, share)), pull, belt)
    assert tight - slack == pytest.approx(np.full(24, pull), rel=1e-9)
    assert (slack >= 0).all()
    thrust = held_thrust(slack, np.full(24, pull), belt)[0]
    given = fixed + share * pull
    kept = slack > 0  # a belt does not push: where the thrust is less than it can be, the slack strand hangs
    assert thrust[kept] == pytest.approx(np.full(kept.sum(), given), rel=1e-9, abs=1e-8)
    assert (thrust[~kept] >= given - 1e-8).all()
