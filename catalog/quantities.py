"""Texts with a unit ("60 lbf", "45 N/mm") to SI numbers and back to display texts.

The tables of units are in `catalog.units`; pint supplies the factors that are not there, and is imported only when the
first of them is met. The angle counts as a dimension of its own: "4 /min" is no speed of rotation, "80 N m" no torsion
rate. Nothing here knows files, parts or models.
"""

from __future__ import annotations

import difflib
import functools
import math
import operator
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, NamedTuple

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from catalog.errors import QuantityError
from catalog.ranges import RANGES
from catalog.units import (
    ANGULAR,
    COMMON,
    FORCES,
    KINDS,
    MASSES,
    MISNAMED,
    SIGNS,
    TEMPERATURES,
    UNITS,
    Display,
    Kind,
)
from catalog.wording import shown

# fmt: off
__all__ = [
    "TO_KMH",
    "TO_RPM",
    "ZERO_CELSIUS",
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
    "Reader",
    "RotationSpeed",
    "Speed",
    "TorsionRate",
    "Twist",
    "out_of_range",
    "quantity",
    "refusal",
    "show",
    "shown",
    "to_si",
]
# fmt: on


TO_RPM = 30 / math.pi  # rpm per rad/s
ZERO_CELSIUS = 273.15  # K
TO_KMH = 3.6  # km/h per m/s


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
    for dimensions, factors in COMMON:
        if name in factors:
            return factors[name], dimensions
    base = _registry().Quantity(1.0, UNITS[name]).to_base_units()
    angle = {"[angle]": 1.0} if UNITS[name] in ANGULAR else {}
    return float(base.magnitude), {str(d): float(p) for d, p in base.dimensionality.items()} | angle


def _factors(unit: str) -> list[tuple[str, int]]:
    """Split "N m/deg" into [("N", 1), ("m", 1), ("deg", -1)]."""
    for sign, plain in SIGNS.items():
        unit = unit.replace(sign, plain)
    text = re.sub(r"^1\s*/", "/", unit.strip())
    found: list[tuple[str, int]] = []
    end = 0
    while end < len(text):
        match = _FACTOR.match(text, end)
        if match is None or (not found and match[1] not in ("", "/")):
            raise _bad_unit(f"'{shown(unit)}' cannot be read as a unit", hint="powers are written m^2")
        name = match[2]
        if name not in UNITS:
            raise _bad_unit(f"unknown unit '{name}'", hint=_did_you_mean(name))
        found.append((name, int(match[3] or 1) * (-1 if match[1] == "/" else 1)))
        end = match.end()
    return found


def _did_you_mean(name: str) -> str:
    near = [MISNAMED[name]] if name in MISNAMED else [u for u in UNITS if u.lower() == name.lower()]
    near = near or difflib.get_close_matches(name, UNITS, n=1, cutoff=0.6)
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
    if si_unit == "K" and len(factors) == 1 and factors[0][1] == 1 and factors[0][0] in TEMPERATURES:
        return TEMPERATURES[factors[0][0]]
    scale, dimensions = _combined(factors)
    wanted = _dimensions(si_unit)
    if dimensions == wanted:
        inverse = 1.0 / scale if scale else 0.0
        return (0.0, 1.0, inverse) if inverse > 1.0 and inverse.is_integer() else (0.0, scale, 1.0)
    noun = _kind(si_unit).name
    for swap, is_one, want in ((FORCES, "mass", "force"), (MASSES, "force", "mass")):
        wrong = [name for name, _ in factors if name in swap]
        if wrong and _combined([(swap.get(name, name), power) for name, power in factors])[1] == wanted:
            hint = f"'{wrong[0]}' is a unit of {is_one} here; write {swap[wrong[0]]} for {want}"
            raise _bad_unit(f"'{unit}' is not a unit of {noun}", hint=hint)
    kinds = [kind.name for known, kind in KINDS.items() if _dimensions(known) == dimensions]
    unlike = f" a unit of {kinds[0]}, not" if kinds else " not a unit"
    raise _bad_unit(f"'{unit}' is{unlike} of {noun}", hint=_example(si_unit))


def _kind(si_unit: str) -> Kind:
    return KINDS.get(si_unit, Kind("quantity", f"2 {si_unit}"))


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
    rows = _kind(unit).displays or (Display(unit, 1.0),)
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


