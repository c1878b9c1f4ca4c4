"""Thrusts and tensions of both sheaves at operating points, with and without friction of their bushes."""

from __future__ import annotations

import numpy as np
import pytest
import sympy as sp
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from solver.belt_grip import drive_thrust, driven_thrust, eytelwein_ratio, slip_limit
from solver.belt_path import ShiftPath
from solver.errors import PhysicalRangeError
from solver.grip import drive_need, grip, held_thrust, slack_of_drive, slack_tension
from solver.points import BACKSHIFT, UPSHIFT, along
from solver.side_load import Bushes

pytestmark = pytest.mark.invariant

FEWER = settings(max_examples=40, deadline=None)
WRAPS = st.floats(2.0, 4.5)
ANY_WRAPS = st.floats(0.6, 5.7)  # far from half a turn side load grows unevenly with tension
HALF_ANGLES = st.floats(np.radians(8), np.radians(22))
FRICTIONS = st.floats(0.1, 0.8)
SEATINGS = st.floats(0, 1)
FLANKS = {"half_angle": HALF_ANGLES, "friction": FRICTIONS}
# Bushes are drawn as shares of the roughest that a belt lets slide, whatever its wrap and flanks.
BELTS = {"wraps": st.tuples(WRAPS, WRAPS), "seating": SEATINGS, "rubs": st.tuples(*[st.floats(0, 0.999)] * 3), **FLANKS}
TENSIONS = {"pull": st.floats(1, 5e3), "slack": st.floats(1e-3, 5e3)}


def one_position(drive_wrap, driven_wrap):
    """A path of one position; grip reads its wraps, and its drive radius for the guides."""
    radius, at_rest = np.array([0.08]), np.zeros(1)
    return ShiftPath(at_rest, radius, radius, np.array([drive_wrap]), np.array([driven_wrap]), at_rest, at_rest)


def most_friction(path, half_angle, friction, seating):
    """Roughest bushes of drive and driven clutch in which the sheaves still slide, as the docstring of grip derives."""
    plain = grip(path, half_angle, friction, seating)
    spread = plain.driven_spread
    steady = np.minimum(-np.expm1(-plain.wrap / plain.active), 2 * np.sqrt(spread) / (4 - spread + 1e-9))
    most = (1 / plain.tight_per_thrust).min(), (plain.active * plain.idle_thrust * steady).min()
    return tuple(min(float(value), 1.0) for value in most)


def belt_of(wraps, half_angle, friction, seating=1.0, rubs=(0.0, 0.0, 0.0)):
    """The belt at one position's upshift and backshift, with bushes and guides of these shares of the roughest."""
    path = one_position(*wraps)
    drive, driven = most_friction(path, half_angle, friction, seating)
    bushes = Bushes(rubs[0] * drive, rubs[1] * driven, rubs[2], 0.05, 0.5)
    return grip(path, half_angle, friction, seating, bushes=bushes).at(along(1))


def both(*values):
    """Values at the upshift and at the backshift."""
    return tuple(np.full(2, float(value)) for value in values)


# --- inverses -------------------------------------------------------------------------------------------------------


@FEWER
@given(**BELTS, **TENSIONS)
def test_slack_tension_inverts_held_thrust(wraps, half_angle, friction, seating, rubs, pull, slack):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    slack, pull = both(slack, pull)
    thrust, by_slack, _ = held_thrust(slack, pull, belt)
    assert (by_slack > 0).all()
    # how well a thrust can tell a slack tension: where the slope is small, rounding of the thrust weighs more
    room = 1e-12 * (slack + pull) + 1e-14 * (np.abs(thrust) + belt.pull_thrust * pull) / by_slack
    assert (np.abs(slack_tension(thrust, pull, belt) - slack) < 20 * room).all()


@FEWER
@given(**BELTS, pull=st.floats(0, 5e3), thrust=st.floats(-2e3, 1e4))
def test_held_thrust_gives_back_any_thrust(wraps, half_angle, friction, seating, rubs, pull, thrust):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    thrust, pull = both(thrust, pull)
    slack = slack_tension(thrust, pull, belt)
    again, by_slack, _ = held_thrust(slack, pull, belt)
    room = 1e-11 * (np.abs(thrust) + pull + 1e-9) * (1 + by_slack) * (1 + belt.pull_thrust)
    assert (np.abs(again - thrust) < room).all()


