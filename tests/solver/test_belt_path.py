"""Belt path: inverse, symmetry, conservation of belt length, and refusals."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from solver.belt_path import axial_travel, belt_length, driven_radius, shift_path, wrap_angles
from solver.errors import PhysicalRangeError

pytestmark = pytest.mark.invariant

RADII = st.floats(0.02, 0.15)
CENTRES = st.floats(0.2, 0.5)


@given(drive=RADII, driven=RADII, centre=CENTRES)
def test_driven_radius_inverts_belt_length(drive, driven, centre):
    assume(abs(drive - driven) < 0.99 * centre)
    length = belt_length(drive, driven, centre)
    assert driven_radius(drive, length, centre) == pytest.approx(driven, rel=1e-10)


@given(drive=RADII, driven=RADII, centre=CENTRES)
def test_wraps_make_one_turn_and_swap_with_the_sheaves(drive, driven, centre):
    assume(abs(drive - driven) < 0.99 * centre)
    wraps = wrap_angles(drive, driven, centre)
    assert sum(wraps) == pytest.approx(2 * np.pi, rel=1e-14)
    assert wrap_angles(driven, drive, centre) == pytest.approx(np.array(wraps[::-1]), rel=1e-12)
    assert belt_length(driven, drive, centre) == pytest.approx(belt_length(drive, driven, centre), rel=1e-12)
    assert (wraps[0] < np.pi) == (drive < driven) or abs(drive - driven) < 1e-12


@given(radius=RADII, centre=CENTRES)
def test_equal_sheaves_wrap_half_a_turn_each(radius, centre):
    assert wrap_angles(radius, radius, centre) == pytest.approx((np.pi, np.pi), rel=1e-15)
    assert belt_length(radius, radius, centre) == pytest.approx(2 * centre + 2 * np.pi * radius, rel=1e-14)


def test_belt_length_rises_by_the_wrap_for_each_radius():
    # differentiation of the exact length: dL/dR1 = theta1 and dL/dR2 = theta2, the changes of lean cancel
    step, r1, r2, c = 1e-6, 0.05, 0.11, 0.27
    by_drive = (belt_length(r1 + step, r2, c) - belt_length(r1 - step, r2, c)) / (2 * step)
    by_driven = (belt_length(r1, r2 + step, c) - belt_length(r1, r2 - step, c)) / (2 * step)
    assert (by_drive, by_driven) == pytest.approx(np.array(wrap_angles(r1, r2, c)), rel=1e-8)


def test_shift_path_keeps_its_belt_and_moves_both_sheaves_one_way(machine):
    path = machine.path
    assert belt_length(path.drive_radius, path.driven_radius, 0.268) == pytest.approx(1.055, rel=1e-12)
    for rising in (path.position, path.drive_radius, path.drive_travel, path.driven_travel, path.drive_wrap):
        assert (np.diff(rising) > 0).all()
    assert (np.diff(path.ratio) < 0).all()
    assert path.drive_travel[0] == path.driven_travel[0] == 0
    assert np.diff(path.drive_travel) == pytest.approx(path.drive_travel[-1] / 11, rel=1e-9)  # linear in position
    change = path.driven_radius[0] - path.driven_radius
    assert path.driven_travel == pytest.approx(2 * np.tan(machine.half_angle) * change, rel=1e-9, abs=1e-15)


@given(position=st.floats(0, 1))
def test_a_position_has_the_same_geometry_alone_as_in_a_row(machine, position):
    whole = shift_path([0.0, position, 1.0], 0.036, 0.090, 1.055, 0.268, machine.half_angle)
    alone = shift_path(position, 0.036, 0.090, 1.055, 0.268, machine.half_angle)
    for name in ("drive_radius", "driven_radius", "drive_wrap", "driven_wrap", "drive_travel", "driven_travel"):
        assert getattr(alone, name)[0] == pytest.approx(getattr(whole, name)[1], rel=1e-10, abs=1e-14)


def test_chosen_positions_keep_their_values(machine):
    chosen = machine.path.position > 0.5
    part = machine.path.at(chosen)
    assert (part.driven_travel == machine.path.driven_travel[chosen]).all()
    assert (part.ratio == machine.path.ratio[chosen]).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: wrap_angles(0.0, 0.1, 0.3), "drive_radius = 0 m"),
        (lambda: wrap_angles(0.1, -0.1, 0.3), "driven_radius = -0.1 m"),
        (lambda: belt_length(0.05, 0.40, 0.30), "centre_distance = 0.3 m .*difference of the radii"),
        (lambda: driven_radius([0.05, 0.05], [0.9, 3.0], 0.26), "belt_length = 3 m cannot lie .*centre_distance"),
        (lambda: driven_radius(0.05, 0.3, 0.26), "belt_length = 0.3 m cannot lie"),
        (lambda: axial_travel(0.01, np.radians(50)), "half_angle = 0.872665 rad .*half, not included"),
        (lambda: shift_path([0, 1.2], 0.036, 0.09, 1.055, 0.268, 0.23), r"position = 1.2 - is outside \[0, 1\]"),
        (lambda: shift_path([0, 1], 0.09, 0.036, 1.055, 0.268, 0.23), "max_drive_radius = 0.036 m"),
    ],
)
def test_impossible_drives_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
