"""The part families: what a catalogue file may say of each.

One family a file: `family:` and `parts:`. What bolts to what is judged in `catalog.fit`.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, model_validator

from catalog.quantities import (
    Coordinate,
    Force,
    Fraction,
    Length,
    LinearDensity,
    Mass,
    RotationSpeed,
    Twist,
    quantity,
    refusal,
    show,
)
from catalog.reading import Id, Strict
from catalog.springs import DrivenSpring, DriveSpring
from catalog.stock import Fits, Part
from solver import arm_bodies
from solver.errors import PhysicalRangeError
from solver.ground import GRAVITY

__all__ = ["FAMILIES", "Belt", "Flyweight", "Helix", "RampPoint", "TuningMass"]


_LONGEST_TABLE = 1_000  # rows


class Place(Strict):
    """A point in the arm's frame: along it from the pivot, and across it towards the roller."""

    along: Coordinate
    across: Coordinate


class Station(Place):
    """A seat for one tuning mass; the point is the mass's centre of gravity.

    `lies` is which way a mass is long: parallel to the pivot pin, where its length does not count, along the arm or
    across it. Arms known by a thrust table have whatever the bench measured.
    """

    seat: Id
    depth: Length
    may_be_empty: bool = True
    lies: Literal["pin", "along", "across"] = "pin"


DrawnCoordinate = Annotated[float, Field(ge=-1e4, le=1e4)]  # in the unit of the drawing


class Drawing(Strict):
    """Points (along, across) in the arm's frame."""

    unit: Literal["mm", "in"]
    points: Annotated[list[tuple[DrawnCoordinate, DrawnCoordinate]], Field(min_length=3, max_length=400)]

    @property
    def metres(self) -> NDArray[np.float64]:
        """The points in metres, shape (n, 2)."""
        return np.asarray(self.points, float) * {"mm": 1e-3, "in": 25.4e-3}[self.unit]


def _as_list(value: object) -> object:
    return value if isinstance(value, list) else [value]


class Body(Strict):
    """The bare arm: an outline of its plate, or its mass and centre of gravity with what is known of its size.

    `gyration` is the radius of gyration about the pivot, or two of them: along the line from pivot to centre, and
    across it. `pendulum` is the period of a whole swing of the arm on its pin. Where none is given the arm is taken for
    a slender rod of `length`, or as long as the face reaches along it.
    """

    mass: Mass | None = None
    along: Coordinate | None = None
    across: Coordinate | None = None
    gyration: Annotated[list[Length], BeforeValidator(_as_list), Field(min_length=1, max_length=2)] | None = None
    pendulum: Annotated[float, quantity("s", gt=0, ge=0.02, le=10)] | None = None
    length: Length | None = None
    outline: Drawing | None = None
    thickness: Length | None = None
    density: Annotated[float, quantity("kg/m^3", gt=0)] | None = None

    @property
    def estimate(self) -> Literal["", "rod", "line"]:
        """What is taken of the arm's moments beyond what is said.

        A rod of the arm's length, or all of its moment along the line from pivot to centre.
        """
        if self.outline is not None or len(self.gyration or ()) == 2:
            return ""
        return "line" if self.gyration or self.pendulum else "rod"

    def solid(self, reach: float) -> arm_bodies.Body:
        """The arm as a body; `reach` [m] is how far the face goes along it."""
        if self.outline is not None:
            points = self.outline.metres
            plate = (self.thickness or 0.0) * (self.density or 0.0)
            return arm_bodies.outline_body(points, self.mass or plate * arm_bodies.outline_area(points))
        assert self.mass is not None
        assert self.along is not None
        assert self.across is not None
        distance = float(np.hypot(self.along, self.across))
        if self.pendulum is not None:
            radii = [arm_bodies.gyration_of_pendulum(self.pendulum, distance)]
        else:
            radii = self.gyration or [float(np.hypot(distance, (self.length or reach) / np.sqrt(12)))]
        return arm_bodies.body_on_line(self.mass, self.along, self.across, *radii)

    @model_validator(mode="after")
    def _one_way(self) -> Body:
        def given(*names: str) -> list[str]:
            return [name for name in names if getattr(self, name) is not None]

        if self.outline is None:
            known = given("mass", "along", "across")
            if len(known) < 3 or given("thickness", "density"):
                raise refusal(
                    "the arm's mass and centre are needed, or its outline",
                    got=", ".join(known + given("thickness", "density")) or "neither",
                    expected="mass, along and across, or outline with thickness and density",
                )
            sizes = given("gyration", "pendulum", "length")
            if len(sizes) > 1:
                raise refusal(
                    "two ways to say how the mass is spread",
                    got=" and ".join(sizes),
                    expected="one of gyration, pendulum and length",
                )
        elif extra := given("along", "across", "gyration", "pendulum", "length"):
            raise refusal("an outline says this by itself", got=", ".join(extra), expected="outline alone")
        elif given("mass", "density") not in (["mass"], ["density"]) or (self.density and not self.thickness):
            raise refusal(
                "the weight of the outlined arm is needed once",
                got=", ".join(given("mass", "thickness", "density")) or "neither",
                expected="mass, or thickness and density",
            )
        self._check_size()
        return self

    def _check_size(self) -> None:
        if self.outline is not None:
            try:
                self.solid(0.0)
            except PhysicalRangeError as error:
                raise refusal(str(error), got="", expected="", at=("outline", "points")) from None
            return
        distance = float(np.hypot(self.along or 0.0, self.across or 0.0))
        if self.gyration and self.gyration[0] < distance:
            raise refusal(
                "the radius of gyration is below the distance of the centre from the pivot",
                got=show(self.gyration[0], "m", 6),
                expected=f"at least {show(distance, 'm', 6)}",
                at=("gyration",),
            )
        if self.pendulum is not None:
            least = 2 * np.pi * np.sqrt(distance / GRAVITY)
            if distance == 0 or self.pendulum < least:
                raise refusal(
                    "no arm with its centre so far from the pivot swings so fast"
                    if distance
                    else "an arm with its centre on the pivot does not swing",
                    got=show(self.pendulum, "s", 6),
                    expected=f"at least {show(least, 's', 6)}" if distance else "gyration instead of pendulum",
                    at=("pendulum",),
                )


