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


DRIVE, DRIVEN, CENTRE, B13 = (0.036, 0.090), (0.058, 0.112), 0.268, np.radians(13)


def between(length, drive=DRIVE, driven=DRIVEN, position=(0.0, 0.25, 1.0), narrower=0.0):
    return shift_path(position, drive[0], drive[1], length, CENTRE, B13, driven[0], driven[1], narrower)


def met(path):
    """Radii at both ends of the shift: drive, then driven, of position 0, then of position 1."""
    return path.drive_radius[0], path.driven_radius[0], path.drive_radius[-1], path.driven_radius[-1]


def test_a_belt_that_fits_both_sheaves_runs_from_stop_to_stop():
    # one length over both ends: the driven stops are what the belt leaves of them
    length = belt_length(0.036, 0.112, CENTRE)
    last = float(driven_radius(0.090, length, CENTRE))
    path = between(length, driven=(last, 0.112))
    assert met(path) == pytest.approx((0.036, 0.112, 0.090, last), rel=1e-10)
    assert (path.drive_travel[0], path.driven_travel[0]) == pytest.approx((0, 0), abs=1e-12)


def test_a_long_belt_begins_at_the_closed_driven_sheave():
    # driven sheave fully closed at 112 mm before the drive sheave is open: the belt lies at 40 mm there, not at 36
    path = between(belt_length(0.040, 0.112, CENTRE))
    assert met(path)[:2] == pytest.approx((0.040, 0.112), rel=1e-10)
    assert path.drive_travel[0] == pytest.approx(2 * np.tan(B13) * 0.004, rel=1e-9)
    assert path.driven_travel[0] == pytest.approx(0, abs=1e-12)
    assert path.drive_radius[-1] == pytest.approx(0.090, rel=1e-12)  # and the drive sheave closes fully


def test_a_short_belt_begins_at_the_open_drive_sheave():
    path = between(belt_length(0.036, 0.108, CENTRE))
    assert met(path)[:2] == pytest.approx((0.036, 0.108), rel=1e-10)
    assert path.drive_travel[0] == 0
    assert path.driven_travel[0] == pytest.approx(2 * np.tan(B13) * 0.004, rel=1e-9)


def test_a_short_belt_ends_at_the_open_driven_sheave():
    # driven sheave fully open at 58 mm, with the belt at 84 mm of the drive sheave, not at 90
    path = between(belt_length(0.084, 0.058, CENTRE))
    assert met(path)[2:] == pytest.approx((0.084, 0.058), rel=1e-10)
    assert path.driven_travel[-1] == pytest.approx(2 * np.tan(B13) * 0.054, rel=1e-9)
    assert path.drive_travel[-1] == pytest.approx(2 * np.tan(B13) * 0.048, rel=1e-9)


def test_a_long_belt_ends_at_the_closed_drive_sheave():
    path = between(belt_length(0.090, 0.064, CENTRE))
    assert met(path)[2:] == pytest.approx((0.090, 0.064), rel=1e-10)
    assert path.drive_travel[-1] == pytest.approx(2 * np.tan(B13) * 0.054, rel=1e-9)


def test_positions_are_even_in_drive_radius_between_the_ends():
    length = float(belt_length(0.040, 0.112, CENTRE))
    path = between(length)
    assert path.drive_radius[1] == pytest.approx(0.0525, rel=1e-10)  # a quarter of the way from 40 to 90 mm
    assert belt_length(path.drive_radius, path.driven_radius, CENTRE) == pytest.approx(length, rel=1e-12)


@pytest.mark.parametrize("narrower", [0.001, -0.001])
def test_a_narrower_belt_runs_deeper_at_every_stop(narrower):
    # 1 mm of width over two flanks of 13 degrees: 0.5 mm / tan 13 deg = 2.16574 mm of radius
    deeper = 2.16574e-3 * np.sign(narrower)
    begun = between(belt_length(0.036 - deeper, 0.100, CENTRE), narrower=narrower)
    assert met(begun)[:2] == pytest.approx((0.036 - deeper, 0.100), abs=1e-8)
    assert begun.drive_travel[0] == 0
    ended = between(belt_length(0.080, 0.058 - deeper, CENTRE), narrower=narrower)
    assert met(ended)[2:] == pytest.approx((0.080, 0.058 - deeper), abs=1e-8)
    closed = between(belt_length(0.045, 0.112 - deeper, CENTRE), narrower=narrower)
    assert met(closed)[:2] == pytest.approx((0.045, 0.112 - deeper), abs=1e-8)
    assert closed.driven_travel[0] == pytest.approx(0, abs=1e-8)
    assert closed.drive_radius[-1] == pytest.approx(0.090 - deeper, abs=1e-8)


