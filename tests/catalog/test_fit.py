"""The four forms of one spring, and every fit rule with a case that passes and one that fails with its sentence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from catalog import fit
from catalog.machine import DriveClutch, DrivenClutch
from catalog.parts import Flyweight, Helix, TuningMass
from catalog.springs import MATERIALS, DrivenSpring, DriveSpring, WireForm

FREE, INSTALLED, FULL = 0.100, 0.066, 0.042  # m
BASE = {"id": "probe", "description": "a part", "source": "made up for this test", "basis": "example"}
SIZE = {"fits": ["quern"], "outer_diameter": "69 mm", "inner_diameter": "59 mm", "solid_length": "30 mm"}
GEOMETRY = {"diameter": "5 mm", "mean_diameter": "64 mm", "active_coils": 4, "total_coils": 6}
GEOMETRY |= {"free_length": "100 mm", "material": "chrome-silicon"}
RATE = 77.2e9 * 0.005**4 / (8 * 0.064**3 * 4)  # N/m, EN 13906-1


def load(length: float) -> float:
    return RATE * (FREE - length)


FORMS: dict[str, dict[str, Any]] = {
    "wire": {"wire": GEOMETRY},
    "linear": {"linear": {"rate": f"{RATE!r} N/m", "free_length": "100 mm", "installed_length": "66 mm"}},
    "marked": {"marked": {"installed": f"{load(INSTALLED)!r} N", "full_shift": f"{load(FULL)!r} N"}},
    "table": {"table": [{"length": f"{x * 1e3!r} mm", "load": f"{load(x)!r} N"} for x in (0.08, 0.066, 0.05, 0.04)]},
}


def spring(*forms: str, **changes: Any) -> DriveSpring:
    described = {key: value for form in forms for key, value in FORMS[form].items()}
    return DriveSpring.model_validate(BASE | SIZE | described | changes)


def driven_spring(kind: str, **changes: Any) -> DrivenSpring:
    return DrivenSpring.model_validate(BASE | SIZE | {"kind": kind} | FORMS["wire"] | changes)


# ---- one spring in four forms ----


@pytest.mark.invariant
@pytest.mark.parametrize("form", FORMS)
def test_each_form_of_one_spring_gives_the_same_loads(form: str) -> None:
    lengths = np.linspace(0.035, 0.11, 40)
    curve = spring(form).curve(INSTALLED, FULL)
    assert curve.at(lengths) == pytest.approx(np.maximum(RATE * (FREE - lengths), 0.0), rel=1e-9, abs=1e-9)


@pytest.mark.invariant
def test_forms_that_agree_may_stand_together_and_what_was_measured_counts() -> None:
    assert spring(*FORMS).curve(INSTALLED, FULL).length.tolist() == [0.08, 0.066, 0.05, 0.04]
    assert spring("wire", "linear", "marked").curve(INSTALLED, FULL).length.tolist() == [INSTALLED, FULL]


@pytest.mark.invariant
def test_two_marked_loads_stand_at_the_clutchs_lengths_unless_they_name_their_own() -> None:
    marks = [load(INSTALLED), load(FULL)]
    bare = spring("marked")
    assert bare.stated_length is None
    for lengths in ((0.066, 0.042), (0.080, 0.060)):
        assert bare.curve(*lengths).at(lengths) == pytest.approx(marks, rel=1e-12)
    own = spring(marked=FORMS["marked"]["marked"] | {"installed_length": "70 mm", "full_shift_length": "50 mm"})
    assert own.stated_length == 0.070
    assert own.curve(INSTALLED, FULL).at([0.070, 0.050]) == pytest.approx(marks, rel=1e-12)


@pytest.mark.invariant
def test_wire_gives_the_dimensions_that_are_not_stated() -> None:
    wound = driven_spring("torsion", **dict.fromkeys(("outer_diameter", "inner_diameter", "solid_length")))
    assert wound.dimension("outer_diameter") == pytest.approx(0.069)
    assert wound.dimension("inner_diameter") == pytest.approx(0.059)
    assert wound.dimension("solid_length") == pytest.approx(0.030)
    assert wound.winding_rate == pytest.approx(203.4e9 * 0.005**4 / (64 * 0.064 * 4))  # EN 13906-3
    assert driven_spring("compression").winding_rate == 0.0


def test_every_material_of_the_form_is_known() -> None:
    for material in MATERIALS:
        assert WireForm.model_validate(GEOMETRY | {"material": material}).rate > 0


# ---- what goes into what ----

POCKET = {"installed_length": "66 mm", "outer_limit": "70 mm", "inner_limit": "58 mm"}
DRIVE = DriveClutch.model_validate(
    {"family": "quern", "min_radius": "34 mm", "max_radius": "86 mm", "arms": 3, "pin_diameter": "8 mm"}
    | {"pivot_radius": "47 mm", "roller_diameter": "15 mm", "roller_outboard": "34 mm", "roller_height": "2 mm"}
    | {"roller_friction": 0.02, "spring": POCKET}
)
DRIVEN = DrivenClutch.model_validate(
    {"family": "quern", "min_radius": "64 mm", "max_radius": "113 mm", "roller_diameter": "12 mm"}
    | {"ramp_friction": 0.04, "spring": POCKET, "spring_tangs": True}
)
SEATS = {
    "heel": {"along": "16 mm", "across": "-4 mm", "seat": "m6", "depth": "14 mm"},
    "tip": {"along": "54 mm", "across": "-14 mm", "seat": "m5", "depth": "16 mm", "may_be_empty": False},
}
BENCH: dict[str, Any] = {"speed": "7000 rpm", "travel": ["0 mm", "9 mm", "25 mm"], "bare": ["900 N"] * 3}
BENCH |= {"per_mass": {"heel": ["9 N/g"] * 3, "tip": ["30 N/g"] * 3}}


def arm(**changes: Any) -> Flyweight:
    body = {"fits": ["quern"], "count": 3, "pin_diameter": "8 mm", "roller_diameter": "15 mm"}
    return Flyweight.model_validate(BASE | {"id": "arm"} | body | {"thrust": BENCH, "stations": SEATS} | changes)


def mass(**changes: Any) -> TuningMass:
    body = {"stations": ["tip"], "seat": "m5", "length": "16 mm", "mass": "8 g"}
    return TuningMass.model_validate(BASE | body | changes)


def helix(**changes: Any) -> Helix:
    body = {"fits": ["quern"], "radius": "42 mm", "travel": "24 mm", "roller_diameter": "12 mm", "angle": "40 deg"}
    return Helix.model_validate(BASE | {"id": "ramp"} | body | {"twist_steps": ["10 deg", "20 deg"]} | changes)


DEG = np.pi / 180
OTHER = "probe is made for loam, meadow, not quern"

CASES: list[tuple[str, Callable[[], str | None], str | None]] = [
    ("spring", lambda: fit.spring_fits(spring("linear"), DRIVE.spring, "quern"), None),
    (
        "spring of several clutches",
        lambda: fit.spring_fits(spring("wire", fits=["a", "quern"]), DRIVE.spring, "quern"),
        None,
    ),
    (
        "spring at both limits",
        lambda: fit.spring_fits(
            spring("wire", "marked", outer_diameter="70 mm", inner_diameter="58 mm"), DRIVE.spring, "quern"
        ),
        None,
    ),
    (
        "spring of another clutch",
        lambda: fit.spring_fits(spring("wire", fits=["loam", "meadow"]), DRIVE.spring, "quern"),
        OTHER,
    ),
    (
        "wide spring",
        lambda: fit.spring_fits(spring("marked", outer_diameter="70.5 mm"), DRIVE.spring, "quern"),
        "probe is 70.5 mm outside, the pocket takes 70 mm",
    ),
    (
        "narrow spring",
        lambda: fit.spring_fits(spring("marked", inner_diameter="57.5 mm"), DRIVE.spring, "quern"),
        "probe is 57.5 mm inside, the guide needs 58 mm",
    ),
    (
        "spring a little long",
        lambda: fit.spring_fits(
            spring(linear=FORMS["linear"]["linear"] | {"installed_length": "67.4 mm"}), DRIVE.spring, "quern"
        ),
        None,
    ),
    (
        "long spring",
        lambda: fit.spring_fits(
            spring(linear=FORMS["linear"]["linear"] | {"installed_length": "68 mm"}), DRIVE.spring, "quern"
        ),
        "probe is meant to sit at 68 mm, the pocket is 66 mm",
    ),
    ("arms", lambda: fit.flyweight_fits(arm(pin_diameter="8.1 mm", roller_diameter="15.2 mm"), DRIVE), None),
    (
        "arms of another clutch",
        lambda: fit.flyweight_fits(arm(fits=["loam"]), DRIVE),
        "arm is made for loam, not quern",
    ),
    ("four arms", lambda: fit.flyweight_fits(arm(count=4), DRIVE), "arm is a set of 4, the clutch takes 3"),
    (
        "arms with a wide bore",
        lambda: fit.flyweight_fits(arm(pin_diameter="8.3 mm"), DRIVE),
        "arm is bored for pins of 8.3 mm, the clutch has 8 mm",
    ),
    (
        "arms for a wide roller",
        lambda: fit.flyweight_fits(arm(roller_diameter="16 mm"), DRIVE),
        "arm is cut for rollers of 16 mm, the clutch has 15 mm",
    ),
    ("mass", lambda: fit.mass_fits(mass(), "tip", arm()), None),
    ("no mass", lambda: fit.mass_fits(None, "heel", arm()), None),
    ("no mass and no station", lambda: fit.mass_fits(None, "mid", arm()), None),
    ("no mass where one must be", lambda: fit.mass_fits(None, "tip", arm()), "tip of arm must carry a mass"),
    ("mass of another station", lambda: fit.mass_fits(mass(), "heel", arm()), "probe is made for tip, not heel"),
    (
        "mass without station",
        lambda: fit.mass_fits(mass(stations=["tip", "mid"]), "mid", arm()),
        "arm has no mid station",
    ),
    (
        "mass of another seat",
        lambda: fit.mass_fits(mass(seat="m6"), "tip", arm()),
        "probe has seat m6, tip of arm takes m5",
    ),
    (
        "long mass",
        lambda: fit.mass_fits(mass(length="17 mm"), "tip", arm()),
        "probe is 17 mm long, tip of arm is 16 mm deep",
    ),
    ("helix", lambda: fit.helix_fits(helix(roller_diameter="12.2 mm"), DRIVEN, 0.024), None),
    (
        "helix of another clutch",
        lambda: fit.helix_fits(helix(fits=["loam"]), DRIVEN, 0.02),
        "ramp is made for loam, not quern",
    ),
    (
        "helix for a wide roller",
        lambda: fit.helix_fits(helix(roller_diameter="13 mm"), DRIVEN, 0.02),
        "ramp is cut for rollers of 13 mm, the clutch has 12 mm",
    ),
    (
        "short helix",
        lambda: fit.helix_fits(helix(travel="19.5 mm"), DRIVEN, 0.02),
        "ramp ends at 19.5 mm travel, the belt needs 20 mm",
    ),
    ("compression spring", lambda: fit.spring_takes_twist(driven_spring("compression"), None, False), None),
    ("torsion spring", lambda: fit.spring_takes_twist(driven_spring("torsion"), 20 * DEG, True), None),
    ("a step of the helix", lambda: fit.helix_takes_twist(helix(), 20 * DEG), None),
    ("helix of a spring that is not wound", lambda: fit.helix_takes_twist(helix(), None), None),
    (
        "compression spring wound",
        lambda: fit.spring_takes_twist(driven_spring("compression"), 20 * DEG, True),
        "probe is a compression spring and is not wound",
    ),
    (
        "no tang holes",
        lambda: fit.spring_takes_twist(driven_spring("torsion"), 20 * DEG, False),
        "probe needs tang holes, which the driven clutch lacks",
    ),
    (
        "torsion spring slack",
        lambda: fit.spring_takes_twist(driven_spring("torsion"), None, True),
        "probe is wound by the helix and needs a twist setting",
    ),
    (
        "twist between two steps",
        lambda: fit.helix_takes_twist(helix(), 15 * DEG),
        "ramp has no setting at 15 deg twist",
    ),
    ("coils apart", lambda: fit.coil_bind(spring("wire"), 0.032, 1.5e-3), None),
    (
        "coils too close",
        lambda: fit.coil_bind(spring("wire"), 0.031, 1.5e-3),
        "probe would be 31 mm long at full shift; it is solid at 30 mm and must keep 1.5 mm",
    ),
    ("in stock", lambda: fit.out_of_stock(mass(stock=1), False), None),
    ("fitted already", lambda: fit.out_of_stock(mass(stock=0), True), None),
    ("sold out", lambda: fit.out_of_stock(mass(stock=0), False), "probe is not in stock"),
    ("stock unknown", lambda: fit.out_of_stock(mass(), False), "probe states no stock"),
]


@pytest.mark.parametrize(("case", "expected"), [pytest.param(c, e, id=name) for name, c, e in CASES])
def test_a_fit_rule_answers_with_a_sentence_or_nothing(case: Callable[[], str | None], expected: str | None) -> None:
    assert case() == expected


def test_marks_without_lengths_are_held_against_the_wire_in_the_clutch() -> None:
    marks = {"installed": f"{load(0.066):.1f} N", "full_shift": f"{load(0.042):.1f} N"}
    assert fit.spring_fits(spring("wire", marked=marks), DRIVE.spring, "quern", 0.042) is None
    far = spring("wire", marked={"installed": "5000 N", "full_shift": "9000 N"})
    assert "marked and wire disagree" in str(fit.spring_fits(far, DRIVE.spring, "quern", 0.042))


@pytest.mark.parametrize("free", ["60 mm", "66 mm"])
def test_a_spring_must_be_pressed_in_its_pocket(free: str) -> None:
    loose = spring(wire=GEOMETRY | {"free_length": free})
    assert fit.spring_fits(loose, DRIVE.spring, "quern") is not None


def test_a_helix_takes_the_twists_of_its_steps_or_of_its_range() -> None:
    asked = [9.8, 9.95, 15, 20.05, 20.2]
    cases: list[tuple[dict[str, Any], list[bool]]] = [
        ({}, [False, True, False, True, False]),
        ({"twist_steps": None, "twist_range": ["10 deg", "20 deg"]}, [False, True, True, True, False]),
        ({"twist_steps": None}, [False] * 5),
    ]
    for twist, taken in cases:
        assert [helix(**twist).takes_twist(angle * DEG) for angle in asked] == taken


# ---- stress ----


def stresses(twist: float = 0.0) -> tuple[float, float]:
    """Shear of the wire at full shift and its strength, from the formulas alone [MPa]."""
    index, section = 64 / 5, np.pi * 5**3
    shear = (index + 0.5) / (index - 0.75) * 8 * load(FULL) * 64 / section  # EN 13906-1
    inner = (4 * index**2 - index - 1) / (4 * index * (index - 1))  # Shigley Eq. 10-43
    torque = 203.4e3 * 5**4 / (64 * 64 * 4) * twist  # N mm
    return float(np.hypot(shear, inner * 32 * torque / section / 2)), 1974 / 5**0.108


@pytest.mark.invariant
@pytest.mark.parametrize("twist", [0.0, 1.2])
def test_stress_is_held_below_its_share_of_the_wires_strength(twist: float) -> None:
    wound = driven_spring("torsion")
    reached, strength = stresses(twist)
    shear = fit.wire_shear(wound, float(wound.curve(INSTALLED, FULL).at(FULL)), twist)
    assert shear == pytest.approx(1e6 * reached)
    assert fit.allowed_shear(wound, 0.6) == pytest.approx(0.6e6 * strength)
    assert fit.stress_sentence(wound, 1e6 * reached, 5e8) == (
        f"probe reaches {reached:.0f} MPa shear at full shift, 500 MPa is allowed"
    )


@pytest.mark.invariant
def test_twist_does_not_stress_a_compression_spring_and_unknown_wire_is_not_judged() -> None:
    pressed = driven_spring("compression")
    load = float(pressed.curve(INSTALLED, FULL).at(FULL))
    assert fit.wire_shear(pressed, load, np.array([0.0, 2.0])) == pytest.approx(1e6 * stresses()[0])
    unknown = spring("linear")
    assert fit.wire_shear(unknown, 1e9, np.array([0.0, 2.0])).tolist() == [0.0, 0.0]
    assert fit.allowed_shear(unknown, 1e-6) == np.inf