@FEWER
@given(**BELTS, pull=st.floats(1e-6, 5e3), slack=st.floats(-2e3, 5e3))
def test_slack_of_drive_inverts_drive_need(wraps, half_angle, friction, seating, rubs, pull, slack):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    slack, pull = both(slack, pull)
    need, by_slack, _ = drive_need(slack, pull, belt)
    assert (by_slack > 0).all()
    room = 1e-11 * (np.abs(slack) + pull + 1e-9) / (1 - rubs[0]) ** 2
    assert (np.abs(slack_of_drive(need, pull, belt)[0] - slack) <= room).all()


@pytest.mark.parametrize("thrust", [1500.0, 2500.0, 4000.0])
@pytest.mark.parametrize("rubs", [0.0, 0.08])
def test_slack_tension_is_the_root_that_brentq_finds(machine, thrust, rubs):
    pull, flanks = 700.0, (machine.half_angle, machine.friction)
    found = slack_tension(thrust, pull, machine.rough if rubs else machine.belt)
    wraps = np.tile(machine.path.driven_wrap, 2)
    for branch, wrap, slack in zip(machine.points.branch, wraps, found, strict=True):
        sign = 1 if branch == UPSHIFT else -1

        def lacking(t, wrap=wrap, sign=sign):
            tight = t + pull
            load = np.sqrt(tight**2 + t**2 - 2 * tight * t * np.cos(wrap))
            return driven_thrust(tight, t, wrap, *flanks) - sign * rubs / 2 * load - thrust

        least = pull / np.expm1(machine.friction * wrap / np.sin(machine.half_angle))
        assert slack == pytest.approx(brentq(lacking, least * 1.0001, 1e5, xtol=1e-10), rel=1e-9)


@pytest.mark.parametrize("thrust", [1500.0, 2500.0, 6000.0])
def test_slack_of_drive_is_the_root_that_brentq_finds(machine, thrust):
    pull, path, rubs = 700.0, machine.path, machine.bushes
    found = slack_of_drive(np.full(24, thrust), np.full(24, pull), machine.rough)[0]
    for branch, n, slack in zip(machine.points.branch, machine.points.position, found, strict=True):
        sign, wrap, radius = (1 if branch == UPSHIFT else -1), path.drive_wrap[n], path.drive_radius[n]

        def lacking(t, sign=sign, wrap=wrap, radius=radius):
            tight = t + pull
            load = np.sqrt(tight**2 + t**2 - 2 * tight * t * np.cos(wrap))
            turned = rubs.guide * rubs.torque_share * pull * radius / rubs.guide_radius
            taken = drive_thrust(tight, wrap, machine.half_angle, machine.friction)
            return taken + sign * (rubs.drive / 2 * load + turned) - thrust

        least = machine.rough.least_slack[n] * pull
        if lacking(least) < 0:
            assert slack == pytest.approx(brentq(lacking, least, 1e5, xtol=1e-10), rel=1e-9)
        else:
            assert slack <= least


def test_the_quadratic_of_slack_of_drive_follows_from_the_balance():
    """(X - p t)^2 = h^2 S^2 in the tight tension t; its two roots are those with + and with - the bush friction."""
    t, pull, given_, p, h, k = sp.symbols("t D X p h k", positive=True)
    load2 = k * (t - pull) * t + pull**2
    square = sp.Poly(sp.expand((given_ - p * t) ** 2 - h**2 * load2), t)
    a, b, c = square.all_coeffs()
    bent = h**2 * k
    under = 4 * k * given_ * (given_ - p * pull) + (4 * p**2 - bent * (4 - k)) * pull**2
    assert sp.expand(b**2 - 4 * a * c - h**2 * under) == 0
    assert sp.expand(-b - (2 * p * given_ - bent * pull)) == 0
    assert sp.expand(a - (p**2 - bent)) == 0
    # never imaginary: completed to a square in X, what is left is (4 - k) D^2 (p^2 - h^2 k)
    rest = under - k * (2 * given_ - p * pull) ** 2
    assert sp.expand(rest - (4 - k) * (p**2 - bent) * pull**2) == 0


# --- continuity, shape ----------------------------------------------------------------------------------------------


@FEWER
@given(**BELTS, pull=st.floats(1, 5e3))
def test_both_thrusts_go_on_by_their_tangents_where_the_belt_slides(wraps, half_angle, friction, seating, rubs, pull):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    (pull,) = both(pull)
    end = belt.least_slack * pull
    step = 1e-7 * pull
    for function in (held_thrust, drive_need):
        at = [function(end + n * step, pull, belt) for n in (-2, -1, 0)]
        value, by_slack, by_pull = at[-1]
        for n, (v, s, d) in zip((-2, -1), at, strict=False):
            assert v == pytest.approx(value + n * step * by_slack, rel=1e-12, abs=1e-12 * pull[0])
            assert (s == by_slack).all()
            assert (d == by_pull).all()
        beyond = function(end * (1 + 1e-9), pull, belt)
        for here, there in zip(at[-1], beyond, strict=True):
            assert there == pytest.approx(here, rel=1e-6, abs=1e-6)


