"""Springs: four ways of describing one, and the one load curve they all end in."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, ClassVar, Literal, NamedTuple

import numpy as np
from pydantic import Field, model_validator

from catalog.quantities import Force, Length, Rate, TorsionRate, quantity, refusal, show
from catalog.reading import Strict
from catalog.stock import Fits, Part
from solver.springs import LoadCurve, helical_rate, solid_length, torsion_rate

__all__ = ["MATERIALS", "DriveSpring", "DrivenSpring", "MarkedForm", "Spring", "WireForm"]

# Two descriptions of one spring may differ by what a scale and a ruler differ by.
_AGREEMENT = 0.04


class Material(NamedTuple):
    """Spring wire: strength A / d^m (Shigley Table 10-4), moduli (Shigley Table 10-5, values from memory)."""

    intercept: float  # Pa at 1 mm
    exponent: float  # -
    shear_modulus: float  # Pa
    youngs_modulus: float  # Pa


MATERIALS: Mapping[str, Material] = {
    "music-wire": Material(2211e6, 0.145, 80.0e9, 196.5e9),
    "oil-tempered": Material(1855e6, 0.187, 77.2e9, 196.5e9),
    "hard-drawn": Material(1783e6, 0.190, 79.3e9, 197.2e9),
    "chrome-vanadium": Material(2005e6, 0.168, 77.2e9, 203.4e9),
    "chrome-silicon": Material(1974e6, 0.108, 77.2e9, 203.4e9),
}

Coils = Annotated[float, quantity("1", gt=0, ge=0.1, le=1e3)]


class LinearForm(Strict):
    """A spring as rate, free length and the length it is meant to sit at."""

    rate: Rate
    free_length: Length
    installed_length: Length

    @model_validator(mode="after")
    def _pressed(self) -> LinearForm:
        if self.installed_length >= self.free_length:
            raise refusal(
                "the spring is not pressed when installed",
                got=f"installed length {show(self.installed_length, 'm')}",
                expected=f"below the free length {show(self.free_length, 'm')}",
            )
        return self


class MarkedForm(Strict):
    """A spring as two marked loads: when installed and at full shift.

    Without lengths the loads stand at the clutch's own installed and full-shift lengths.
    """

    installed: Force
    full_shift: Force
    installed_length: Length | None = None
    full_shift_length: Length | None = None

    @model_validator(mode="after")
    def _rises(self) -> MarkedForm:
        if self.full_shift <= self.installed:
            raise refusal(
                "the load must rise towards full shift",
                got=f"{show(self.installed, 'N')} then {show(self.full_shift, 'N')}",
                expected="installed below full_shift",
            )
        lengths = (self.installed_length, self.full_shift_length)
        if (lengths[0] is None) != (lengths[1] is None):
            raise refusal("one marked length alone", got="one", expected="both lengths, or neither")
        if lengths[0] is not None and lengths[1] is not None and lengths[1] >= lengths[0]:
            raise refusal(
                "the spring must be shorter at full shift",
                got=f"{show(lengths[0], 'm')} then {show(lengths[1], 'm')}",
                expected="full_shift_length below installed_length",
            )
        return self


class WireForm(Strict):
    """A spring as wire geometry and material, ends squared and ground."""

    diameter: Length
    mean_diameter: Length
    active_coils: Coils
    total_coils: Coils
    free_length: Length
    material: Literal["music-wire", "oil-tempered", "hard-drawn", "chrome-vanadium", "chrome-silicon"]

    @model_validator(mode="after")
    def _winds(self) -> WireForm:
        if self.mean_diameter <= 2 * self.diameter:
            raise refusal(
                "the coil is too tight for its wire",
                got=f"mean diameter {show(self.mean_diameter, 'm')} on wire {show(self.diameter, 'm')}",
                expected="more than twice the wire diameter",
            )
        if self.total_coils < self.active_coils:
            raise refusal("fewer coils in all than active ones", got=str(self.total_coils), expected="total >= active")
        if self.free_length <= self.solid_length:
            raise refusal(
                "free length is below the solid length",
                got=show(self.free_length, "m"),
                expected=f"above {show(self.solid_length, 'm')}",
            )
        return self

    @property
    def rate(self) -> float:
        """Axial rate [N/m]."""
        modulus = MATERIALS[self.material].shear_modulus
        return float(helical_rate(self.diameter, self.mean_diameter, self.active_coils, modulus))

    @property
    def torsion_rate(self) -> float:
        """Rate when wound about the axis [N m/rad]."""
        modulus = MATERIALS[self.material].youngs_modulus
        return float(torsion_rate(self.diameter, self.mean_diameter, self.active_coils, modulus))

    @property
    def solid_length(self) -> float:
        """Length with the coils touching [m]."""
        return float(solid_length(self.diameter, self.total_coils))


class TableRow(Strict):
    """One measured point of a spring."""

    length: Length
    load: Force


Table = Annotated[list[TableRow], Field(min_length=2, max_length=200)]


class Spring(Part):
    """A spring in any of four forms; forms given together must agree."""

    fits: Fits
    outer_diameter: Length | None = None
    inner_diameter: Length | None = None
    solid_length: Length | None = None
    linear: LinearForm | None = None
    marked: MarkedForm | None = None
    wire: WireForm | None = None
    table: Table | None = None

    @model_validator(mode="after")
    def _complete(self) -> Spring:
        if not (self.linear or self.marked or self.wire or self.table):
            raise refusal("no load given", got="none of them", expected="linear, marked, wire or table")
        if self.wire is None:
            lacking = [n for n in ("outer_diameter", "inner_diameter", "solid_length") if getattr(self, n) is None]
            if lacking:
                raise refusal(
                    "without wire data the spring's own dimensions are needed",
                    got=f"no {', '.join(lacking)}",
                    expected="outer_diameter, inner_diameter and solid_length",
                )
        if self.table is not None:
            self._steady(self.table)
        self._agree()
        inner, outer = self.dimension("inner_diameter"), self.dimension("outer_diameter")
        if inner >= outer:
            raise refusal("inside wider than outside", got=f"{show(inner, 'm')} in {show(outer, 'm')}",
                          expected="inner_diameter below outer_diameter")  # fmt: skip
        solid, free = self.dimension("solid_length"), self.linear and self.linear.free_length
        if free and free <= solid:
            raise refusal("free length is below the solid length", got=show(free, "m"),
                          expected=f"above {show(solid, 'm')}", at=("linear", "free_length"))  # fmt: skip
        return self

    def _steady(self, table: list[TableRow]) -> None:
        for number, (before, after) in enumerate(pairwise(table), 1):
            if after.length >= before.length or after.load <= before.load:
                raise refusal(
                    "table out of order",
                    got=f"{show(after.load, 'N')} at {show(after.length, 'm')} after "
                    f"{show(before.load, 'N')} at {show(before.length, 'm')}",
                    expected="falling lengths with rising loads",
                    at=("table", number),
                )

    def _agree(self) -> None:
        differing = self.disagreement(None, None)
        if differing is not None:
            message, facts = differing.split(": ", 1)
            raise refusal(
                message,
                got=facts,
                expected=f"the same load within {_AGREEMENT:.0%}",
                hint="keep the form you measured and drop the other.",
            )
        for name in ("outer_diameter", "inner_diameter", "solid_length"):
            stated, derived = getattr(self, name), self._from_wire(name)
            if stated is not None and derived is not None and abs(stated - derived) > _AGREEMENT * derived:
                raise refusal(
                    f"{name} and wire disagree", got=show(stated, "m"), expected=f"{show(derived, 'm')} from the wire"
                )

    def disagreement(self, installed: float | None, full_shift: float | None) -> str | None:
        """How two descriptions of the load differ, or None.

        Every further form is held against the first at the first form's own lengths. Marks without lengths can be
        judged only where the clutch's installed and full-shift lengths [m] are given.
        """
        clutch = None if installed is None or full_shift is None else (installed, full_shift)
        curves = [(name, curve) for name, curve in self._curves(clutch).items() if curve is not None]
        for name, curve in curves[1:]:
            first_name, first = curves[0]
            lengths = np.asarray(curve.length[[0, -1]]) if curve.length[-1] > 0 else np.asarray(first.length[[0, -1]])
            mine, theirs = first.at(lengths), curve.at(lengths)
            worst = int(np.argmax(np.abs(mine - theirs)))
            if abs(mine[worst] - theirs[worst]) > _AGREEMENT * max(mine[-1], theirs[-1]):
                loads = f"{show(mine[worst], 'N')} and {show(theirs[worst], 'N')}"
                return f"{first_name} and {name} disagree: {loads} at {show(lengths[worst], 'm')}"
        return None

    def _from_wire(self, name: str) -> float | None:
        if self.wire is None:
            return None
        sign = {"outer_diameter": 1, "inner_diameter": -1}.get(name)
        return self.wire.solid_length if sign is None else self.wire.mean_diameter + sign * self.wire.diameter

    def dimension(self, name: Literal["outer_diameter", "inner_diameter", "solid_length"]) -> float:
        """A stated dimension, or the one the wire implies [m]."""
        value = getattr(self, name) or self._from_wire(name)
        assert value is not None  # _complete saw to it
        return float(value)

    @property
    def stated_length(self) -> float | None:
        """Installed length the part itself states [m]."""
        if self.linear:
            return self.linear.installed_length
        return self.marked.installed_length if self.marked else None

    def curve(self, installed: float, full_shift: float) -> LoadCurve:
        """The spring's load against length in a clutch with these installed and full-shift lengths [m].

        A measured table comes before marked loads, those before a linear description, that before wire.
        """
        curves = self._curves((installed, full_shift))
        return next(curve for curve in (curves[n] for n in ("table", "marked", "linear", "wire")) if curve is not None)

    def _curves(self, clutch: tuple[float, float] | None) -> dict[str, LoadCurve | None]:
        def straight(free: float, rate: float) -> LoadCurve:
            return LoadCurve(np.array([free, 0.0]), np.array([0.0, rate * free]))

        marks = self.marked
        lengths = (marks.installed_length, marks.full_shift_length) if marks else (None, None)
        if lengths[0] is None and clutch is not None:
            lengths = clutch
        return {
            "linear": straight(self.linear.free_length, self.linear.rate) if self.linear else None,
            "marked": LoadCurve(np.array(lengths, float), np.array([marks.installed, marks.full_shift]))
            if marks and lengths[0] is not None
            else None,
            "wire": straight(self.wire.free_length, self.wire.rate) if self.wire else None,
            "table": LoadCurve(np.array([r.length for r in self.table]), np.array([r.load for r in self.table]))
            if self.table
            else None,
        }


class DriveSpring(Spring):
    """The spring that holds the drive sheaves open."""

    slot: ClassVar[str] = "drive_spring"


class DrivenSpring(Spring):
    """The spring that closes the driven sheaves; a torsion spring is also wound by the helix."""

    slot: ClassVar[str] = "driven_spring"

    kind: Literal["compression", "torsion"]
    torsion_rate: TorsionRate | None = None

    @model_validator(mode="after")
    def _twisted(self) -> DrivenSpring:
        if self.kind == "compression":
            if self.torsion_rate is not None:
                raise refusal(
                    "a compression spring is not wound",
                    got="a torsion_rate",
                    expected="kind: torsion, or no torsion_rate",
                )
            return self
        derived = self.wire.torsion_rate if self.wire else None
        if self.torsion_rate is None and derived is None:
            raise refusal("a torsion spring without its rate", got="neither", expected="torsion_rate or wire")
        # Shop formulas differ by 6 % (divisor 64 or 67.86), so twice the usual allowance.
        if self.torsion_rate and derived and abs(self.torsion_rate - derived) > 2 * _AGREEMENT * derived:
            raise refusal(
                "torsion_rate and wire disagree",
                got=show(self.torsion_rate, "N m/rad"),
                expected=f"{show(derived, 'N m/rad')} within {2 * _AGREEMENT:.0%}",
            )
        return self

    @property
    def winding_rate(self) -> float:
        """Torque per twist [N m/rad], 0 for a compression spring."""
        if self.kind == "compression":
            return 0.0
        return self.torsion_rate or (self.wire.torsion_rate if self.wire else 0.0)
