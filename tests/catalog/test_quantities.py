"""Texts with units: every trap refused in plain words, every conversion equal to pint's own."""

from __future__ import annotations

import math
from typing import Annotated, Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from catalog import quantities, units
from catalog.errors import QuantityError
from catalog.quantities import quantity, refusal, show, shown, to_si
from catalog.ranges import RANGES

PINT = pint.UnitRegistry()


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("268 mm", "m", 0.268),
        ("9 in", "m", 0.2286),
        ("3 µm", "m", 3e-6),
        ("62 N", "N", 62.0),
        ("62 lbf", "N", 275.7897401),
        ("45 N/mm", "N/m", 45e3),
        ("100 lbf/in", "N/m", 17512.683524648),
        ("38 deg", "rad", math.radians(38)),
        ("38°", "rad", math.radians(38)),
        ("-2 turns", "rad", -4 * math.pi),
        ("54 g", "kg", 0.054),
        ("3 lb", "kg", 1.36077711),
        ("7600 rpm", "rad/s", 7600 * math.pi / 30),
        ("80 N m", "N m", 80.0),
        ("80 N·m", "N m", 80.0),
        ("80 Nm", "N m", 80.0),
        ("10 lbf-in", "N m", 1.1298482903),
        ("0.35 N m/deg", "N m/rad", 0.35 * 180 / math.pi),
        ("62 kW", "W", 62e3),
        ("1 hp", "W", 745.6998716),
        ("15 degC", "K", 288.15),
        ("-40 °F", "K", 233.15),
        ("300 K", "K", 300.0),
        ("79 GPa", "Pa", 79e9),
        ("200 N/mm²", "Pa", 200e6),
        ("36 km/h", "m/s", 10.0),
        ("0.6 m^2", "m^2", 0.6),
        ("0.4 kg/m", "kg/m", 0.4),
        ("1.2 kg/m**3", "kg/m^3", 1.2),
        ("4 /min", "1/s", 4 / 60),
        ("4 1/min", "1/s", 4 / 60),
        ("12 %", "1", 0.12),
        ("12%", "1", 0.12),
        ("0.35", "1", 0.35),
        (3, "1", 3.0),
        (0.25, "1", 0.25),
        ("1e3 N", "N", 1e3),
        ("1.5E-3 m", "m", 1.5e-3),
        (".5 mm", "m", 5e-4),
        ("+5. mm", "m", 5e-3),
        ("  5mm ", "m", 5e-3),
    ],
)
def test_text_becomes_si(text: object, unit: str, value: float) -> None:
    assert to_si(text, unit) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        # a bare number, or no number
        (62, "N", "unit missing.*expected a force.*'62 N'"),
        ("62", "N", "unit missing.*'62 N'"),
        (7600.0, "rad/s", "unit missing.*'7600 rpm'"),
        ("N", "N", "not a force"),
        ("", "m", "not a length.*empty text"),
        (None, "m", "not a length.*nothing"),
        (True, "1", "not a plain number.*true"),
        ([1], "m", "not a length.*a list of 1"),
        # pounds and kilograms
        ("60 lb", "N", "'lb' is not a unit of force.*write lbf"),
        ("60 lbs", "N", "write lbf"),
        ("90 lb/in", "N/m", "'lb/in' is not a unit of spring rate.*write lbf"),
        ("90 lb in", "N m", "'lb in' is not a unit of torque.*write lbf"),
        ("9 ft-lb", "N m", "write lbf"),
        ("5 kg/mm", "N/m", "write kgf for force"),
        ("3 lbf", "kg", "write lb for mass"),
        # a unit of another kind
        ("3 mm", "N", "'mm' is a unit of length, not of force"),
        ("3 rpm", "1/s", "'rpm' is a unit of speed of rotation, not of count per time"),
        ("3 Hz", "rad/s", "count per time, not of speed of rotation"),
        ("3 N m", "N m/rad", "torque, not of torsion spring rate"),
        ("12 %", "rad", "'%' is a unit of plain number, not of angle"),
        ("12 deg", "1", "angle, not of plain number"),
        ("3 mm/N", "N/m", "'mm/N' is not a unit of spring rate"),
        ("15 degC/m", "K", "'degC/m' is not a unit of temperature"),
        # an unknown unit
        ("3 newtn", "N", "unknown unit 'newtn'.*did you mean 'newton'"),
        ("3 RPM", "rad/s", "did you mean 'rpm'"),
        ("3 Mm", "m", "did you mean 'mm'"),
        ("15 C", "K", "did you mean 'degC'"),
        ("3 qqq", "m", "known are for example"),
        ("3 pi", "1", "unknown unit 'pi'"),
        ("3 c", "m/s", "unknown unit 'c'"),
        ("3 m2", "m^2", "cannot be read as a unit.*m\\^2"),
        ("3 *m", "m", "cannot be read as a unit"),
        ("3 m^9^9^9", "m", "cannot be read as a unit"),
        ("4 1", "1", "cannot be read as a unit"),
        ("9" * 90 + " m", "m", "too long"),
        # number forms
        ("45,5 mm", "m", "comma in a number.*decimal point"),
        ("1,150 kg", "kg", "comma in a number"),
        ("1 150 kg", "kg", "separator inside a number"),
        ("1_150 kg", "kg", "separator inside a number"),
        ("1'150 kg", "kg", "separator inside a number"),
        ("007 mm", "m", "leading zero"),
        ("0123", "1", "leading zero"),
        ("12:30", "1", "colon in a number.*base 60"),
        ("nan mm", "m", "not a finite number"),
        (".inf", "1", "not a finite number"),
        ("-Infinity N", "N", "not a finite number"),
        ("1e999 N", "N", "not a finite number"),
        (math.nan, "1", "not a finite number"),
        (10**400, "1", "not a finite number"),
        ("٣ mm", "m", "not a length"),
    ],
)
def test_trap_is_refused_in_plain_words(text: object, unit: str, words: str) -> None:
    with pytest.raises(QuantityError, match=words):
        to_si(text, unit)


