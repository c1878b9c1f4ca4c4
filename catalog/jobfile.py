"""What a job file may say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, create_model, model_validator

from catalog.quantities import (
    Coordinate,
    Fraction,
    PerMinute,
    RotationSpeed,
    Speed,
    Twist,
    quantity,
    refusal,
    show,
)  # fmt: skip
from catalog.reading import Id, Strict, Text
from catalog.slots import BELT, SLOT_FAMILIES, SLOTS
from catalog.stock import Money

__all__ = ["MOST_WEIGHT", "JobFile", "Weights", "slot_model"]

Share = Annotated[float, quantity("1", gt=0, le=1)]
MOST_WEIGHT = 1000.0
Weight = Annotated[float, quantity("1", ge=0, le=MOST_WEIGHT)]


class GroundEntry(Strict):
    """One kind of ground the machine runs on."""

    retired: ClassVar[dict[str, str]] = {"throttle": "it is called torque now: a share of the engine's full torque"}
    assumed: ClassVar[dict[str, str]] = {
        "starts": "one full-throttle run-up from the lowest gear a minute on each ground",
    }

    name: Text
    share: Share
    source: Text
    rolling: Fraction
    adhesion: Annotated[float, quantity("1", gt=0, ge=0.01, le=1.5)]
    grade: Annotated[float, quantity("1", ge=-1, le=1)]
    speed: tuple[Speed, Speed]
    torque: Annotated[float, quantity("1", gt=0, ge=0.01, le=1)]
    load_changes: PerMinute
    starts: PerMinute = 1 / 60
    target: RotationSpeed | None = None
    range: Text | None = None

    @model_validator(mode="after")
    def _spread(self) -> GroundEntry:
        if self.speed[0] >= self.speed[1]:
            raise refusal(
                "speed range is empty",
                got=f"{show(self.speed[0], 'm/s')} to {show(self.speed[1], 'm/s')}",
                expected="[low, high]",
            )
        return self


class Site(Strict):
    """Air of the place of use."""

    altitude: Annotated[float, quantity("m", ge=-500, le=9000)]
    temperature: Annotated[float, quantity("K", ge=200, le=340)]


class Limits(Strict):
    """What a kit must keep to be buildable."""

    assumed: ClassVar[dict[str, str]] = {
        "idle_clearance": "engagement must lie 300 rpm above idle",
        "spring_stress": "springs may reach 56 % of wire strength in shear (EN 13906-1, static; value from memory)",
        "coil_clearance": "springs keep 1.5 mm from coil bind at full shift",
        "belt_margin": "the belt must hold (slip and tension reserve of 0 % or more) over the duty",
        "belt_temperature": "the belt stays below the temperature it is rated for, where its part states one",
    }

    engagement: tuple[RotationSpeed, RotationSpeed]
    idle_clearance: RotationSpeed = 300 * np.pi / 30
    engine_speed: RotationSpeed | None = None
    spring_stress: Share = 0.56
    coil_clearance: Coordinate = 1.5e-3
    belt_margin: Annotated[float, quantity("1", ge=-0.5, le=5)] = 0.0
    belt_temperature: Annotated[float, quantity("K", ge=250, le=700)] | None = None
    budget: Money | None = None
    in_stock: bool = False

    @model_validator(mode="after")
    def _window(self) -> Limits:
        low, high = self.engagement
        if low >= high:
            raise refusal(
                "engagement window is empty",
                got=f"{show(low, 'rad/s')} to {show(high, 'rad/s')}",
                expected="[low, high]",
            )
        return self


class Weights(Strict):
    """Points per 1 % flatness, per 1 % spring loss, per 10 % of missing belt margin."""

    retired: ClassVar[dict[str, str]] = {"speed_band": "it is called flatness now"}

    flatness: Weight = 1.0
    spring_loss: Weight = 1.0
    belt_margin: Weight = 1.0

    @model_validator(mode="after")
    def _some(self) -> Self:
        if not any(self.model_dump().values()):
            raise ValueError("all weights are 0: there is nothing to rank by")
        return self


class ScoreRule(Strict):
    """How terms become one score; lower is better."""

    assumed: ClassVar[dict[str, str]] = {
        "wanted_margin": "a belt margin of 20 % is wanted; only what is missing of it costs",
        "weights": "weights: 1 point per 1 % flatness, per 1 % spring loss, per 10 % missing belt margin",
    }

    wanted_margin: Annotated[float, quantity("1", ge=0, le=5)] = 0.20
    weights: Weights = Field(default_factory=Weights)


class Grid(Strict):
    """Resolution of the shift map."""

    retired: ClassVar[dict[str, str]] = {
        "torque_levels": "every ground is balanced at the torque that it asks for: take this key out"
    }
    assumed: ClassVar[dict[str, str]] = {
        "positions": "20 shift positions, closer in low gear",
        "twist_step": "a stepless twist is searched in steps of 10 deg",
    }

    positions: Annotated[int, Field(ge=5, le=200)] = 20
    # Without a floor: a step that is too fine is refused with the number of settings that it makes.
    twist_step: Annotated[float, quantity("rad", gt=0, ge=0)] = np.radians(10)


def slot_model(name: str, base: type[Strict], **more: Any) -> Any:
    """A model with a part id for every slot but the belt, and some fields more."""
    ids = {slot: (Id, ...) for slot in SLOT_FAMILIES if slot != BELT}
    return create_model(name, __base__=base, **ids, **more)  # type: ignore[call-overload]


class _Fitted(Strict):
    """The kit that is in the machine now, less its belt."""

    twist: Twist | Literal["none"]


if TYPE_CHECKING:
    Fitted = _Fitted  # its parts are read by name
else:
    Fitted = slot_model("Fitted", _Fitted)


class JobFile(Strict):
    """A job file."""

    assumed: ClassVar[dict[str, str]] = {
        "score": "a belt margin of 20 % is wanted; weights 1, 1, 1",
        "site": "site at sea level, 15 degC, standard air",
    }

    description: Text
    machine: Text
    catalogue: Annotated[list[Text], Field(min_length=1, max_length=1000)]
    belt: Id
    site: Site = Site.model_construct(altitude=0.0, temperature=288.15)
    grounds: Annotated[list[GroundEntry], Field(min_length=1, max_length=40)]
    limits: Limits
    score: ScoreRule = Field(default_factory=ScoreRule)
    grid: Grid = Field(default_factory=Grid)
    fitted: Fitted
    locks: dict[Literal[tuple(SLOTS)], Text] = Field(default_factory=dict)  # type: ignore[valid-type]

    @property
    def fitted_parts(self) -> dict[str, str]:
        """Slot -> part id of the kit that is in the machine now, the belt among them."""
        return {slot: self.belt if slot == BELT else getattr(self.fitted, slot) for slot in SLOT_FAMILIES}
