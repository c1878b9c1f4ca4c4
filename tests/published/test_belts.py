"""Belt path, wedge friction and centrifugal tension against textbook drives and shapely's hull."""

import numpy as np
import pytest
import shapely
from scipy.optimize import brentq

from solver.belt_grip import centrifugal_tension, eytelwein_ratio
from solver.belt_path import axial_travel, belt_length, driven_radius, wrap_angles

pytestmark = pytest.mark.published

INCH = 0.0254  # m, exact
B13 = np.radians(13)
# A flat belt has no groove. Only mu/sin b counts, so it is a 30 deg half angle with half the friction.
FLAT, FLAT_SHARE = np.radians(30), 0.5


# --- path -----------------------------------------------------------------------------------------------------


def test_wraps_and_length_of_a_reducing_drive():
    # Shigley solutions ch. 17: D 18, d 6, C 96 in; sixteen digits are printed in a worked sheet
    small, large = wrap_angles(3 * INCH, 9 * INCH, 96 * INCH)
    assert small == pytest.approx(3.01651112999681, rel=1e-13)
    assert large == pytest.approx(3.266674177182776, rel=1e-13)
    assert belt_length(3 * INCH, 9 * INCH, 96 * INCH) / INCH == pytest.approx(230.07423405669, rel=1e-12)
    assert driven_radius(3 * INCH, 230.07423405669 * INCH, 96 * INCH) == pytest.approx(9 * INCH, rel=1e-10)


def test_wentzell_14_2():
    # D 6, d 4, belt 54 in: C 19.12 in, wrap 174.01 deg (one unit off its own formula, which gives 174.004)
    assert belt_length(2 * INCH, 3 * INCH, 19.12 * INCH) == pytest.approx(54 * INCH, abs=2 * 0.005 * INCH, rel=0)
    assert np.degrees(wrap_angles(2.0, 3.0, 19.12)[0]) == pytest.approx(174.01, abs=0.01, rel=0)


def test_roloff_matek_centre_distance():
    # bs-wiki after Roloff/Matek: L 990, d 60.48, D 181.44 mm -> C 299 mm, wrap 156 deg (cut, not rounded: 156.65)
    centre = brentq(lambda c: float(belt_length(30.24e-3, 90.72e-3, c)) - 0.990, 0.2, 0.4)
    assert centre == pytest.approx(0.299, abs=0.0005, rel=0)
    assert 156 <= np.degrees(wrap_angles(30.24e-3, 90.72e-3, centre)[0]) < 157


def test_jindal_21_3_length():
    # d 0.25, D 0.625, C 1 m: L 3.410 m
    assert belt_length(0.125, 0.3125, 1.0) == pytest.approx(3.410, abs=0.0005, rel=0)


@pytest.mark.parametrize(("drive", "driven"), [(0.036, 0.122), (0.092, 0.074), (0.08, 0.08)])
def test_belt_is_the_hull_of_two_discs(drive, driven):
    # shapely: perimeter of the convex hull of two polygons with 4 x 2048 corners; polygon error (pi/8192)^2/6 = 3e-8
    discs = [shapely.Point(x, 0).buffer(r, quad_segs=2048) for x, r in ((0.0, drive), (0.268, driven))]
    hull = shapely.union_all(discs).convex_hull
    assert belt_length(drive, driven, 0.268) == pytest.approx(hull.length, rel=1e-7)


def test_axial_travel_is_the_widening_of_the_groove():
    # shapely: width of a 26 deg (included) groove at two radii; the belt keeps its width, so the sheave gives way
    groove = shapely.Polygon([(0, 0), (np.tan(B13), 1), (-np.tan(B13), 1)])
    widths = [groove.intersection(shapely.LineString([(-1, r), (1, r)])).length for r in (0.050, 0.085)]
    assert axial_travel(0.035, B13) == pytest.approx(widths[1] - widths[0], rel=1e-9)


# --- Euler, Eytelwein, centrifugal tension ---------------------------------------------------------------------


def test_ojha_michael_v_belt():
    # question bank after Ojha and Michael: groove 38 deg, mu 0.30, 160 deg, 0.20 kg/m, 15 m/s, T1 900 N:
    # T2 110.22 N (cut, not rounded: 110.2276), 11.85 kW
    centrifugal = centrifugal_tension(0.20, 15.0)
    slack = centrifugal + (900 - centrifugal) / eytelwein_ratio(np.radians(160), np.radians(19), 0.30)
    assert centrifugal == pytest.approx(45, rel=1e-12)
    assert 110.22 <= slack < 110.23
    assert (900 - slack) * 15 == pytest.approx(11.85e3, abs=5, rel=0)


