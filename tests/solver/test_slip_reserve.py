"""Slip reserve of both sheaves, and the least tensions that keep a wanted one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from solver.balance import DrivenSide, least_tensions, slip_reserve
from solver.belt_grip import slack_tension

pytestmark = pytest.mark.invariant


@given(share=st.floats(0, 0.99), pull=st.floats(50, 3000))
def test_slip_reserve_is_zero_where_the_thrust_is_the_slip_thrust(machine, share, pull):
    belt = machine.belt
    ramp = share * belt.slip_thrust
    driven = DrivenSide(np.tile((belt.slip_thrust - ramp) * pull, (2, 1)), np.tile(ramp, (2, 1)))
    assert slip_reserve(driven, pull, 1e9, belt) == pytest.approx(0, abs=1e-9)
    slack = slack_tension(belt.slip_thrust * pull, pull, belt)
    assert (slack + pull) / slack == pytest.approx(belt.driven_limit, rel=1e-9)  # the tensions stand at the limit ratio
    lighter = DrivenSide(driven.fixed * 0.9, driven.per_pull)
    assert (slip_reserve(lighter, pull, 1e9, belt) < 0).all()


@given(pull=st.floats(50, 3000), reserve=st.floats(0, 1))
def test_slip_reserve_of_the_drive_sheave_counts_its_own_tension(machine, pull, reserve):
    belt = machine.belt
    tight = (1 + reserve) * pull / (1 - 1 / belt.drive_limit)
    plenty = DrivenSide(np.full((2, 12), 1e6), np.zeros((2, 12)))
    assert slip_reserve(plenty, pull, tight, belt) == pytest.approx(reserve, abs=1e-9)
    assert (slip_reserve(plenty, pull, 1e9, belt) == 10).all()  # capped, as said


@given(share=st.floats(0, 1.2), pull=st.floats(50, 3000), reserve=st.floats(0, 1))
def test_least_tensions_have_the_wanted_reserve(machine, share, pull, reserve):
    belt = machine.belt
    ramp = np.minimum(share, 0.98 * belt.slip_thrust)
    driven = DrivenSide(np.zeros((2, 12)), np.tile(ramp, (2, 1)))
    tight, slack = least_tensions(driven, pull, reserve, belt)
    assert tight - slack == pytest.approx(np.full(tight.shape, pull), rel=1e-9)
    springs = np.tile((belt.slip_thrust - ramp) * (1 + reserve) * pull, (2, 1))
    held = slack_tension(springs + driven.per_pull * pull, pull, belt) + pull
    on_drive = (1 + reserve) * pull / (1 - 1 / belt.drive_limit)
    assert tight[:, 0] == pytest.approx(np.maximum(held, on_drive), rel=1e-9)  # the tensions of just such springs
    meets = slip_reserve(DrivenSide(springs, driven.per_pull), pull, tight, belt)
    assert meets == pytest.approx(reserve, abs=1e-9)
