"""The units that files may use, as tables: names, factors, display units, and what is mistaken for what.

The names are a fixed list, so that no exotic prefix or physical constant slips in. The factors of the common ones are
written here; those of the others come from pint. Reading and printing are in `catalog.quantities`.
"""

from __future__ import annotations

import math
import re
from typing import NamedTuple

__all__ = [
    "ANGULAR",
    "COMMON",
    "FORCES",
    "KINDS",
    "MASSES",
    "MISNAMED",
    "SIGNS",
    "TEMPERATURES",
    "UNITS",
    "Display",
    "Kind",
]


class Display(NamedTuple):
    """A display unit used from `least` (SI) upward: shown = value / factor - offset."""

    unit: str
    factor: float
    least: float = 0.0
    offset: float = 0.0


class Kind(NamedTuple):
    """What an SI unit measures, how a user would write it, and the display units, largest first."""

    name: str
    example: str
    displays: tuple[Display, ...] = ()


KINDS = {
    "1": Kind("plain number", "0.35", (Display("", 1.0),)),
    "m": Kind("length", "268 mm", (Display("m", 1.0, 10.0), Display("mm", 1e-3))),
    "m^2": Kind("area", "0.6 m^2", (Display("m^2", 1.0, 0.01), Display("mm^2", 1e-6))),
    "N": Kind("force", "62 N"),
    "N/m": Kind("spring rate", "45 N/mm", (Display("N/mm", 1e3),)),
    "rad": Kind("angle", "38 deg", (Display("deg", math.pi / 180),)),
    "kg": Kind("mass", "54 g", (Display("kg", 1.0, 1.0), Display("g", 1e-3))),
    "s": Kind("time", "2 s"),
    "rad/s": Kind("speed of rotation", "7600 rpm", (Display("rpm", math.pi / 30),)),
    "N m": Kind("torque", "80 N m"),
    "N m/rad": Kind("torsion spring rate", "0.35 N m/deg", (Display("N m/deg", 180 / math.pi),)),
    "W": Kind("power", "62 kW", (Display("kW", 1e3),)),
    "W/K": Kind("thermal conductance", "45 W/K"),
    "N/kg": Kind("thrust per mass", "40 N/g", (Display("N/g", 1e3),)),
    "N/m^2": Kind("stiffness per length", "60 MPa", (Display("MPa", 1e6),)),
    "K": Kind("temperature", "15 degC", (Display("degC", 1.0, 0.0, 273.15),)),
    "Pa": Kind("pressure or stress", "90 kPa", (Display("MPa", 1e6, 1e6), Display("kPa", 1e3))),
    "m/s": Kind("speed", "40 km/h", (Display("km/h", 1 / 3.6),)),
    "kg/m": Kind("mass per length", "0.4 kg/m"),
    "kg/m^3": Kind("density", "1.2 kg/m^3"),
    "kg m^2": Kind("moment of inertia", "0.02 kg m^2"),
    "1/s": Kind("count per time", "4 /min", (Display("/min", 1 / 60),)),
}

ANGULAR = re.findall(r"\S+", "rad mrad radian deg degree degrees turn turns revolution revolutions rpm")
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
UNITS = {name: name for name in ANGULAR + _PLAIN} | _RENAMED
# Dimensions and SI factors of the units most files are written in, exact by definition. Building pint's registry takes
# longer than all the rest of reading a job; a test holds every row equal to it.
COMMON: tuple[tuple[dict[str, float], dict[str, float]], ...] = (
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
TEMPERATURES = {"degC": (273.15, 1.0, 1.0), "degF": (459.67, 5.0, 9.0)}  # offset, factor and divisor
SIGNS = {"²": "^2", "³": "^3", "µ": "u", "μ": "u", "°C": "degC", "°F": "degF", "°": "deg"}
MISNAMED = {"C": "degC", "F": "degF", "#": "lbf", "Lb": "lb", "k": "K", "H": "h", "G": "g", "PSI": "psi"}
FORCES = {"lb": "lbf", "lbs": "lbf", "pound": "lbf", "pounds": "lbf", "kg": "kgf", "g": "gf", "oz": "ozf"}
MASSES = {"lbf": "lb", "kgf": "kg", "gf": "g", "ozf": "oz"}