def test_integer_beyond_printing_is_refused() -> None:
    with pytest.raises(QuantityError, match=r"not a finite number.*too long to print"):
        to_si(10**5000, "1")


FITTING = {
    "m": ["mm", "cm", "in", "ft", "mile", "thou"],
    "N": ["N", "kN", "lbf", "kgf", "gf"],
    "N/m": ["N/mm", "lbf/in", "kgf/mm"],
    "kg": ["g", "lb", "oz", "t", "slug"],
    "rad": ["deg", "mrad", "turn"],
    "rad/s": ["rpm", "deg/s", "turn/min"],
    "N m": ["N mm", "lbf in", "lbf ft", "kgf cm"],
    "N m/rad": ["N m/deg", "lbf in/deg"],
    "W": ["kW", "hp", "lbf ft/s"],
    "Pa": ["MPa", "psi", "bar", "N/mm^2", "lbf/in^2"],
    "m/s": ["km/h", "mph", "knot"],
    "m^2": ["cm^2", "in^2"],
    "kg/m^3": ["g/cm^3", "lb/ft^3"],
    "1/s": ["1/min", "Hz", "1/h"],
}
PAIRS = [(unit, si) for si, units in FITTING.items() for unit in units]
# pint reads "gf" as gram-force only under its long name
PINT_NAMES = {"gf": "gram_force"}


@given(st.floats(-1e9, 1e9), st.sampled_from(PAIRS))
def test_conversion_and_its_inverse_agree_with_pint(number: float, pair: tuple[str, str]) -> None:
    unit, si = pair
    pint_unit = PINT_NAMES.get(unit, unit)
    value = to_si(f"{number!r} {unit}", si)
    assert value == pytest.approx(PINT.Quantity(number, pint_unit).to(si).magnitude, rel=1e-12, abs=1e-300)
    assert PINT.Quantity(value, si).to(pint_unit).magnitude == pytest.approx(number, rel=1e-12, abs=1e-300)