def test_khurmi_11_17_v_belt():
    # 2 belts, groove 30 deg, 750 mm2 at 1200 kg/m3 and 7 MPa, mu 0.12, half turn, 0.3 m at 1500 rpm: 171.690 kW;
    # most power at 2807 rpm, where m v^2 is a third of the tension (printed short: 0.5 rpm)
    speed, mass, tension = np.pi * 0.3 * 25, 750e-6 * 1200, 750 * 7.0
    net = tension - centrifugal_tension(mass, speed)
    power = 2 * net * (1 - 1 / eytelwein_ratio(np.pi, np.radians(15), 0.12)) * speed
    assert power == pytest.approx(171.690e3, abs=0.5, rel=0)
    best = np.pi * 0.3 * 2807 / 60
    assert centrifugal_tension(mass, best) == pytest.approx(tension / 3, rel=2 * 0.5 / 2807)


def test_khurmi_11_22_rope():
    # 2.4 kW per rope, 0.4 m at 110 rpm, groove 45 deg, mu 0.28, 160 deg: initial tension 676.00 N
    pull = 2400 / (np.pi * 0.4 * 110 / 60)
    ratio = eytelwein_ratio(np.radians(160), np.radians(22.5), 0.28)
    assert pull * (ratio + 1) / (ratio - 1) / 2 == pytest.approx(676.00, abs=0.005, rel=0)


def test_khurmi_11_10_flat_belt():
    # 100 x 6 mm at 1000 kg/m3 and 2 MPa, mu 0.3, 120 deg: 9.64 kW at the best speed 25.82 m/s
    ratio = eytelwein_ratio(np.radians(120), FLAT, 0.3 * FLAT_SHARE)
    assert centrifugal_tension(0.6, 25.82) == pytest.approx(400, rel=2 * 0.005 / 25.82)
    power = (1200 - centrifugal_tension(0.6, 25.82)) * (1 - 1 / ratio) * 25.82
    assert power == pytest.approx(9.64e3, abs=5, rel=0)


def test_khurmi_11_12_flat_belt():
    # initial tension 2000 N, mu 0.3, 150 deg, 0.4 m at 500 rpm: 15.7 kW
    ratio = eytelwein_ratio(np.radians(150), FLAT, 0.3 * FLAT_SHARE)
    assert 2 * 2000 * (ratio - 1) / (ratio + 1) * np.pi * 0.4 * 500 / 60 == pytest.approx(15.7e3, abs=50, rel=0)


def test_jindal_21_3_v_belt():
    # 0.25 m at 1000 rpm, 0.35 kg/m, mu 0.28, half angle 19 deg: Tc 59.97, T1 520.7, T2 102.7 N; 22 kW need 4.0 belts
    speed = np.pi * 0.25 * 1000 / 60
    centrifugal = centrifugal_tension(0.35, speed)
    ratio = float(eytelwein_ratio(wrap_angles(0.125, 0.3125, 1.0)[0], np.radians(19), 0.28))
    slack = centrifugal + (520.7 - centrifugal) / ratio
    assert centrifugal == pytest.approx(59.97, abs=0.005, rel=0)
    assert slack == pytest.approx(102.7, abs=0.05 + 0.05 / ratio, rel=0)
    assert 22e3 / ((520.7 - slack) * speed) == pytest.approx(4.0, abs=0.05, rel=0)


def test_shigley_17_2_flat_belt():
    # wrap 3.037 rad, f 0.80, pull 664 lbf, Fc 73.4 lbf: ratio 11.35, F1 802, F2 138 lbf
    ratio = eytelwein_ratio(3.037, FLAT, 0.80 * FLAT_SHARE)
    assert ratio == pytest.approx(11.35, abs=0.005, rel=0)
    assert 73.4 + 664 * ratio / (ratio - 1) == pytest.approx(802, abs=0.5, rel=0)
    assert 73.4 + 664 / (ratio - 1) == pytest.approx(138, abs=0.5, rel=0)


@pytest.mark.parametrize(("included", "effective"), [(30, 0.50), (34, 0.45), (38, 0.40)])
def test_effective_friction_of_industrial_grooves(included, effective):
    # Shigley 17-3 (quoted in notes): f 0.13 in these grooves; the two-digit f = 0.13 +- 0.005 sets the tolerance
    found = np.log(eytelwein_ratio(1.0, np.radians(included / 2), 0.13))
    assert found == pytest.approx(effective, rel=0.005 / 0.13)


def test_design_friction_is_five_to_one_at_half_a_turn():
    # belt-maker value 0.5123 quoted by Shigley (17-18): exp(0.5123 pi) = 5.000
    assert eytelwein_ratio(np.pi, FLAT, 0.5123 * FLAT_SHARE) == pytest.approx(5.000, abs=0.0005, rel=0)
