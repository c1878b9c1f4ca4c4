"""Each side of a space as arrays over its options: what the parts of each slot give, ready to be combined.

Arrays have one axis a slot of the side, in the order of the slots; an axis has length 1 where a value does not depend
on that slot, so that sums broadcast over exactly the kits that they are true for.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, field
from functools import cached_property
from typing import Any, ClassVar, cast

import numpy as np
from numpy.typing import NDArray

from catalog.errors import InputError, Problem
from catalog.forces import ArmForce
from catalog.parts import Flyweight, Helix, TuningMass
from catalog.slots import EMPTY, SLOT_FAMILIES, SLOTS, STATIONS
from catalog.springs import DrivenSpring, Spring
from catalog.stock import Part
from search.belt_terms import belt_terms
from search.points import position_sweeps
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Space
from search.stage import Stage
from search.workers import parallel_slices
from solver.balance import DrivenSide
from solver.flyweights import ArmFriction
from solver.points import UPSHIFT

__all__ = ["LOAD_SLOTS", "BeltOptions", "DriveOptions", "DrivenOptions", "Options", "pick"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_CHUNK = 4096  # drive builds worked on at once; about what stays in cache


@dataclass(frozen=True)
class Options:
    """The options of some slots of a space."""

    stage: Stage
    space: Space

    slots: ClassVar[tuple[str, ...]]

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of options of each slot."""
        return tuple(len(self.space.options[slot]) for slot in self.slots)

    def parts(self, slot: str) -> list[Any]:
        """The parts, or settings, that a slot may hold; None for nothing in it.

        Raises
        ------
        InputError
            If the catalogue has no such part.
        """
        options = self.space.options[slot]
        if SLOTS[slot].is_setting:
            return list(options)
        shelf = self.stage.forces.shelf.family(SLOT_FAMILIES[slot])
        empty = {EMPTY: None} if SLOTS[slot].may_be_empty else {}
        missing = [name for name in options if name not in shelf and name not in empty]
        if missing:
            raise InputError([Problem("kit", 0, 0, slot, "no such part", repr(n), f"one of {slot}") for n in missing])
        return [shelf.get(name) for name in options]

    def over(self, slots: Sequence[str], value: Callable[..., Any]) -> NDArray[Any]:
        """A value worked out for each combination of the parts of some slots, with an axis for every slot."""
        rows = [value(*parts) for parts in itertools.product(*(self.parts(slot) for slot in slots))]
        sizes = [len(self.space.options[slot]) if slot in slots else 1 for slot in self.slots]
        values = np.array(rows)
        return values.reshape(*sizes, *values.shape[1:])


def pick(values: NDArray[Any], choice: Index) -> NDArray[Any]:
    """Values of chosen combinations, (k, ...), of an array over options; `choice` has shape (k, slots)."""
    at = (np.zeros(len(choice), np.intp) if size == 1 else choice[:, axis] for axis, size in
          zip(range(choice.shape[1]), values.shape, strict=False))  # fmt: skip
    return values[tuple(at)]


@dataclass(frozen=True)
class DriveOptions(Options):
    """The drive side: spring, arms, tuning masses."""

    slots = DRIVE_SLOTS

    @cached_property
    def load(self) -> Array:
        """Spring load at each position, K [N]: the sum of the rows of `_LOADS`."""
        return self._sum(_LOADS)

    @cached_property
    def frictionless(self) -> Array:
        """Flyweight thrust per squared engine speed without friction [N s^2]: the sum of the rows of `_THRUSTS`."""
        return self._sum(_THRUSTS)

    @cached_property
    def centrifugal(self) -> Array:
        """Centrifugal force of arms and masses per squared engine speed [kg m]: the sum of the rows of `_THROWN`."""
        return self._sum(_THROWN)

    @property
    def held(self) -> Array:
        """Thrust per squared engine speed that the pins of the arms hold back [N s^2]."""
        share = self.over(("flyweight",), lambda arm: self.stage.forces.arm(arm).held)
        return np.asarray(self.centrifugal * share)

    def thrust(self, choice: Index) -> Array:
        """Flyweight thrust per squared engine speed of chosen builds on both branches, (k, 2, n) [N s^2]."""
        arms, which = self.parts("flyweight"), choice[:, DRIVE_SLOTS.index("flyweight")]
        order = np.argsort(which, kind="stable")
        free, thrown = self.frictionless, self.centrifugal
        thrust = np.empty((len(choice), 2, free.shape[-1]))

        def work(rows: slice) -> None:
            mixed = order[rows]
            for number in np.unique(which[mixed]):
                same = mixed[which[mixed] == number]
                f, c = (pick(values, choice[same])[:, None] for values in (free, thrown))
                thrust[same] = self.stage.forces.arm(arms[number]).friction.thrust(f, c)

        parallel_slices(work, len(choice), _CHUNK)
        return thrust

    @cached_property
    def engagement(self) -> Array:
        """Engine speed at which the clutch takes hold [rad/s]; not a number where the arms do not push."""
        rubbing = self.over(
            ("flyweight",), lambda arm: astuple(self.stage.forces.arm(arm).friction[UPSHIFT, 0])
        )  # an axis for the numbers of the friction last
        thrust = ArmFriction(*np.moveaxis(rubbing, -1, 0)).thrust(self.frictionless[..., 0], self.centrifugal[..., 0])
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            speed = np.sqrt(self.load[..., 0] / thrust)
        return np.where(np.isfinite(speed), speed, np.nan)

    def _sum(self, rows: Sequence[_Row]) -> Array:
        total = np.zeros(len(self.stage.drivetrain.path.position))
        for slots, value in rows:
            total = total + self.over(slots, lambda *parts, value=value: value(self.stage, *parts))
        return total