@given(st.floats(-200, 2000), st.sampled_from(["degC", "degF"]))
def test_offset_temperatures_agree_with_pint(number: float, unit: str) -> None:
    assert to_si(f"{number!r} {unit}", "K") == pytest.approx(PINT.Quantity(number, unit).to("K").magnitude, rel=1e-12)


@given(st.text(max_size=30), st.sampled_from([*FITTING, "K", "1"]))
def test_any_text_is_read_or_refused(text: str, unit: str) -> None:
    try:
        value = to_si(text, unit)
    except QuantityError:
        return
    assert math.isfinite(value)


@given(st.floats(1e-3, 1e6), st.sampled_from([*FITTING, "K"]))
def test_shown_value_reads_back(value: float, unit: str) -> None:
    tolerance = 0.01 if unit == "K" else 0.0
    assert to_si(show(value, unit, 7), unit) == pytest.approx(value, rel=1e-6, abs=tolerance)


def test_every_listed_unit_is_known_to_pint_and_every_example_fits_its_kind() -> None:
    assert all(quantities._unit(name)[0] > 0 for name in units.UNITS)
    for unit, kind in units.KINDS.items():
        assert to_si(kind.example, unit) > 0


@pytest.mark.parametrize(("dimensions", "name", "factor"), [(d, *row) for d, u in units.COMMON for row in u.items()])
def test_written_unit_equals_pints(dimensions: dict[str, float], name: str, factor: float) -> None:
    base = PINT.Quantity(1.0, units.UNITS[name]).to_base_units()
    assert factor == pytest.approx(base.magnitude, rel=1e-15)
    angle = {"[angle]": 1} if name in units.ANGULAR else {}  # pint counts angles as plain numbers
    assert dimensions == dict(base.dimensionality) | angle


def test_repeated_unit_costs_no_pint_call(monkeypatch: pytest.MonkeyPatch) -> None:
    first = to_si("12 ozf/thou", "N/m")
    monkeypatch.setattr(quantities, "_registry", None)
    assert to_si("24 ozf/thou", "N/m") == pytest.approx(2 * first)


def test_common_units_their_refusals_and_display_leave_pint_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    quantities._unit.cache_clear()
    quantities._conversion.cache_clear()
    quantities._dimensions.cache_clear()
    monkeypatch.setattr(quantities, "_registry", None)
    for si, kind in units.KINDS.items():
        assert to_si(show(to_si(kind.example, si), si, 9), si) == pytest.approx(to_si(kind.example, si))
    for text, si in (("60 lb", "N"), ("3 mm", "N"), ("3 newtn", "N"), ("3 mm/N", "N/m")):
        with pytest.raises(QuantityError):
            to_si(text, si)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.268, "m", "268 mm"),
        (1500.0, "m", "1500 m"),
        (math.radians(38), "rad", "38 deg"),
        (7600 * math.pi / 30, "rad/s", "7600 rpm"),
        (45e3, "N/m", "45 N/mm"),
        (0.054, "kg", "54 g"),
        (1.5, "kg", "1.5 kg"),
        (20.0535, "N m/rad", "0.35 N m/deg"),
        (288.15, "K", "15 degC"),
        (62e3, "W", "62 kW"),
        (79e9, "Pa", "79000 MPa"),
        (275.7897, "N", "276 N"),
        (-0.0, "m", "0 mm"),
        (0.126, "1", "0.126"),
        (2.5, "kg m^2/s", "2.5 kg m^2/s"),
        (math.nan, "N", "nan N"),
        (1e-9, "1", "1e-09"),
    ],
)
def test_show_uses_the_display_unit(value: float, unit: str, text: str) -> None:
    assert show(value, unit) == text


def test_shown_is_one_short_printable_line() -> None:
    assert shown("a\nb\x00" + "x" * 100) == "a\\nb\\x00" + "x" * 53 + "..."
    assert shown({"a": 1}) == "a mapping of 1"
    assert shown([]) == "a list of 0"
    assert shown(1.5) == "1.5"


def _error(annotation: Any, value: object) -> dict[str, Any]:
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(annotation).validate_python(value)
    (error,) = caught.value.errors()
    return dict(error)


