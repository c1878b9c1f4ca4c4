"""Side load of the belt on a shaft: held against the vector sum of the strands, and the trends that bounds stand on."""

import numpy as np
import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st

from solver.errors import PhysicalRangeError
from solver.side_load import NO_FRICTION, Bushes, side_load, side_load_slopes, spread_of

pytestmark = pytest.mark.invariant

WRAPS = st.floats(0.5, 5.8)
SLACKS = st.floats(0.1, 5000)
PULLS = st.floats(0, 5000)


def strands(slack, pull, wrap):
    """Force of both strands on a sheave as a vector: each pulls along the tangent where the belt leaves the rim."""
    ends = np.array([wrap, -wrap]) / 2  # of the wrap, seen from the shaft
    away = np.array([[-np.sin(ends[0]), np.cos(ends[0])], [np.sin(ends[1]), -np.cos(ends[1])]])
    return np.array([slack + pull, slack]) @ away


@given(slack=SLACKS, pull=PULLS, wrap=WRAPS)
def test_side_load_is_the_vector_sum_of_the_strands(slack, pull, wrap):
    expected = np.linalg.norm(strands(slack, pull, wrap))
    assert side_load(slack, pull, spread_of(wrap)) == pytest.approx(expected, rel=1e-9)


@given(slack=SLACKS, pull=PULLS, wrap=WRAPS)
def test_both_shafts_carry_the_same_load(slack, pull, wrap):
    # the belt as a free body: what it does to one shaft it does to both; their wraps add up to a full turn
    assert spread_of(2 * np.pi - wrap) == pytest.approx(spread_of(wrap), rel=1e-9)


@pytest.mark.parametrize(("slack", "pull"), [(300.0, 700.0), (0.0, 500.0), (800.0, 0.0)])
def test_side_load_at_half_a_turn_is_the_sum_and_at_none_the_difference(slack, pull):
    assert side_load(slack, pull, spread_of(np.pi)) == pytest.approx(2 * slack + pull, rel=1e-12)
    assert side_load(slack, pull, spread_of(0.0)) == pytest.approx(pull, rel=1e-12)


def test_the_law_of_cosines_is_what_spread_and_load_make():
    slack, pull, wrap = sp.symbols("T2 D theta", positive=True)
    tight = slack + pull
    cosines = tight**2 + slack**2 - 2 * tight * slack * sp.cos(wrap)
    ours = 4 * sp.sin(wrap / 2) ** 2 * slack * tight + pull**2
    assert sp.simplify(sp.expand(cosines - ours.rewrite(sp.cos))) == 0


@given(wrap=WRAPS)
def test_spread_is_most_at_half_a_turn_and_never_above_four(wrap):
    assert 0 < spread_of(wrap) <= 4
    assert spread_of(np.pi) == pytest.approx(4, rel=1e-15)


@given(slack=SLACKS, pull=PULLS, wrap=WRAPS)
def test_slopes_are_those_of_differences(slack, pull, wrap):
    spread, step = spread_of(wrap), 1e-4 * (slack + pull)
    load, by_slack, by_pull = side_load_slopes(slack, pull, spread)
    assert load == side_load(slack, pull, spread)
    # one-sided, so that neither goes below zero; of second order
    ahead = [side_load(slack + n * step, pull, spread) for n in (1, 2)]
    assert by_slack == pytest.approx((4 * ahead[0] - ahead[1] - 3 * load) / (2 * step), rel=2e-3, abs=2e-3)
    ahead = [side_load(slack, pull + n * step, spread) for n in (1, 2)]
    assert by_pull == pytest.approx((4 * ahead[0] - ahead[1] - 3 * load) / (2 * step), rel=2e-3, abs=2e-3)


@given(slack=SLACKS, pull=PULLS, wrap=WRAPS, factor=st.floats(1e-3, 1e3))
def test_side_load_is_in_proportion_to_the_tensions(slack, pull, wrap, factor):
    spread = spread_of(wrap)
    load, by_slack, by_pull = side_load_slopes(slack, pull, spread)
    assert side_load(factor * slack, factor * pull, spread) == pytest.approx(factor * load, rel=1e-12)
    assert by_slack * slack + by_pull * pull == pytest.approx(load, rel=1e-12)  # Euler, degree 1
    again = side_load_slopes(factor * slack, factor * pull, spread)
    assert again[1] == pytest.approx(by_slack, rel=1e-12)
    assert again[2] == pytest.approx(by_pull, rel=1e-12)


@pytest.mark.parametrize("wrap", [0.5, 2.0, 2.6, np.pi, 3.7, 4.5])
def test_slope_over_slack_falls_and_slope_over_pull_rises_with_their_ratio(wrap):
    ratio = np.concatenate([[0.0], np.geomspace(1e-9, 1e15, 4000)])
    _, by_slack, by_pull = side_load_slopes(1.0, ratio, spread_of(wrap))
    rounding = 2e-15
    assert (np.diff(by_slack) <= rounding).all()
    assert (np.diff(by_pull) >= -rounding).all()
    for slope in (by_slack, by_pull):
        assert (slope >= 0).all()
        assert (slope <= 2 + rounding).all()
    assert by_slack[0] == pytest.approx(np.sqrt(spread_of(wrap)))
    assert by_slack[-1] == pytest.approx(spread_of(wrap) / 2)
    assert by_pull[-1] == pytest.approx(1)


def test_signs_of_the_second_slopes_hold_for_every_spread():
    """d/dz of both slopes as fractions whose numerators have one sign for k in [0, 4]."""
    z, k = sp.symbols("z k", positive=True)
    load = sp.sqrt(k * (1 + z) + z**2)
    by_slack, by_pull = k * (2 + z) / (2 * load), (k + 2 * z) / (2 * load)
    assert sp.simplify(sp.diff(by_slack, z) * load**3 + k * (4 - k) * z / 4) == 0
    assert sp.simplify(sp.diff(by_pull, z) * load**3 - k * (4 - k) / 4) == 0


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"drive": -0.1}, "drive friction = -0.1 -"),
        ({"driven": 1.1}, "driven friction = 1.1 -"),
        ({"guide": np.array([0.1, -0.2])}, "guide friction = -0.2 -"),
        ({"guide_radius": 0.0}, "guide_radius = 0 m"),
    ],
)
def test_impossible_bushes_are_refused_with_value_and_input(changed, message):
    fine = {"drive": 0.1, "driven": 0.1, "guide": 0.1, "guide_radius": 0.05, "torque_share": 0.5}
    Bushes(**fine)
    with pytest.raises(PhysicalRangeError, match=message):
        Bushes(**{**fine, **changed})


def test_no_friction_has_none():
    assert NO_FRICTION.drive == NO_FRICTION.driven == NO_FRICTION.guide == 0