def test_slack_tension_rises_without_a_jump_through_the_closed_form_s_end(machine):
    pull, belt = 800.0, machine.belt
    end = belt.pull_thrust * pull
    across = slack_tension(end + np.linspace(-1, 1, 9)[:, None] * 1e-4, pull, belt)
    steps = np.diff(across, axis=0)
    assert (steps > 0).all()
    assert steps == pytest.approx(np.broadcast_to(steps[:1], steps.shape), rel=1e-3)
    for some in (belt, machine.rough):
        wide = slack_tension(np.linspace(-500, 5000, 100)[:, None], pull, some)
        assert (np.diff(wide, axis=0) > 0).all()


@FEWER
@given(**{**BELTS, "wraps": st.tuples(ANY_WRAPS, ANY_WRAPS)})
def test_held_thrust_rises_and_is_convex_in_slack_tension(wraps, half_angle, friction, seating, rubs):
    """What Newton's method from the right stands on, up to the roughest bushes."""
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    least = float(belt.least_slack[0])
    slack = np.concatenate([[-1.0], least * (1 + np.geomspace(1e-6, 1e7, 600))])[:, None]
    _, by_slack, _ = held_thrust(slack, np.ones((601, 2)), belt)
    assert (by_slack > 0).all()
    assert (np.diff(by_slack, axis=0) >= -1e-12).all()


@FEWER
@given(**BELTS, pull=st.floats(1, 5e3), slack=st.floats(-1e3, 5e3))
def test_slopes_are_those_of_differences(wraps, half_angle, friction, seating, rubs, pull, slack):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    assume(abs(slack / pull - belt.least_slack[0]) > 0.01)
    assume(slack < 0 or slack > 0.01 * pull)
    slack, pull = both(slack, pull)
    for function in (held_thrust, drive_need):
        _, by_slack, by_pull = function(slack, pull, belt)
        step = 1e-5 * pull
        over_slack = function(slack + step, pull, belt)[0] - function(slack - step, pull, belt)[0]
        over_pull = function(slack, pull + step, belt)[0] - function(slack, pull - step, belt)[0]
        assert over_slack / (2 * step) == pytest.approx(by_slack, rel=1e-4, abs=1e-4)
        assert over_pull / (2 * step) == pytest.approx(by_pull, rel=1e-4, abs=1e-4)


@FEWER
@given(**BELTS, pull=st.floats(1, 5e3), slack=st.floats(-1e3, 5e3), factor=st.floats(0.01, 100))
def test_all_forces_are_in_proportion(wraps, half_angle, friction, seating, rubs, pull, slack, factor):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    slack, pull = both(slack, pull)
    for function in (held_thrust, drive_need):
        value, by_slack, by_pull = function(slack, pull, belt)
        more, *slopes = function(factor * slack, factor * pull, belt)
        size = (np.abs(slack) + pull) * (1 + by_slack + np.abs(by_pull))
        assert (np.abs(more - factor * value) < 1e-11 * factor * size).all()
        assert (np.abs(by_slack * slack + by_pull * pull - value) < 1e-11 * size).all()  # Euler, degree 1
        assert slopes[0] == pytest.approx(by_slack, rel=1e-9)
        assert slopes[1] == pytest.approx(by_pull, rel=1e-9, abs=1e-9)


@given(factor=st.floats(0.01, 100), thrust=st.floats(600, 6000), pull=st.floats(1, 2000))
def test_tensions_scale_with_all_forces(machine, factor, thrust, pull):
    for belt in (machine.belt, machine.rough):
        thrusts, pulls = np.full(24, thrust), np.full(24, pull)
        for inverse in (slack_tension, lambda *given: slack_of_drive(*given)[0]):
            once, more = inverse(thrusts, pulls, belt), inverse(factor * thrusts, factor * pulls, belt)
            assert np.abs(more / factor - once).max() < 1e-9 * (np.abs(once) + pull).max()


# --- friction of bushes and guides ----------------------------------------------------------------------------------