def test_the_same_belt_made_narrower_keeps_its_sheave_travel_at_the_stops():
    # the sheaves stand where they stood: only the radii at which the belt meets them change
    length = belt_length(0.036, 0.104, CENTRE)
    before, after = (between(length, driven=(0.040, 0.112), narrower=less) for less in (0.0, 0.0008))
    assert before.drive_travel[[0, -1]] == pytest.approx(after.drive_travel[[0, -1]], rel=1e-9)
    assert after.driven_radius[0] > before.driven_radius[0]  # deeper in the drive sheave, it rises in the driven one
    assert after.driven_travel[0] < before.driven_travel[0]


@given(
    length=st.floats(1.02, 1.10),
    narrower=st.floats(-0.002, 0.002),
    low=st.floats(0.04, 0.07),
    width=st.floats(0.02, 0.06),
)
def test_the_shift_uses_all_that_the_stops_leave(length, narrower, low, width):
    deeper = narrower / (2 * np.tan(B13))
    drive, driven = np.array(DRIVE) - deeper, np.array([low, low + width]) - deeper
    try:
        path = between(length, driven=(low, low + width), narrower=narrower)
    except PhysicalRangeError:
        fine = np.linspace(drive[0], drive[1], 4001)
        there = driven_radius(fine, length, CENTRE)
        reached = (there >= driven[0]) & (there <= driven[1])
        assert reached.sum() * (fine[1] - fine[0]) < 1.05e-3
        return
    slack = 1e-9
    assert (path.drive_radius >= drive[0] - slack).all()
    assert (path.drive_radius <= drive[1] + slack).all()
    assert (path.driven_radius >= driven[0] - slack).all()
    assert (path.driven_radius <= driven[1] + slack).all()
    first, last = met(path)[:2], met(path)[2:]
    assert min(abs(first[0] - drive[0]), abs(first[1] - driven[1])) < slack  # at a stop at either end
    assert min(abs(last[0] - drive[1]), abs(last[1] - driven[0])) < slack
    assert path.drive_travel == pytest.approx(2 * np.tan(B13) * (path.drive_radius - drive[0]), abs=1e-12)
    assert path.driven_travel == pytest.approx(2 * np.tan(B13) * (driven[1] - path.driven_radius), abs=1e-12)
    assert (path.driven_travel >= 0).all()


@pytest.mark.parametrize("varied", [(0,), (1,), (2,), (3,), (0, 1, 2, 3)])
def test_draws_of_belt_and_stops_are_those_of_each_alone(varied):
    # belt length, width and driven stops; ends limited by either sheave
    centre, spread = (1.050, 0.0, 0.058, 0.112), (0.02, 0.001, 0.004, 0.006)
    draws = [
        v + d * np.array([-1.0, -0.3, 0.4, 1.0]) if n in varied else v
        for n, (v, d) in enumerate(zip(centre, spread, strict=True))
    ]

    def path_of(length, narrower, low, high):
        return between(length, driven=(low, high), narrower=narrower)

    together = path_of(*draws)
    for one in range(4):
        alone = path_of(*(v if np.ndim(v) == 0 else float(np.asarray(v)[one]) for v in draws))
        for name in ("drive_radius", "driven_radius", "drive_wrap", "driven_wrap", "drive_travel", "driven_travel"):
            assert np.broadcast_to(getattr(together, name), (4, 3))[one].tolist() == getattr(alone, name).tolist()


def test_without_driven_stops_the_drive_sheave_is_run_through():
    free = shift_path([0, 1], *DRIVE, 1.055, CENTRE, B13)
    wide = between(1.055, driven=(0.001, 0.2), position=(0, 1))
    assert met(free) == pytest.approx(met(wide), rel=1e-12)
    assert free.driven_travel[0] == 0
    assert wide.driven_travel - free.driven_travel == pytest.approx(wide.driven_travel[0], rel=1e-9)


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
        (lambda: between(1.055, driven=(0.1, 0.1)), "max_driven_radius = 0.1 m is outside above min_driven_radius"),
        (lambda: between(1.055, narrower=0.03), "min_drive_radius = -0.02897.* m .*> 0 .*the belt's width"),
        (lambda: between(1.055, driven=(0.01, 0.1), narrower=0.01), "min_driven_radius = -0.01165.* m .*> 0"),
        (lambda: between(2.0), "belt_length = 2 m leaves less than 1 mm of shift .*36 to 90 mm.*58 to 112 mm; change"),
        (lambda: between(0.58), "belt_length = 0.58 m leaves less than 1 mm"),
        (lambda: between(np.array([1.05, 1.2])), "belt_length = 1.2 m leaves"),
        (lambda: between(1.055, driven=(0.099, 0.0995)), "leaves less than 1 mm of shift"),
        (
            lambda: shift_path(0, 0.04, 0.0405, np.array([1.0, 1.1]), 0.268, B13),
            "belt_length = 1 m .*driven sheave at any",
        ),
    ],
)
def test_impossible_drives_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