def test_field_error_carries_message_got_expected_hint() -> None:
    error = _error(quantities.Force, "60 lb")
    assert error["type"] == "quantity"
    context = {key: error["ctx"][key] for key in ("message", "got", "expected", "hint")}
    assert context == {
        "message": "'lb' is not a unit of force",
        "got": "60 lb",
        "expected": "a force",
        "hint": "'lb' is a unit of mass here; write lbf for force",
    }


@pytest.mark.parametrize(
    ("limits", "text", "message", "expected"),
    [
        ({"gt": 0}, "0 mm", "0 mm is not above 0 mm", "a length above 0 mm"),
        ({"ge": 0.01}, "9 mm", "9 mm is not at least 10 mm", "a length at least 10 mm"),
        ({"lt": 0.01}, "10 mm", "10 mm is not below 10 mm", "a length below 10 mm"),
        ({"le": 0.01}, "11 mm", "11 mm is not at most 10 mm", "a length at most 10 mm"),
    ],
)
def test_range_error_prints_value_and_limit_in_the_display_unit(
    limits: dict[str, float], text: str, message: str, expected: str
) -> None:
    context = _error(Annotated[float, quantity("m", **limits)], text)["ctx"]
    assert (context["message"], context["expected"], context["got"]) == (message, expected, text)


def test_range_error_shows_what_a_foreign_unit_comes_to() -> None:
    assert _error(quantities.Length, "-1 in")["ctx"]["got"] == "-1 in = -25.4 mm"


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("Length", "1 mm", "0 mm"),
        ("Coordinate", "-1 mm", "1 N"),
        ("Force", "0 N", "-1 N"),
        ("Rate", "1 N/mm", "0 N/mm"),
        ("Mass", "1 g", "0 g"),
        ("RotationSpeed", "1 rpm", "0 rpm"),
        ("TorsionRate", "1 N m/deg", "0 N m/deg"),
        ("Area", "0 m^2", "-1 m^2"),
        ("Speed", "0 km/h", "-1 km/h"),
        ("Number", 0, -1),
        ("Fraction", "100 %", "101 %"),
        ("LinearDensity", "0 kg/m", "-1 kg/m"),
        ("PerMinute", "0 /min", "-1 /min"),
    ],
)
def test_alias_keeps_its_range(name: str, good: object, bad: object) -> None:
    annotation = getattr(quantities, name)
    assert isinstance(TypeAdapter(annotation).validate_python(good), float)
    assert _error(annotation, bad)["type"] == "quantity"


def test_refusal_needs_only_a_message() -> None:
    assert refusal("too heavy").message() == "too heavy"
    assert refusal("too heavy", hint="drill it").message() == "too heavy; drill it"


@pytest.mark.parametrize(
    ("limits", "low", "high"),
    [
        ({}, -10.0, 10.0),
        ({"gt": 0}, 1e-5, 10.0),
        ({"ge": 0}, 1e-5, 10.0),
        ({"ge": 0.1}, 0.1, 10.0),
        ({"gt": 0, "ge": 0.1, "le": 20.0}, 0.1, 20.0),
        ({"ge": -500, "le": 9000}, -500, 9000),
    ],
)
def test_a_field_without_limits_of_its_own_takes_those_of_its_unit(
    limits: dict[str, float], low: float, high: float
) -> None:
    field = Annotated[float, quantity("m", **limits)]
    for value in (low, high):
        assert TypeAdapter(field).validate_python(f"{value} m") == value
    assert _error(field, f"{low - 1e-6 * abs(low)} m")["type"] == "quantity"
    assert _error(field, f"{high * 1.000001} m")["type"] == "quantity"
    if limits == {"ge": 0}:
        assert TypeAdapter(field).validate_python("0 m") == 0
        assert "zero or at least 0.01 mm" in _error(field, "1e-9 m")["ctx"]["expected"]


def test_every_kind_of_quantity_has_a_range() -> None:
    assert set(RANGES) == set(units.KINDS)
    assert all(0 < least < most for least, most in RANGES.values())