@FEWER
@given(wraps=st.tuples(WRAPS, WRAPS), seating=SEATINGS, pull=st.floats(1, 5e3), share=st.floats(1e-6, 20), **FLANKS)
def test_without_friction_thrusts_are_the_closed_forms(wraps, half_angle, friction, seating, pull, share):
    belt = belt_of(wraps, half_angle, friction, seating)
    slack = float(pull * (belt.least_slack[0] * (1 + 1e-9) + share))
    slacks, pulls = both(slack, pull)
    flanks = half_angle, friction, seating
    held, need = (function(slacks, pulls, belt)[0] for function in (held_thrust, drive_need))
    assert held == pytest.approx(np.full(2, driven_thrust(slack + pull, slack, wraps[1], *flanks)), rel=1e-12)
    assert need == pytest.approx(np.full(2, drive_thrust(slack + pull, wraps[0], *flanks)), rel=1e-13)
    again = slack_of_drive(need, pulls, belt)[0]
    assert again == pytest.approx(need * belt.tight_per_thrust - pull, rel=1e-12, abs=1e-12 * (slack + pull))
    assert held[UPSHIFT] == held[BACKSHIFT]
    assert need[UPSHIFT] == need[BACKSHIFT]


@FEWER
@given(**BELTS, **TENSIONS)
def test_friction_of_bushes_is_half_the_side_load_and_turns_with_the_shift(
    wraps, half_angle, friction, seating, rubs, pull, slack
):
    belt, smooth = (belt_of(wraps, half_angle, friction, seating, some) for some in (rubs, (0.0, 0.0, 0.0)))
    assume(slack > smooth.least_slack[0] * pull)
    tight, radius = slack + pull, 0.08
    most = most_friction(one_position(*wraps), half_angle, friction, seating)
    load = [np.sqrt(tight**2 + slack**2 - 2 * tight * slack * np.cos(wrap)) for wrap in wraps]
    turned = rubs[2] * 0.5 * pull * radius / 0.05
    slacks, pulls = both(slack, pull)
    more = [f(slacks, pulls, belt)[0] - f(slacks, pulls, smooth)[0] for f in (drive_need, held_thrust)]
    size = 1e-9 * (tight * 20 + load[0])
    assert more[0][UPSHIFT] == pytest.approx(rubs[0] * most[0] / 2 * load[0] + turned, rel=1e-9, abs=size)
    assert more[1][UPSHIFT] == pytest.approx(-rubs[1] * most[1] / 2 * load[1], rel=1e-9, abs=size)
    for change in more:
        assert change[BACKSHIFT] == pytest.approx(-change[UPSHIFT], rel=1e-9, abs=size)


@FEWER
@given(**BELTS, pull=st.floats(0, 5e3), thrust=st.floats(0, 1e4))
def test_upshift_needs_at_least_what_the_backshift_needs_while_the_belt_pulls(
    wraps, half_angle, friction, seating, rubs, pull, thrust
):
    # one driven thrust holds more tension while it is opened, and the drive clutch drags its own friction along
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    thrusts, pulls = both(thrust, pull)
    slack = slack_tension(thrusts, pulls, belt)
    assume((slack >= 0).all())  # a belt that is pushed has no load to rub with
    need = drive_need(slack, pulls, belt)[0]
    room = 1e-9 * (thrust + pull + 1e-9)
    assert slack[UPSHIFT] >= slack[BACKSHIFT] - room
    assert need[UPSHIFT] >= need[BACKSHIFT] - room * 10
    given_tension = slack_of_drive(thrusts, pulls, belt)[0]
    if (given_tension >= 0).all():
        assert given_tension[UPSHIFT] <= given_tension[BACKSHIFT] + room * 10


@pytest.mark.parametrize("widest", [(2.0, 4.5), (0.6, 1.2), (5.1, 5.7)])
@pytest.mark.parametrize("seed", range(5))
def test_bushes_in_which_a_sheave_would_stick_are_refused(seed, widest):
    rng = np.random.default_rng(seed)
    wraps, flanks = rng.uniform(widest[0], widest[1], 2), (float(rng.uniform(0.14, 0.38)), float(rng.uniform(0.3, 0.8)))
    path = one_position(*wraps)
    drive, driven = most_friction(path, *flanks, 1.0)
    grip(path, *flanks, bushes=Bushes(0.999 * drive, 0.999 * driven, 0.1, 0.05, 0.5))
    with pytest.raises(PhysicalRangeError, match=r"bush friction of the driven clutch = .* lets the moving sheave"):
        grip(path, *flanks, bushes=Bushes(0.0, 1.001 * driven, 0.1, 0.05, 0.5))
    if drive < 0.99:
        with pytest.raises(PhysicalRangeError, match=r"bush friction of the drive clutch = .* lets the moving sheave"):
            grip(path, *flanks, bushes=Bushes(1.001 * drive, 0.0, 0.1, 0.05, 0.5))


