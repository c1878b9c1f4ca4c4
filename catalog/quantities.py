"""Texts with a unit ("60 lbf", "45 N/mm") to SI numbers and back to display texts.

The unit names are a fixed list, so that no exotic prefix or physical constant slips in. The factors of the common
ones are written here; pint supplies those of the others, and is imported only when the first of them is met. The angle
counts as a dimension of its own: "4 /min" is no speed of rotation, "80 N m" no torsion rate. Nothing here knows files,
parts or models.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from collections.abc import Callable, Sequence
from typing import Annotated, Any, NamedTuple

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from catalog.errors import QuantityError
from catalog.wording import shown

# fmt: off
__all__ = [
    "TO_KMH",
    "TO_RPM",
    "Area",
    "Coordinate",
    "Force",
    "Fraction",
    "Length",
    "LinearDensity",
    "Mass",
    "Number",
    "PerMinute",
    "Rate",
    "RotationSpeed",
    "Speed",
    "TorsionRate",
    "quantity",
    "refusal",
    "show",
    "shown",
    "to_si",
]
# fmt: on


TO_RPM = 30 / math.pi  # rpm per rad/s
TO_KMH = 3.6  # km/h per m/s


class _Display(NamedTuple):
    """A display unit used from `least` (SI) upward: shown = value / factor - offset."""

    unit: str
    factor: float
    least: float = 0.0
    offset: float = 0.0


class _Kind(NamedTuple):
    """What an SI unit measures, how a user would write it, and the display units, largest first."""

    name: str
    example: str
    displays: tuple[_Display, ...] = ()


_KINDS = {
    "1": _Kind("plain number", "0.35", (_Display("", 1.0),)),
    "m": _Kind("length", "268 mm", (_Display("m", 1.0, 10.0), _Display("mm", 1e-3))),
    "m^2": _Kind("area", "0.6 m^2", (_Display("m^2", 1.0, 0.01), _Display("mm^2", 1e-6))),
    "N": _Kind("force", "62 N"),
    "N/m": _Kind("spring rate", "45 N/mm", (_Display("N/mm", 1e3),)),
    "rad": _Kind("angle", "38 deg", (_Display("deg", math.pi / 180),)),
    "kg": _Kind("mass", "54 g", (_Display("kg", 1.0, 1.0), _Display("g", 1e-3))),
    "s": _Kind("time", "2 s"),
    "rad/s": _Kind("speed of rotation", "7600 rpm", (_Display("rpm", math.pi / 30),)),
    "N m": _Kind("torque", "80 N m"),
    "N m/rad": _Kind("torsion spring rate", "0.35 N m/deg", (_Display("N m/deg", 180 / math.pi),)),
    "W": _Kind("power", "62 kW", (_Display("kW", 1e3),)),
    "W/K": _Kind("thermal conductance", "45 W/K"),
    "N/kg": _Kind("thrust per mass", "40 N/g", (_Display("N/g", 1e3),)),
    "N/m^2": _Kind("stiffness per length", "60 MPa", (_Display("MPa", 1e6),)),
    "K": _Kind("temperature", "15 degC", (_Display("degC", 1.0, 0.0, 273.15),)),
    "Pa": _Kind("pressure or stress", "90 kPa", (_Display("MPa", 1e6, 1e6), _Display("kPa", 1e3))),
    "m/s": _Kind("speed", "40 km/h", (_Display("km/h", 1 / 3.6),)),
    "kg/m": _Kind("mass per length", "0.4 kg/m"),
    "kg/m^3": _Kind("density", "1.2 kg/m^3"),
    "kg m^2": _Kind("moment of inertia", "0.02 kg m^2"),
    "1/s": _Kind("count per time", "4 /min", (_Display("/min", 1 / 60),)),
}

_ANGULAR = re.findall(r"\S+", "rad mrad radian deg degree degrees turn turns revolution revolutions rpm")
_PLAIN = re.findall(
    r"\S+",
    """