class Limit(NamedTuple):
    """One limit of a quantity: its words, its test, and its value in SI."""

    words: str
    holds: Callable[[float, float], bool]
    value: float


_TESTS: Mapping[str, tuple[str, Callable[[float, float], bool]]] = {
    "gt": ("above", operator.gt),
    "ge": ("at least", operator.ge),
    "lt": ("below", operator.lt),
    "le": ("at most", operator.le),
}


def _zero_or_least(value: float, limit: float) -> bool:
    return value == 0 or value >= limit


def _limits(unit: str, **given: float | None) -> tuple[Limit, ...]:
    """The limits a field states, and where it states none those of `RANGES`.

    A field that states `gt` alone, or that `ge` is zero, takes the least size of `RANGES` too.
    """
    stated = {name: Limit(*_TESTS[name], limit) for name, limit in given.items() if limit is not None}
    least, most = RANGES[unit]
    outer = []
    if "gt" in stated and "ge" not in stated:
        outer.append(Limit("at least", operator.ge, least))
    elif "gt" not in stated and given.get("ge") == 0:
        outer.append(Limit("zero or at least", _zero_or_least, least))
    elif not stated.keys() & {"gt", "ge"}:
        outer.append(Limit("at least", operator.ge, -most))
    if not stated.keys() & {"lt", "le"}:
        outer.append(Limit("at most", operator.le, most))
    return (*stated.values(), *outer)


def out_of_range(value: float, unit: str, limits: Sequence[Limit] | None = None) -> tuple[str, str] | None:
    """What is wrong with the size of a value, and what is expected instead.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        SI unit, one of `RANGES`.
    limits : sequence of Limit, optional
        Those of a field; those of any value above zero if left out.

    Returns
    -------
    (str, str) or None
        None if the value lies within.
    """
    for words, holds, limit in _limits(unit, gt=0.0) if limits is None else limits:
        if not holds(value, limit):
            bound = show(limit, unit, 6)
            return f"{show(value, unit, 6)} is not {words} {bound}", f"{_a(_kind(unit).name)} {words} {bound}"
    return None


class Reader(NamedTuple):
    """What reads the text of one field into SI and holds it against the field's limits."""

    unit: str
    limits: tuple[Limit, ...]

    def read(self, text: object) -> float:
        """The value in `unit`; raises what `refusal` makes."""
        try:
            value = to_si(text, self.unit)
        except QuantityError as error:
            raise refusal(error.message, got=shown(text), expected=error.expected, hint=error.hint) from None
        found = out_of_range(value, self.unit, self.limits)
        if found is not None:
            printed = show(value, self.unit, 6)
            got = printed if printed == str(text) else f"{shown(text)} = {printed}"
            raise refusal(found[0], got=got, expected=found[1])
        return value


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
        SI unit of the field, one of `RANGES`, whose limits hold where none is given.
    gt, ge, lt, le : float, optional
        Limits in `unit`: above, at least, below, at most.

    Returns
    -------
    BeforeValidator
        Reading with a `Reader`, for `Annotated[float, quantity("m", gt=0)]`; its errors are made by `refusal`.
    """
    return BeforeValidator(Reader(unit, _limits(unit, gt=gt, ge=ge, lt=lt, le=le)).read)


Length = Annotated[float, quantity("m", gt=0)]
Coordinate = Annotated[float, quantity("m")]
Force = Annotated[float, quantity("N", ge=0)]
Rate = Annotated[float, quantity("N/m", gt=0)]
Mass = Annotated[float, quantity("kg", gt=0)]
RotationSpeed = Annotated[float, quantity("rad/s", gt=0)]
TorsionRate = Annotated[float, quantity("N m/rad", gt=0)]
Twist = Annotated[float, quantity("rad", ge=0, le=6 * math.pi)]  # three turns: no spring is wound further
Area = Annotated[float, quantity("m^2", ge=0)]
Speed = Annotated[float, quantity("m/s", ge=0)]
Number = Annotated[float, quantity("1", ge=0)]
Fraction = Annotated[float, quantity("1", ge=0, le=1)]
LinearDensity = Annotated[float, quantity("kg/m", ge=0)]
PerMinute = Annotated[float, quantity("1/s", ge=0)]