def _spring_load(stage: Stage, spring: Spring) -> Array:
    return stage.forces.spring("drive_spring", spring).load


def _arms(of: Callable[[ArmForce], Array]) -> Callable[[Stage, Flyweight], Array]:
    return lambda stage, arm: of(stage.forces.arm(arm))


def _mass_at(
    station: str, of: Callable[[ArmForce, str, TuningMass | None], Array]
) -> Callable[[Stage, Flyweight, TuningMass | None], Array]:
    return lambda stage, arm, mass: of(stage.forces.arm(arm), station, mass)


_Row = tuple[tuple[str, ...], Callable[..., Array]]
# What adds to the spring load, to the thrust and to the centrifugal force of the drive side: the slots it depends on,
# and how. A part family that acts on the drive side adds a row; what is swung adds one to both of the last.
_LOADS: tuple[_Row, ...] = ((("drive_spring",), _spring_load),)
_THRUSTS: tuple[_Row, ...] = (
    (("flyweight",), _arms(lambda arm: arm.bare)),
    *((("flyweight", station), _mass_at(station, ArmForce.added)) for station in STATIONS),
)
_THROWN: tuple[_Row, ...] = (
    (("flyweight",), _arms(lambda arm: arm.bare_centrifugal)),
    *((("flyweight", station), _mass_at(station, ArmForce.thrown)) for station in STATIONS),
)
LOAD_SLOTS = tuple(slot for slot in DRIVE_SLOTS if any(slot in slots for slots, _ in _LOADS))


@dataclass(frozen=True)
class DrivenOptions(Options):
    """The driven side: spring, helix, twist.

    Attributes
    ----------
    loss, margin, temperature : ndarray, shape of the side [W] [-] [K]
        What the belt makes of each build: worked out where `work_out_belt` was asked, not a number elsewhere.
    """

    slots = DRIVEN_SLOTS
    loss: Array = field(init=False, repr=False, compare=False)
    margin: Array = field(init=False, repr=False, compare=False)
    temperature: Array = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for name in ("loss", "margin", "temperature"):
            object.__setattr__(self, name, np.full(self.shape, np.nan))

    @cached_property
    def load(self) -> Array:
        """Spring load at each position [N]."""
        return self.over(("driven_spring",), lambda spring: self.stage.forces.spring("driven_spring", spring).load)

    @cached_property
    def winding_rate(self) -> Array:
        """Torque of the spring per twist [N m/rad]."""
        return self.over(("driven_spring",), lambda spring: cast(DrivenSpring, spring).winding_rate)

    @cached_property
    def angle(self) -> Array:
        """Twist set by hand [rad]; 0 for a spring that is not wound."""
        return self.over(("twist",), lambda twist: twist or 0.0)

    @cached_property
    def rotation(self) -> Array:
        """Rotation of the moving sheave on its ramp at each position [rad]."""
        return self.over(("helix",), lambda helix: self.stage.forces.ramp(cast(Helix, helix)).rotation)

    @cached_property
    def per_torque(self) -> Array:
        """Thrust per ramp torque on both branches [1/m]."""
        return self.over(("helix",), lambda helix: self.stage.forces.ramp(cast(Helix, helix)).per_torque)

    @cached_property
    def per_pull(self) -> Array:
        """Thrust per belt pull on both branches, Q [-]."""
        drivetrain = self.stage.drivetrain
        return drivetrain.inputs.driven.torque_share * drivetrain.path.driven_radius * self.per_torque

    def torque(self, choice: Index) -> Array:
        """Torque of the wound spring at each position, (k, n) [N m]."""
        turned = pick(self.angle, choice)[:, None] + pick(self.rotation, choice)
        return np.asarray(pick(self.winding_rate, choice)[:, None] * turned)

    def side(self, choice: Index) -> DrivenSide:
        """Fixed and torque-sensing thrust of chosen builds."""
        fixed = pick(self.per_torque, choice) * self.torque(choice)[:, None] + pick(self.load, choice)[:, None]
        return DrivenSide(fixed=fixed, per_pull=pick(self.per_pull, choice))

    def work_out_belt(self, choice: Index) -> None:
        """Fill in spring loss, belt margin and belt temperature of chosen builds, whose ramps work."""
        stage, path = self.stage, self.stage.drivetrain.path
        helix = choice[:, DRIVEN_SLOTS.index("helix")]
        loss, margin, temperature = belt_terms(stage, self.side(choice), self.per_pull[0, :, 0], helix)
        slope = pick(self.per_torque, choice)
        swept = (slope[:, 0] - slope[:, 1]) * self.torque(choice) * np.gradient(path.driven_travel, path.position)
        at = tuple(choice.T)
        self.loss[at] = loss + (swept * position_sweeps(stage.drivetrain)).sum(axis=-1)
        self.margin[at], self.temperature[at] = margin, temperature


@dataclass(frozen=True)
class BeltOptions(Options):
    """What belongs to both sides."""

    slots = ("belt",)


def new_parts(options: Options, slot: str) -> list[Part | None]:
    """The parts of a slot, None where nothing need be bought: nothing in it, or what is fitted."""
    fitted = options.stage.request.fitted.parts[slot]
    return [part if part is not None and part.id != fitted else None for part in options.parts(slot)]
