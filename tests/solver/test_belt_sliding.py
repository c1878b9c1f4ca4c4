"""The full sliding-angle theory: check table, limits of the equations, convergence, stored table, closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from solver.belt_grip import driven_thrust, theory_over_closed
from solver.belt_path import shift_path
from solver.belt_sliding import active_arc, slip_ratio, table_arc, thrust_factor
from solver.errors import PhysicalRangeError
from solver.grip import grip

B13 = np.radians(13)

# Active arc [deg] and its thrust over entry tension at half angle 13 deg, friction 0.35, compliance 1: an independent
# integration made for this project's check tables, not published; its own convergence is stated as 0.5 to 1 %.
ARCS = {
    "drive": [(1.25, 45.8, 0.641), (1.5, 60.6, 0.854), (2, 76.8, 1.093), (3, 92.4, 1.324), (4, 100.5, 1.444),
              (5, 105.6, 1.519), (8, 113.6, 1.635)],
    "driven": [(1.25, 61.3, 0.964), (1.5, 84.5, 1.481), (2, 114.3, 2.385), (3, 150.7, 4.055), (4, 174.6, 5.667),
               (5, 192.5, 7.256), (8, 229.2, 11.964)],
}  # fmt: skip
# Thrust over tight tension at 180 deg wrap: compliance, ratio, drive, driven. Same origin.
THRUSTS = [
    (1, 1.5, 2.503, 1.867),
    (1, 2, 2.518, 1.646),
    (1, 3, 2.534, 1.487),
    (0.5, 3, 2.513, 1.499),
    (2, 3, 2.568, 1.473),
]
CAPACITY = [(120, 2.12), (140, 2.65), (150, 2.97), (160, 3.35), (170, 3.78), (180, 4.28), (200, 5.50)]


@pytest.mark.parametrize("pulley", ["drive", "driven"])
def test_active_arcs_agree_with_an_independent_integration(pulley):
    ratio, arc, thrust = np.array(ARCS[pulley]).T
    ours = active_arc(ratio, B13, 0.35, 1.0, pulley)
    assert np.degrees(ours.arc) == pytest.approx(arc, rel=3e-3)
    assert ours.thrust == pytest.approx(thrust, rel=3e-3)


@pytest.mark.parametrize(("compliance", "ratio", "drive", "driven"), THRUSTS)
def test_thrust_factors_agree_with_an_independent_integration(compliance, ratio, drive, driven):
    # the drive sheave is entered by the tight side, the driven sheave by the slack side
    ours = thrust_factor([ratio], np.pi, B13, 0.35, compliance, "drive")[0]
    assert ours == pytest.approx(drive, rel=1e-2)
    ours = thrust_factor([ratio], np.pi, B13, 0.35, compliance, "driven")[0] / ratio
    assert ours == pytest.approx(driven, rel=1e-2)


@pytest.mark.parametrize(("wrap", "ratio"), CAPACITY)
def test_driven_capacity_agrees_with_an_independent_integration(wrap, ratio):
    assert slip_ratio(np.radians(wrap), B13, 0.35) == pytest.approx(ratio, rel=5e-3)


@pytest.mark.invariant
@pytest.mark.parametrize("pulley", ["drive", "driven"])
def test_integration_converges(pulley):
    coarse, fine = (active_arc([1.5, 3, 8], B13, 0.35, 1.0, pulley, tolerance=t) for t in (1e-7, 1e-11))
    assert coarse.arc == pytest.approx(fine.arc, rel=1e-5)
    assert coarse.thrust == pytest.approx(fine.thrust, rel=1e-5)


@pytest.mark.invariant
def test_a_vanishing_ratio_needs_no_arc_and_stays_seated():
    arc = active_arc([1 + 1e-6], B13, 0.35)
    assert np.degrees(arc.arc[0]) < 0.2
    seated = 1 / (2 * np.tan(B13 + np.arctan(0.35)))  # idle-arc thrust per radian
    assert arc.thrust[0] / arc.arc[0] == pytest.approx(seated, rel=1e-3)
    assert np.degrees(arc.sliding_angle[0]) == pytest.approx(180, abs=0.3)


@pytest.mark.invariant
def test_no_arc_carries_more_than_eytelwein():
    for pulley in ("drive", "driven"):
        arc = active_arc([1.5, 3, 8], B13, 0.35, 1.0, pulley)
        assert (np.log(arc.ratio) < 0.35 * arc.arc / np.sin(B13)).all()


@pytest.mark.invariant
def test_stored_table_is_what_the_theory_gives_between_its_nodes():
    rng = np.random.default_rng(3)
    for _ in range(8):
        friction, half = rng.uniform(0.15, 0.6), np.radians(rng.uniform(10, 16))
        ratio = np.sort(np.exp(rng.uniform(0.05, 3.0, 5)))
        for pulley in ("drive", "driven"):
            theory = active_arc(ratio, half, friction, 1.0, pulley)
            arc, thrust = table_arc(ratio, half, friction, pulley)
            assert arc == pytest.approx(theory.arc, rel=2e-3)
            assert thrust == pytest.approx(theory.thrust, rel=2e-3)
            wraps = theory.arc[theory.arc < 2 * np.pi]
            inverse = slip_ratio(wraps, half, friction, pulley)
            assert inverse == pytest.approx(theory.ratio[: len(wraps)], rel=1e-2)


@pytest.mark.invariant
def test_closed_forms_lie_near_the_theory_and_corrected_ones_nearer():
    path = shift_path(np.linspace(0, 1, 9), 0.034, 0.086, 0.995, 0.256, B13)
    limit = grip(path, B13, 0.35).driven_limit
    running = theory_over_closed(limit ** (2 / 3), path, B13, 0.35)
    for share in (0.45, 0.6, 0.8):  # of the logarithm of the limit; belts with some reserve run there
        drive, driven = theory_over_closed(limit**share, path, B13, 0.35)
        assert ((drive > 1) & (drive < 1.05)).all()  # closed drive thrust is low
        assert ((driven < 1) & (driven > 0.90)).all()  # closed driven thrust is high
        assert np.abs(drive / running[0] - 1).max() < 0.012
        assert np.abs(driven / running[1] - 1).max() < 0.03


@pytest.mark.invariant
def test_corrected_coefficients_give_the_theory_at_the_running_ratio():
    path = shift_path(np.array([0.0, 0.4, 1.0]), 0.034, 0.086, 0.995, 0.256, B13)
    belt = grip(path, B13, 0.35, corrected=True)
    ratio = belt.driven_limit ** (2 / 3)
    for n, r in enumerate(ratio):
        full = thrust_factor([r], float(path.driven_wrap[n]), B13, 0.35)[0]
        active = belt.active * np.log(r)
        assert (belt.wrap[n] - active) * belt.idle_thrust[n] + belt.pull_thrust[n] * (r - 1) == pytest.approx(
            full, rel=2e-3
        )
        full = thrust_factor([r], float(path.drive_wrap[n]), B13, 0.35, 1.0, "drive")[0]
        assert 1 / belt.tight_per_thrust[n] == pytest.approx(full, rel=2e-3)


@pytest.mark.invariant
def test_active_arc_past_the_wrap_is_slip():
    with pytest.raises(PhysicalRangeError, match="active arc"):
        thrust_factor([8.0], np.pi, B13, 0.35)
    with pytest.raises(PhysicalRangeError, match="active arc"):
        driven_thrust(300.0, 1.0, np.pi, B13, 0.35)


@pytest.mark.parametrize(
    ("kwargs", "word"),
    [
        ({"ratio": [1.0]}, "ratio"), ({"ratio": [3.0, 2.0]}, "rising"), ({"half_angle": 1.0}, "half_angle"),
        ({"friction": 0.0}, "friction"), ({"compliance": -1.0}, "compliance"),
    ],
)  # fmt: skip
def test_impossible_inputs_are_refused_with_value_and_limit(kwargs, word):
    with pytest.raises(PhysicalRangeError, match=word):
        active_arc(**({"ratio": [2.0], "half_angle": B13, "friction": 0.35} | kwargs))


def test_partial_seating_cannot_be_corrected():
    path = shift_path(np.array([0.0, 1.0]), 0.034, 0.086, 0.995, 0.256, B13)
    with pytest.raises(PhysicalRangeError, match="seating"):
        grip(path, B13, 0.35, 0.5, corrected=True)
