"""Springs: energy of a load curve, scaling of the formulas, and what a load curve reads between its points."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from solver.errors import PhysicalRangeError
from solver.springs import (
    LoadCurve,
    bending_stress,
    buckling_deflection,
    helical_rate,
    shear_stress,
    stored_energy,
    torsion_rate,
    torsion_shear_stress,
)

pytestmark = pytest.mark.invariant

COIL = {"wire_diameter": 5.2e-3, "mean_diameter": 62e-3}


def straight(rate, free):
    return LoadCurve(np.array([free, 0.0]), np.array([0.0, rate * free]))


@given(rate=st.floats(1e3, 1e5), free=st.floats(0.05, 0.15), long=st.floats(0.1, 1), short=st.floats(0.1, 1))
def test_work_of_pressing_a_spring_is_the_energy_it_stores(rate, free, long, short):
    # energy conservation: integral of the load over the length by quadrature
    ends = free * long, free * long * short
    work = quad(straight(rate, free).at, ends[1], ends[0], epsrel=1e-12)[0]
    before, after = (stored_energy(rate, free - end) for end in ends)
    assert work == pytest.approx(after - before, rel=1e-9, abs=1e-9)


def test_work_over_a_measured_table_is_that_of_its_trapezoids():
    length, load = np.array([0.066, 0.060, 0.054, 0.048]), np.array([380.0, 548, 712, 879])
    work = quad(lambda x: float(LoadCurve(length, load).at(x)), length[-1], length[0], points=length[1:-1])[0]
    assert work == pytest.approx(-np.trapezoid(load, length), rel=1e-12)


@given(rate=st.floats(1e3, 1e5), free=st.floats(0.05, 0.15), share=st.floats(0, 1.5))
def test_a_straight_curve_is_hooke_s_law_and_never_pulls(rate, free, share):
    curve = straight(rate, free)
    assert curve.at(share * free) == pytest.approx(max(rate * free * (1 - share), 0), rel=1e-9, abs=1e-9)
    assert (curve.rate, curve.free_length) == pytest.approx((rate, free), rel=1e-12)


def test_a_curve_reads_its_points_and_goes_on_with_its_end_slopes():
    curve = LoadCurve(np.array([0.060, 0.050, 0.040]), np.array([400.0, 600, 900]))
    assert curve.at(curve.length) == pytest.approx(curve.load)
    assert curve.at([0.055, 0.045]) == pytest.approx([500, 750])  # linear between
    assert curve.at([0.065, 0.035, 0.080, 0.090]) == pytest.approx([300, 1050, 0, 0])
    assert curve.free_length == pytest.approx(0.080)
    assert curve.rate == pytest.approx(25e3)


@given(scale=st.floats(0.1, 10))
def test_rates_follow_their_dimensions(scale):
    # a spring scaled as a whole: force rate goes with size, winding rate with its cube
    wire, mean = scale * COIL["wire_diameter"], scale * COIL["mean_diameter"]
    assert helical_rate(wire, mean, 4, 79e9) == pytest.approx(
        scale * helical_rate(**COIL, active_coils=4, shear_modulus=79e9)
    )
    once = torsion_rate(**COIL, active_coils=4, youngs_modulus=200e9)
    assert torsion_rate(wire, mean, 4, 200e9) == pytest.approx(scale**3 * once)


@given(first=st.floats(1, 10), second=st.floats(1, 10))
def test_springs_in_a_row_yield_together(first, second):
    # compliances of coils in series add up
    parts = [1 / helical_rate(**COIL, active_coils=n, shear_modulus=79e9) for n in (first, second)]
    assert 1 / helical_rate(**COIL, active_coils=first + second, shear_modulus=79e9) == pytest.approx(sum(parts))


def test_a_large_coil_is_a_straight_bar():
    # limit of large coil index: curvature factors go to 1, stress to that of a bar in torsion or bending
    wire, mean, load = 1e-3, 10.0, 2.0
    assert shear_stress(load, wire, mean) == pytest.approx(16 * load * mean / 2 / (np.pi * wire**3), rel=1e-3)
    assert bending_stress(load, wire, mean) == pytest.approx(32 * load / (np.pi * wire**3), rel=1e-3)


@given(shear=st.floats(0, 1e9), bending=st.floats(0, 1e9))
def test_joint_stress_is_the_largest_shear_of_the_stress_tensor(shear, bending):
    # Mohr's circle: half the spread of the principal stresses, by the tensor's eigenvalues
    low, high = np.linalg.eigvalsh([[bending, shear], [shear, 0.0]])
    assert torsion_shear_stress(shear, bending) == pytest.approx((high - low) / 2, rel=1e-6, abs=1.0)


def test_a_longer_spring_buckles_at_a_smaller_share_of_its_length():
    length = np.linspace(0.34, 0.60, 8)
    deflection = buckling_deflection(length, COIL["mean_diameter"], 79e9, 200e9)
    assert (np.diff(deflection / length) < 0).all()
    assert np.isinf(buckling_deflection(0.1, COIL["mean_diameter"], 79e9, 200e9))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: helical_rate(0.0, 0.06, 4, 79e9), "wire_diameter = 0 m"),
        (lambda: torsion_rate(0.005, 0.005, 4, 2e11), "mean_diameter = 0.005 m .*above the wire"),
        (lambda: helical_rate(0.005, 0.06, 0, 79e9), "active_coils = 0 -"),
        (lambda: LoadCurve(np.array([0.05, 0.06]), np.array([1.0, 2])), "spring lengths = 0.01 m"),
        (lambda: LoadCurve(np.array([0.06, 0.05]), np.array([2.0, 2])), "spring loads = 0 N"),
    ],
)
def test_impossible_springs_are_refused_with_value_and_input(call, message):
    with pytest.raises(PhysicalRangeError, match=message):
        call()