class Profile(Drawing):
    """The contact face as points (along, across), from the pivot towards the tip."""

    points: Annotated[list[tuple[DrawnCoordinate, DrawnCoordinate]], Field(min_length=4, max_length=400)]

    @model_validator(mode="after")
    def _rising(self) -> Profile:
        for number, (before, after) in enumerate(pairwise(self.points), 1):
            if after[0] <= before[0]:
                raise refusal(
                    f"point {number} does not lie further along the arm than the one before",
                    got=f"{after[0]:g} after {before[0]:g}",
                    expected="rising order",
                    at=("points", number),
                )
        return self


PerMass = Annotated[list[Annotated[float, quantity("N/kg")]], Field(max_length=_LONGEST_TABLE)]


class ThrustTable(Strict):
    """Thrust of the whole set of arms, measured on a bench at one speed, closing and opening averaged.

    `friction_band` is the share by which thrust lies below the average closing, and above it opening.
    """

    friction_band: Annotated[float, quantity("1", ge=0, lt=0.5)] | None = None
    speed: RotationSpeed
    travel: Annotated[list[Coordinate], Field(min_length=3, max_length=_LONGEST_TABLE)]
    bare: Annotated[list[Force], Field(min_length=3, max_length=_LONGEST_TABLE)]
    per_mass: dict[Literal["heel", "mid", "tip"], PerMass] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _square(self) -> ThrustTable:
        lengths = {("bare",): len(self.bare)} | {("per_mass", k): len(v) for k, v in self.per_mass.items()}
        for place, length in lengths.items():
            if length != len(self.travel):
                raise refusal(
                    f"{'.'.join(place)} has not one value a travel",
                    got=f"{length} values",
                    expected=f"{len(self.travel)} values",
                    at=place,
                )
        if any(b <= a for a, b in pairwise(self.travel)) or self.travel[0] > 0:
            raise refusal("travel out of order", got="it does not rise from 0", expected="0, rising")
        return self


class Flyweight(Part):
    """A set of pivoting arms, by geometry or by a measured thrust table."""

    slot: ClassVar[str] = "flyweight"

    fits: Fits
    count: Annotated[int, Field(ge=2, le=12)]
    pin_diameter: Length
    roller_diameter: Length
    body: Body | None = None
    profile: Profile | None = None
    thrust: ThrustTable | None = None
    stations: dict[Literal["heel", "mid", "tip"], Station] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_way(self) -> Flyweight:
        given = [name for name in ("body", "profile", "thrust") if getattr(self, name) is not None]
        if given not in (["body", "profile"], ["thrust"]):
            raise refusal(
                "an arm is given by its geometry or by a thrust table",
                got=" and ".join(given) or "neither",
                expected="body and profile, or thrust",
            )
        if self.thrust is not None:
            missing = set(self.stations) - set(self.thrust.per_mass)
            if missing:
                raise refusal(
                    f"no thrust per mass for station {', '.join(sorted(missing))}",
                    got="none",
                    expected="per_mass for each station",
                )
        return self