def test_bushes_of_a_draw_are_refused_with_its_value():
    path = one_position(np.pi, np.pi)
    with pytest.raises(PhysicalRangeError, match=r"bush friction of the driven clutch = 0\.9 -"):
        grip(path, 0.23, 0.35, bushes=Bushes(0.0, np.array([0.1, 0.9]), 0.1, 0.05, 0.5))


# --- limits ---------------------------------------------------------------------------------------------------------


@given(wrap=WRAPS, seating=SEATINGS, tension=st.floats(1, 5000), **FLANKS)
def test_without_pull_the_whole_wrap_is_idle(wrap, half_angle, friction, seating, tension):
    idle = drive_thrust(tension, wrap, half_angle, friction, seating)
    belt = belt_of((np.pi, wrap), half_angle, friction, seating)
    assert slack_tension(idle, 1e-9, belt) == pytest.approx(np.full(2, tension), rel=1e-9)


@pytest.mark.parametrize("thrust", [0.0, 1500.0])
def test_zero_pull_is_a_plain_belt(machine, thrust):
    for belt in (machine.belt, machine.rough):
        # both strands alike: side load is 2 sin(theta / 2) times the tension
        rubs = belt.driven_bush * 2 * np.sin(belt.wrap / 2)
        assert slack_tension(thrust, 0.0, belt) == pytest.approx(thrust / (belt.wrap / belt.seat - rubs), rel=1e-12)
        assert drive_need(np.zeros(24), np.zeros(24), belt)[0] == pytest.approx(0, abs=1e-25)


@given(wrap=WRAPS, pull=st.floats(1, 5000), **FLANKS)
def test_gross_slip_is_eytelwein_and_needs_the_active_arc_only(wrap, half_angle, friction, pull):
    # at the closed form's own end the idle arc is gone: ratio exp(mu theta / sin b), thrust (T1' - T2') cos b / (2 mu)
    ratio = eytelwein_ratio(wrap, half_angle, friction) * (1 - 1e-9)
    thrust = driven_thrust(pull * ratio / (ratio - 1), pull / (ratio - 1), wrap, half_angle, friction)
    assert thrust == pytest.approx(pull * np.cos(half_angle) / (2 * friction), rel=1e-6)
    belt = belt_of((np.pi, wrap), half_angle, friction)
    if ratio < 1e8:
        assert belt.least_slack == pytest.approx(np.full(2, 1 / (ratio - 1)), rel=1e-6)


# --- coefficients ---------------------------------------------------------------------------------------------------


@FEWER
@given(**BELTS)
def test_coefficients_are_those_of_the_closed_forms(wraps, half_angle, friction, seating, rubs):
    belt = belt_of(wraps, half_angle, friction, seating, rubs)
    drive, driven = wraps
    assert belt.tight_per_thrust * drive_thrust(800, drive, half_angle, friction, seating) == pytest.approx(800)
    limit = float(slip_limit(driven, half_angle, friction))
    assert (belt.drive_limit == slip_limit(drive, half_angle, friction, "drive")).all()
    assert (belt.driven_limit == limit).all()
    # thrust of the driven parts at the slip limit: what the belt takes there, less or more the friction of the bush
    at_limit = held_thrust(np.full(2, 1 / (limit - 1)), np.ones(2), belt)[0]
    assert belt.slip_thrust == pytest.approx(at_limit, rel=1e-12)


def test_points_pick_branch_and_position(machine):
    path, positions = machine.path, np.tile(np.arange(12), 2)
    over_shift = grip(path, machine.half_angle, machine.friction, bushes=machine.bushes)
    here = over_shift.at(machine.points)
    assert (here.wrap == path.driven_wrap[positions]).all()
    assert (here.driven_bush[:12] > 0).all()
    assert (here.driven_bush[12:] == -here.driven_bush[:12]).all()
    assert (here.guide == np.concatenate([over_shift.guide[UPSHIFT], over_shift.guide[BACKSHIFT]])).all()
    assert here.active == over_shift.active
    several = grip(path, machine.half_angle, np.array([0.3, 0.35, 0.4]), bushes=machine.bushes).at(machine.points)
    assert np.shape(several.active) == (3, 1)
    assert several.pull_thrust.shape == (3, 24)
    assert several.driven_bush.shape[-1] == 24
    wide = several.aligned(4)
    assert wide.pull_thrust.shape == (3, 1, 1, 24)
    assert np.shape(wide.active) == (3, 1, 1, 1)
