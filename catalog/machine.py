"""The machine: engine, both clutches, and what they move."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from catalog.quantities import Area, Length, RotationSpeed, quantity, refusal, show
from catalog.reading import Id, Strict, Text

__all__ = ["DriveClutch", "DrivenClutch", "Engine", "Machine", "Pocket"]

Friction = Annotated[float, quantity("1", ge=0, le=1)]
HalfAngle = Annotated[float, quantity("rad", gt=0, ge=np.pi / 180, le=np.pi / 4)]


class Engine(Strict):
    """Full-throttle curve and speed limits."""

    assumed: ClassVar[dict[str, str]] = {
        "target_speed": "target engine speed is the speed of peak power of the dyno curve",
    }

    curve: Text
    air: Literal["corrected", "as-measured"]
    idle_speed: RotationSpeed
    speed_limit: RotationSpeed
    target_speed: RotationSpeed | None = None


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
    """Sheave on the engine: radii are pitch radii of the belt."""

    assumed: ClassVar[dict[str, str]] = {
        "pivot_friction": "pins of the arms rub with an effective friction of 0.02 (vibration included)",
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
    spring: Pocket
    pivot_friction: Friction = 0.02

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
        "torque_share": "the moving driven sheave carries half the belt torque through the helix",
    }

    family: Id
    min_radius: Length
    max_radius: Length
    roller_diameter: Length
    ramp_friction: Friction
    spring: Pocket
    spring_tangs: bool
    torque_share: Annotated[float, quantity("1", gt=0, ge=0.01, le=1)] = 0.5


class Machine(Strict):
    """One vehicle with its belt drive."""

    assumed: ClassVar[dict[str, str]] = {
        "belt_cooling": "the belt sheds 60 W per kelvin above the air; it enters relative belt life only",
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
    reduction: Annotated[float, quantity("1", gt=0, ge=0.01, le=1e3)]
    driveline_efficiency: Annotated[float, quantity("1", gt=0, ge=0.01, le=1)]
    belt_cooling: Annotated[float, quantity("W/K", gt=0)] = 60.0