class TuningMass(Part):
    """A mass for a station; price and stock count one matched set, one mass for each arm."""

    slot: ClassVar[str] = "mass"

    stations: Annotated[list[Literal["heel", "mid", "tip"]], Field(min_length=1, max_length=3)]
    seat: Id
    length: Length
    mass: Mass


RampAngle = Annotated[float, quantity("rad", gt=0, lt=np.pi / 2)]


class RampPoint(Strict):
    """Helix angle at one driven travel."""

    travel: Coordinate
    angle: RampAngle


class Helix(Part):
    """A torque ramp. Angles are measured from the plane of rotation."""

    slot: ClassVar[str] = "helix"

    fits: Fits
    radius: Length
    travel: Length
    roller_diameter: Length
    angle: RampAngle | None = None
    ramp: Annotated[list[RampPoint], Field(min_length=2, max_length=_LONGEST_TABLE)] | None = None
    twist_steps: Annotated[list[Twist], Field(min_length=1, max_length=40)] | None = None
    twist_range: tuple[Twist, Twist] | None = None

    @model_validator(mode="after")
    def _one_ramp(self) -> Helix:
        if (self.angle is None) == (self.ramp is None):
            raise refusal(
                "a helix has one angle or a ramp",
                got="neither" if self.angle is None else "both",
                expected="angle, or ramp with angle against travel",
            )
        for number, (before, after) in enumerate(pairwise(self.ramp or ()), 1):
            if after.travel <= before.travel:
                raise refusal(
                    "ramp out of order",
                    got=f"{show(after.travel, 'm')} after {show(before.travel, 'm')}",
                    expected="rising travel",
                    at=("ramp", number),
                )
        if self.twist_steps is not None and self.twist_range is not None:
            raise refusal("two ways of twist", got="both", expected="twist_steps or twist_range")
        if self.twist_range is not None and self.twist_range[0] >= self.twist_range[1]:
            raise refusal(
                "twist range is empty", got="low end not below high end", expected="[low, high]", at=("twist_range",)
            )
        return self

    @property
    def points(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Travels [m] and angles [rad] of the ramp."""
        if self.ramp is not None:
            return np.array([p.travel for p in self.ramp]), np.array([p.angle for p in self.ramp])
        return np.array([0.0]), np.array([self.angle])

    def takes_twist(self, twist: float) -> bool:
        """Whether the twist [rad] can be set on this helix, within 0.1 deg."""
        slack = np.radians(0.1)
        if self.twist_range is not None:
            return bool(self.twist_range[0] - slack <= twist <= self.twist_range[1] + slack)
        return any(abs(step - twist) <= slack for step in self.twist_steps or ())


class BeltLossData(Strict):
    """Loss coefficients, see `solver.losses.BeltLosses`."""

    bending: Annotated[float, quantity("N m", ge=0, le=100)]
    wedging: Annotated[float, quantity("1", ge=0, lt=0.2)]
    stretch_stiffness: Annotated[float, quantity("N", gt=0, ge=1e3, le=1e9)]
    wedge_stiffness: Annotated[float, quantity("N/m^2", gt=0)]


Friction = Annotated[float, quantity("1", gt=0, ge=0.01, le=1.5)]


class Belt(Part):
    """A rubber V-belt."""

    slot: ClassVar[str] = "belt"

    fits: Fits
    pitch_length: Length
    half_angle: Annotated[float, quantity("rad", gt=0, ge=np.pi / 180, le=np.pi / 4)]
    mass_per_length: LinearDensity
    max_tension: Annotated[float, quantity("N", gt=0, ge=1)]
    friction: Friction
    kinetic_friction: Friction | None = None
    seating: Fraction = 1.0
    thrust_theory: Literal["closed-form", "corrected"] = "closed-form"
    top_width: Length | None = None
    max_temperature: Annotated[float, quantity("K", ge=250, le=700)] | None = None
    losses: BeltLossData


FAMILIES: Mapping[str, type[Part]] = {
    "drive_springs": DriveSpring,
    "driven_springs": DrivenSpring,
    "flyweights": Flyweight,
    "masses": TuningMass,
    "helices": Helix,
    "belts": Belt,
}