m mm cm km um in inch inches ft foot feet thou mile miles meter metre millimeter millimetre
kg g mg t lb lbs pound pounds oz slug gram grams kilogram N mN kN daN lbf kgf ozf newton newtons
s ms min h second seconds minute minutes hour hours Hz mph kph knot
W kW MW hp horsepower watt J kJ Pa hPa kPa MPa GPa bar mbar psi ksi atm K kelvin percent
""",
)
_RENAMED = {"%": "percent", "Nm": "N*m", "PS": "metric_horsepower", "gf": "gram_force", "lbm": "lb"}
_RENAMED |= {"rev": "turn", "degC": "delta_degC", "degF": "delta_degF"}
_UNITS = {name: name for name in _ANGULAR + _PLAIN} | _RENAMED
# Dimensions and SI factors of the units most files are written in, exact by definition. Building pint's registry takes
# longer than all the rest of reading a job; a test holds every row equal to it.
_COMMON: tuple[tuple[dict[str, float], dict[str, float]], ...] = (
    ({}, {"%": 0.01}),
    ({"[length]": 1}, {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "in": 0.0254, "ft": 0.3048}),
    ({"[mass]": 1}, {"kg": 1.0, "g": 1e-3, "lb": 0.45359237}),
    ({"[time]": 1}, {"s": 1.0, "min": 60.0, "h": 3600.0}),
    ({"[angle]": 1}, {"rad": 1.0, "deg": math.pi / 180}),
    ({"[angle]": 1, "[time]": -1}, {"rpm": math.pi / 30}),
    ({"[length]": 1, "[time]": -1}, {"mph": 0.44704}),
    ({"[mass]": 1, "[length]": 1, "[time]": -2}, {"N": 1.0, "kN": 1e3, "lbf": 0.45359237 * 9.80665, "kgf": 9.80665}),
    ({"[mass]": 1, "[length]": 2, "[time]": -2}, {"Nm": 1.0}),
    ({"[mass]": 1, "[length]": 2, "[time]": -3}, {"W": 1.0, "kW": 1e3, "hp": 550 * 0.3048 * 0.45359237 * 9.80665}),
    ({"[mass]": 1, "[length]": -1, "[time]": -2}, {"Pa": 1.0, "kPa": 1e3, "MPa": 1e6, "GPa": 1e9, "bar": 1e5}),
    ({"[temperature]": 1}, {"K": 1.0, "degC": 1.0}),
)
_TEMPERATURES = {"degC": (273.15, 1.0, 1.0), "degF": (459.67, 5.0, 9.0)}  # as _conversion returns them
_SIGNS = {"²": "^2", "³": "^3", "µ": "u", "μ": "u", "°C": "degC", "°F": "degF", "°": "deg"}
_MISNAMED = {"C": "degC", "F": "degF", "#": "lbf", "Lb": "lb", "k": "K", "H": "h", "G": "g", "PSI": "psi"}
_FORCES = {"lb": "lbf", "lbs": "lbf", "pound": "lbf", "pounds": "lbf", "kg": "kgf", "g": "gf", "oz": "ozf"}
_MASSES = {"lbf": "lb", "kgf": "kg", "gf": "g", "ozf": "oz"}

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_FACTOR = re.compile(r"\s*([*/·⋅-]?)\s*([A-Za-z%#]+)(?:(?:\^|\*\*)(-?[1-9])(?![0-9]))?")
_NO_SEPARATORS = "write a decimal point and no thousands separators, such as 1150 or 1.15"
_BAD_NUMBERS = (
    (r"[+-]?\.?(?i:nan|inf|infinity)\b", "not a finite number", "give a number with digits"),
    (r"[+-]?[0-9.]*,", "comma in a number", _NO_SEPARATORS),
    (r"[+-]?[0-9.]+([_'’][0-9]|\s[0-9]{3}(?![0-9]))", "separator inside a number", _NO_SEPARATORS),
    (r"[+-]?0[0-9]", "leading zero in a number", "leading zeros are ambiguous; leave them out"),
    (r"[+-]?[0-9.]+:[0-9]", "colon in a number", "some readers take it for base 60; write a plain number"),
)
_LONGEST = 80  # characters of a quantity text; longer ones are refused unread
_bad_unit = functools.partial(QuantityError, got="", expected="")  # value and place are not known there


@functools.cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


@functools.cache
def _unit(name: str) -> tuple[float, dict[str, float]]:
    """SI factor and dimensions of one named unit."""
    for dimensions, factors in _COMMON:
        if name in factors:
            return factors[name], dimensions
    base = _registry().Quantity(1.0, _UNITS[name]).to_base_units()
    angle = {"[angle]": 1.0} if _UNITS[name] in _ANGULAR else {}
    return float(base.magnitude), {str(d): float(p) for d, p in base.dimensionality.items()} | angle


def _factors(unit: str) -> list[tuple[str, int]]:
    """Split "N m/deg" into [("N", 1), ("m", 1), ("deg", -1)]."""
    for sign, plain in _SIGNS.items():
        unit = unit.replace(sign, plain)
    text = re.sub(r"^1\s*/", "/", unit.strip())
    found: list[tuple[str, int]] = []
    end = 0
    while end < len(text):
        match = _FACTOR.match(text, end)
        if match is None or (not found and match[1] not in ("", "/")):
            raise _bad_unit(f"'{shown(unit)}' cannot be read as a unit", hint="powers are written m^2")
        name = match[2]
        if name not in _UNITS:
            raise _bad_unit(f"unknown unit '{name}'", hint=_did_you_mean(name))
        found.append((name, int(match[3] or 1) * (-1 if match[1] == "/" else 1)))
        end = match.end()
    return found


def _did_you_mean(name: str) -> str:
    near = [_MISNAMED[name]] if name in _MISNAMED else [u for u in _UNITS if u.lower() == name.lower()]
    near = near or difflib.get_close_matches(name, _UNITS, n=1, cutoff=0.6)
    return f"did you mean '{near[0]}'?" if near else "known are for example N, lbf, mm, in, deg, rpm, g, kW"


def _combined(factors: Sequence[tuple[str, int]]) -> tuple[float, dict[str, float]]:
    """SI factor and dimensions of a product of unit powers."""
    scale, dimensions = 1.0, dict[str, float]()
    for name, power in factors:
        factor, parts = _unit(name)
        scale *= factor**power
        for dimension, exponent in parts.items():
            dimensions[dimension] = dimensions.get(dimension, 0.0) + exponent * power
    return scale, {dimension: p for dimension, p in dimensions.items() if p}


@functools.cache
def _dimensions(si_unit: str) -> dict[str, float]:
    return {} if si_unit == "1" else _combined(_factors(si_unit))[1]


@functools.cache
def _conversion(unit: str, si_unit: str) -> tuple[float, float, float]:
    """What makes SI = (value + offset) * factor / divisor; the divisor keeps 52 mm at 0.052 to the last digit."""
    factors = _factors(unit)
    if si_unit == "K" and len(factors) == 1 and factors[0][1] == 1 and factors[0][0] in _TEMPERATURES:
        return _TEMPERATURES[factors[0][0]]
    scale, dimensions = _combined(factors)
    wanted = _dimensions(si_unit)
    if dimensions == wanted:
        inverse = 1.0 / scale if scale else 0.0
        return (0.0, 1.0, inverse) if inverse > 1.0 and inverse.is_integer() else (0.0, scale, 1.0)
    noun = _kind(si_unit).name
    for swap, is_one, want in ((_FORCES, "mass", "force"), (_MASSES, "force", "mass")):
        wrong = [name for name, _ in factors if name in swap]
        if wrong and _combined([(swap.get(name, name), power) for name, power in factors])[1] == wanted:
            hint = f"'{wrong[0]}' is a unit of {is_one} here; write {swap[wrong[0]]} for {want}"
            raise _bad_unit(f"'{unit}' is not a unit of {noun}", hint=hint)
    kinds = [kind.name for known, kind in _KINDS.items() if _dimensions(known) == dimensions]
    unlike = f" a unit of {kinds[0]}, not" if kinds else " not a unit"
    raise _bad_unit(f"'{unit}' is{unlike} of {noun}", hint=_example(si_unit))


def _kind(si_unit: str) -> _Kind:
    return _KINDS.get(si_unit, _Kind("quantity", f"2 {si_unit}"))


def _a(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def _example(si_unit: str) -> str:
    return f"write for example '{_kind(si_unit).example}'"


def to_si(text: object, unit: str) -> float:
    """Read a number with its unit and return it in an SI unit.

    Parameters
    ----------
    text : object
        Text such as "62 lbf" or "12 %"; for the unit "1" also a plain number.
    unit : str
        SI unit wanted, such as "N/m", "rad/s" or "1" (dimensionless).

    Returns
    -------
    float
        The value in `unit`.

    Raises
    ------
    QuantityError
        If the text is not a finite number with a unit that fits; carries a hint.

    Examples
    --------
    >>> to_si("45 N/mm", "N/m"), to_si("15 degC", "K")
    (45000.0, 288.15)
    """
    refuse = functools.partial(QuantityError, got=shown(text), expected=_a(_kind(unit).name))
    if isinstance(text, bool) or not isinstance(text, (int, float, str)):
        raise refuse(f"not {_a(_kind(unit).name)}", hint=_example(unit))
    number, unit_text = _split(text.strip(), unit, refuse) if isinstance(text, str) else (text, "")
    if not unit_text and unit != "1":
        raise refuse("unit missing", hint=_example(unit))
    try:
        offset, factor, divisor = _conversion(unit_text, unit) if unit_text else (0.0, 1.0, 1.0)
        value = (float(number) + offset) * factor / divisor
    except QuantityError as error:
        raise refuse(error.message, hint=error.hint) from None
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise refuse("not a finite number", hint="give a number with digits")
    return value


def _split(text: str, unit: str, refuse: Callable[..., QuantityError]) -> tuple[float, str]:
    """The number at the start of a text and the unit text behind it."""
    if len(text) > _LONGEST:
        raise refuse("text is too long for a number with a unit", hint=_example(unit))
    for pattern, message, hint in _BAD_NUMBERS:
        if re.match(pattern, text):
            raise refuse(message, hint=hint)
    match = _NUMBER.match(text)
    if match is None:
        raise refuse(f"not {_a(_kind(unit).name)}", hint=_example(unit))
    return float(match[0]), text[match.end() :].strip()


def show(value: float, unit: str, digits: int = 3) -> str:
    """Print an SI value in the display unit of the trade.

    Parameters
    ----------
    value : float
        Value in `unit`.
    unit : str
        SI unit; one without a display unit of its own is printed as it is.
    digits : int
        Significant digits kept; digits before the decimal point are never dropped.

    Returns
    -------
    str
        Such as "268 mm".

    Examples
    --------
    >>> show(0.0545, "kg"), show(795.9, "rad/s"), show(288.15, "K")
    ('54.5 g', '7600 rpm', '15 degC')
    """
    rows = _kind(unit).displays or (_Display(unit, 1.0),)
    row = next((row for row in rows if abs(value) >= row.least), rows[-1])
    number = value / row.factor - row.offset + 0.0  # no minus zero
    size = abs(number)
    if not math.isfinite(number) or size >= 1e9 or 0 < size < 1e-4:
        text = f"{number:.{digits}g}"
    else:
        decimals = max(0, digits - 1 - math.floor(math.log10(size))) if size else 0
        text = f"{number:.{decimals}f}"
        text = text.rstrip("0").rstrip(".") if decimals else text
    return f"{text} {row.unit}".rstrip()


def refusal(
    message: str, *, got: str = "", expected: str = "", hint: str = "", at: Sequence[str | int] = ()
) -> PydanticCustomError:
    """Make the error a pydantic validator raises so that the reader can print it in full.

    Parameters
    ----------
    message, got, expected, hint : str
        The parts of the problem as catalog.reading prints them.
    at : sequence of str or int
        Where below the validated value the fault sits.

    Returns
    -------
    PydanticCustomError
        Of type "quantity"; raise it.
    """
    context = {"message": message, "got": got, "expected": expected, "hint": hint, "at": tuple(at)}
    facts = " (got {got}, expected {expected})" if got and expected else ""
    advice = "" if not hint else " {hint}" if facts else "; {hint}"
    return PydanticCustomError("quantity", "{message}" + facts + advice, context)


_RANGES: dict[str, tuple[str, Callable[[float, float], bool]]] = {
    "gt": ("above", lambda value, limit: value > limit),
    "ge": ("at least", lambda value, limit: value >= limit),
    "lt": ("below", lambda value, limit: value < limit),
    "le": ("at most", lambda value, limit: value <= limit),
}


def quantity(
    unit: str,
    *,
    gt: float | None = None,
    ge: float | None = None,
    lt: float | None = None,
    le: float | None = None,
) -> Any:
    """Make the annotation of a pydantic field that reads a text with a unit into SI.

    Parameters
    ----------
    unit : str
        SI unit of the field.
    gt, ge, lt, le : float, optional
        Limits in `unit`: above, at least, below, at most.

    Returns
    -------
    BeforeValidator
        For `Annotated[float, quantity("m", gt=0)]`; its errors are made by `refusal`.
    """
    given = {"gt": gt, "ge": ge, "lt": lt, "le": le}
    limits = [(*_RANGES[name], limit) for name, limit in given.items() if limit is not None]

    def read(text: object) -> float:
        try:
            value = to_si(text, unit)
        except QuantityError as error:
            raise refusal(error.message, got=shown(text), expected=error.expected, hint=error.hint) from None
        for words, holds, limit in limits:
            if not holds(value, limit):
                printed, bound = show(value, unit, 6), show(limit, unit, 6)
                got = printed if printed == str(text) else f"{shown(text)} = {printed}"
                expected = f"{_a(_kind(unit).name)} {words} {bound}"
                raise refusal(f"{printed} is not {words} {bound}", got=got, expected=expected)
        return value

    return BeforeValidator(read)


Length = Annotated[float, quantity("m", gt=0)]
Coordinate = Annotated[float, quantity("m")]
Force = Annotated[float, quantity("N", ge=0)]
Rate = Annotated[float, quantity("N/m", gt=0)]
Mass = Annotated[float, quantity("kg", gt=0)]
RotationSpeed = Annotated[float, quantity("rad/s", gt=0)]
TorsionRate = Annotated[float, quantity("N m/rad", gt=0)]
Area = Annotated[float, quantity("m^2", ge=0)]
Speed = Annotated[float, quantity("m/s", ge=0)]
Number = Annotated[float, quantity("1", ge=0)]
Fraction = Annotated[float, quantity("1", ge=0, le=1)]
LinearDensity = Annotated[float, quantity("kg/m", ge=0)]
PerMinute = Annotated[float, quantity("1/s", ge=0)]
