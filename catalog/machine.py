"""The machine: engine, both clutches, and what they move."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from catalog.quantities import Area, Fraction, Length, RotationSpeed, quantity, refusal, show
from catalog.reading import Id, Strict, Text

__all__ = ["Altitude", "Cooling", "DriveClutch", "DrivenClutch", "Engine", "Machine", "Pocket"]

Friction = Annotated[float, quantity("1", ge=0, le=1)]
Altitude = Annotated[float, quantity("m", ge=-500, le=9000)]
Conductance = Annotated[float, quantity("W/K", gt=0)]
Reduction = Annotated[float, quantity("1", gt=0, ge=0.01, le=1e3)]
HalfAngle = Annotated[float, quantity("rad", gt=0, ge=np.pi / 180, le=np.pi / 4)]


class Engine(Strict):
    """Full-throttle curve and speed limits."""

    assumed: ClassVar[dict[str, str]] = {
        "target_speed": "target engine speed is the speed of peak power of the dyno curve",
    }  # and that thin air takes power, which is said with its size where air is corrected

    curve: Text
    air: Literal["corrected", "as-measured"]
    idle_speed: RotationSpeed
    speed_limit: RotationSpeed
    target_speed: RotationSpeed | None = None
    holds_power_to: Altitude | None = None


class Pocket(Strict):
    """Where a spring sits."""

    installed_length: Length
    outer_limit: Length
    inner_limit: Length

    @model_validator(mode="after")
    def _wide(self) -> Pocket:
        if self.inner_limit >= self.outer_limit:
            raise refusal(
                "the pocket has no room",
                got=f"inner limit {show(self.inner_limit, 'm')}, outer limit {show(self.outer_limit, 'm')}",
                expected="inner_limit below outer_limit",
            )
        return self


class DriveClutch(Strict):
    """Sheave on the engine: radii are pitch radii of the belt at the stops.

    Friction values are effective ones, vibration included.
    """

    assumed: ClassVar[dict[str, str]] = {
        "pivot_friction": "pins of the arms rub with an effective friction of 0.02 (vibration included)",
        "bush_friction": "the moving drive sheave rubs on its shaft with an effective friction of 0.015",
        "guide_friction": "guides of the moving drive sheave rub with an effective friction of 0.015",
        "guide_radius": "guides of the moving drive sheave stand at the radius of the arms' pivots",
        "torque_share": "half the engine torque goes through the guides of the moving drive sheave",
    }

    family: Id
    min_radius: Length
    max_radius: Length
    arms: Annotated[int, Field(ge=2, le=12)]
    pin_diameter: Length
    pivot_radius: Length
    roller_diameter: Length
    roller_outboard: Length
    roller_height: Length
    roller_friction: Friction
    pivot_friction: Friction = 0.02
    bush_friction: Friction = 0.015
    guide_friction: Friction = 0.015
    guide_radius: Length | None = None
    torque_share: Fraction = 0.5
    spring: Pocket

    @model_validator(mode="after")
    def _opens(self) -> DriveClutch:
        if self.max_radius <= self.min_radius:
            raise refusal(
                "the drive sheave does not shift",
                got=f"max_radius {show(self.max_radius, 'm')}",
                expected=f"above min_radius {show(self.min_radius, 'm')}",
            )
        return self


class DrivenClutch(Strict):
    """Sheave on the gearbox; its radii bound where the belt may run."""

    assumed: ClassVar[dict[str, str]] = {
        "bush_friction": "the moving driven sheave rubs on its shaft with an effective friction of 0.015",
        "torque_share": "the moving driven sheave carries half the belt torque through the helix",
    }

    family: Id
    min_radius: Length
    max_radius: Length
    roller_diameter: Length
    ramp_friction: Friction
    bush_friction: Friction = 0.015
    spring: Pocket
    spring_tangs: bool
    torque_share: Annotated[float, quantity("1", gt=0, ge=0.01, le=1)] = 0.5


class Cooling(Strict):
    """What the belt sheds at a stated engine speed."""

    conductance: Conductance
    at: RotationSpeed


class Machine(Strict):
    """One vehicle with its belt drive."""

    assumed: ClassVar[dict[str, str]] = {
        "belt_cooling": "the belt sheds 60 W per kelvin above the air",
    }

    id: Id
    description: Text
    source: Text
    basis: Literal["measured", "datasheet", "estimated", "example"]
    engine: Engine
    half_angle: HalfAngle
    centre_distance: Length
    drive_clutch: DriveClutch
    driven_clutch: DrivenClutch
    friction_source: Text
    mass: Annotated[float, quantity("kg", gt=0, le=1e5)]
    drag_area: Area
    wheel_radius: Length
    reduction: Reduction | Annotated[dict[Text, Reduction], Field(min_length=1, max_length=20)]
    driveline_efficiency: Annotated[float, quantity("1", gt=0, ge=0.01, le=1)]
    belt_cooling: Conductance | Cooling = 60.0
    belt_width: Length | None = None

    @property
    def ranges(self) -> dict[str, float]:
        """Reduction of each gear range, the slowest first; one without a name where there is but one."""
        ranges = self.reduction if isinstance(self.reduction, dict) else {"": self.reduction}
        return dict(sorted(ranges.items(), key=lambda row: -row[1]))

    @property
    def usual_range(self) -> str:
        """The range taken where a ground states none: the fastest."""
        return list(self.ranges)[-1]
