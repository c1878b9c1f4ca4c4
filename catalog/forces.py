"""Parts as SI forces: what each gives in one machine with one belt, worked out once however many kits hold it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from catalog.machine import Machine, Pocket
from catalog.parts import Belt, Flyweight, Helix, ThrustTable, TuningMass
from catalog.quantities import show
from catalog.record import belt_inputs
from catalog.shelf import Shelf
from catalog.springs import Spring
from catalog.stock import Part
from solver.arm_bodies import Body, point_mass
from solver.drivetrain import Drivetrain, derive
from solver.errors import PhysicalRangeError
from solver.flyweights import ArmFriction, arm_friction, arm_motion, centrifugal, inertia_slope
from solver.helix import ramp

__all__ = ["ArmForce", "Forces", "RampForce", "SpringForce"]

Array = NDArray[np.float64]
T = TypeVar("T")

# What the length of a tuning mass adds, per mass and squared length, whichever way it lies: that of a slender rod.
_ROD = {
    "pin": Body(0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
    "along": Body(0.0, 0.0, 0.0, 1 / 12, 0.0, 0.0),
    "across": Body(0.0, 0.0, 0.0, 0.0, 1 / 12, 0.0),
}


@dataclass(frozen=True)
class SpringForce:
    """A spring in its pocket: load over the shift positions, shape (n,) [N], and load at full shift [N]."""

    load: Array
    full_shift: float


@dataclass(frozen=True)
class ArmForce:
    """A set of arms over the shift positions; "thrust" and "centrifugal" are per squared engine speed.

    Arms known by a thrust table have no centrifugal force: friction of the pins is in their measured band.

    Attributes
    ----------
    bare : ndarray, shape (n,) [N s^2]
        Thrust without friction and without tuning masses.
    per_mass : mapping of station -> ndarray, shape (n,) [N s^2/kg]
        What a tuning mass in each arm adds.
    per_mass_length2 : mapping of station -> ndarray, shape (n,) [N s^2/(kg m^2)]
        What its length adds, per mass and squared length.
    bare_centrifugal : ndarray, shape (n,) [kg m]
        Centrifugal force of the bare arms.
    centrifugal_per_mass : mapping of station -> ndarray, shape (n,) [m]
    friction : ArmFriction
        What roller and pin make of the thrust on upshift and backshift, arrays of shape (2, n).
    held : ndarray, shape (n,) [-]
        Thrust per centrifugal force that the pins hold back at rest: below it the rollers are not loaded.
    unsure : ndarray, shape (n,) [N s^2]
        The part of `bare` that hangs on an estimate of the arms' moments, see `parts.Body.estimate`.
    fault : str
        Why the arms cannot work here; empty if they do. Everything else is zero then.
    """

    bare: Array
    per_mass: Mapping[str, Array]
    per_mass_length2: Mapping[str, Array]
    bare_centrifugal: Array
    centrifugal_per_mass: Mapping[str, Array]
    friction: ArmFriction
    held: Array
    unsure: Array
    fault: str = ""

    def added(self, station: str, mass: TuningMass | None) -> Array:
        """Thrust that one mass in each arm adds at a station, shape (n,) [N s^2]; none without either."""
        if mass is None or station not in self.per_mass:
            return np.zeros_like(self.bare)
        of_length = mass.length**2 * self.per_mass_length2.get(station, 0.0)
        return np.asarray(mass.mass * (self.per_mass[station] + of_length))

    def thrown(self, station: str, mass: TuningMass | None) -> Array:
        """Centrifugal force that one mass in each arm adds at a station, shape (n,) [kg m]; none without either."""
        if mass is None or station not in self.centrifugal_per_mass:
            return np.zeros_like(self.bare)
        return np.asarray(mass.mass * self.centrifugal_per_mass[station])


@dataclass(frozen=True)
class RampForce:
    """A helix over the shift positions.

    Attributes
    ----------
    per_torque : ndarray, shape (2, n) [1/m]
        Thrust per ramp torque on upshift and backshift.
    rotation : ndarray, shape (n,) [rad]
    fault : str
        Why it cannot work here; empty if it does. Everything else is zero then.
    """

    per_torque: Array
    rotation: Array
    fault: str = ""


@dataclass(frozen=True)
class Forces:
    """The parts of a shelf in one machine with one belt, and what each gives there.

    Attributes
    ----------
    shelf : Shelf
    machine : Machine
    drivetrain : Drivetrain
        Derived for the belt.
    belt : str
        Part id.
    """

    shelf: Shelf
    machine: Machine
    drivetrain: Drivetrain
    belt: str
    _known: dict[tuple[object, ...], Any] = field(default_factory=dict, repr=False, compare=False)

    def with_belt(self, part: Belt) -> Forces:
        """The same parts and machine with another belt.

        Raises
        ------
        PhysicalRangeError
            If the belt does not lie over the sheaves.
        """
        if part.id == self.belt:
            return self
        inputs = replace(self.drivetrain.inputs, belt=belt_inputs(part))
        return self._once("belt", part, lambda: Forces(self.shelf, self.machine, derive(inputs), part.id))

    def pocket(self, slot: str) -> Pocket:
        """The pocket of a spring slot, as long as the record says."""
        clutch = self.machine.drive_clutch if slot == "drive_spring" else self.machine.driven_clutch
        return clutch.spring.model_copy(update={"installed_length": self.installed_length(slot)})

    def full_shift_length(self, slot: str) -> float:
        """Length of the spring in a slot at full shift [m]."""
        return float(self._lengths(slot)[-1])

    def installed_length(self, slot: str) -> float:
        """Length of the spring in a slot before the shift [m]."""
        inputs = self.drivetrain.inputs
        return float((inputs.drive if slot == "drive_spring" else inputs.driven).spring_length)

    def spring(self, slot: str, part: Spring) -> SpringForce:
        """What a spring gives in a slot."""
        return self._once(slot, part, lambda: self._spring(slot, part))

    def arm(self, part: Flyweight) -> ArmForce:
        """What a set of arms gives."""
        return self._once("flyweight", part, lambda: self._arm(part))

    def ramp(self, part: Helix) -> RampForce:
        """What a helix gives."""
        return self._once("helix", part, lambda: self._ramp(part))

    def once(self, key: tuple[object, ...], work: Callable[[], T]) -> T:
        """What follows from these parts in this machine, worked out when it is first asked for."""
        if key not in self._known:
            self._known[key] = work()
        known: T = self._known[key]
        return known

    def _once(self, slot: str, part: Part, work: Callable[[], T]) -> T:
        return self.once((slot, part.id), work)

    def _spring(self, slot: str, part: Spring) -> SpringForce:
        full = self.full_shift_length(slot)
        curve = part.curve(self.installed_length(slot), full)
        return SpringForce(curve.at(self._lengths(slot)), float(curve.at(full)))

    def _lengths(self, slot: str) -> Array:
        drivetrain = self.drivetrain
        return drivetrain.drive_spring_length if slot == "drive_spring" else drivetrain.driven_spring_length

    def _arm(self, part: Flyweight) -> ArmForce:
        clutch, travel = self.drivetrain.inputs.drive, self.drivetrain.path.drive_travel
        try:
            if part.thrust is not None:
                return _from_table(part.thrust, travel, 2 * float(clutch.roller_friction))
            assert part.body is not None
            assert part.profile is not None
            face = part.profile.metres
            motion = arm_motion(travel, face, part.roller_diameter / 2, clutch.roller_outboard, clutch.roller_height)
            friction = arm_friction(motion, clutch.roller_friction, clutch.pivot_friction, clutch.pin_radius)
        except PhysicalRangeError as error:
            nothing = np.zeros(len(travel))
            return _without_pins(nothing, {}, 0.0, f"{part.id}: {error}")

        def thrust(body: Body) -> Array:
            return part.count * 0.5 * inertia_slope(motion, clutch.pivot_radius, body)

        def thrown(body: Body) -> Array:
            return part.count * centrifugal(motion, clutch.pivot_radius, body)

        arm = part.body.solid(float(face[-1, 0]))
        seats = {name: point_mass(1.0, seat.along, seat.across) for name, seat in part.stations.items()}
        alone = thrust(point_mass(arm.mass, arm.along, arm.across)) if part.body.estimate else thrust(arm)
        return ArmForce(
            bare=thrust(arm),
            per_mass={name: thrust(seat) for name, seat in seats.items()},
            per_mass_length2={name: thrust(_ROD[seat.lies]) for name, seat in part.stations.items()},
            bare_centrifugal=thrown(arm),
            centrifugal_per_mass={name: thrown(seat) for name, seat in seats.items()},
            friction=friction,
            held=np.asarray(clutch.pivot_friction * clutch.pin_radius * motion.slope),
            unsure=thrust(arm) - alone,
        )

    def _ramp(self, part: Helix) -> RampForce:
        travel = self.drivetrain.path.driven_travel
        at, angle = part.points
        try:
            state = ramp(travel, at, angle, part.radius, self.drivetrain.inputs.driven.ramp_friction)
        except PhysicalRangeError as error:
            return RampForce(np.zeros((2, len(travel))), np.zeros(len(travel)), f"{part.id}: {error}")
        return RampForce(state.thrust_per_torque, state.rotation)


def _from_table(table: ThrustTable, travel: Array, usual_band: float) -> ArmForce:
    """Arms measured on a bench."""
    if table.travel[-1] < travel[-1] - 1e-6:
        raise PhysicalRangeError(
            f"thrust table ends at {show(table.travel[-1], 'm')}, the sheave travels {show(float(travel[-1]), 'm')}"
        )

    def at(values: list[float]) -> Array:
        return np.asarray(np.interp(travel, table.travel, values) / table.speed**2)

    band = usual_band if table.friction_band is None else table.friction_band
    return _without_pins(at(table.bare), {station: at(values) for station, values in table.per_mass.items()}, band)


def _without_pins(bare: Array, per_mass: Mapping[str, Array], band: float, fault: str = "") -> ArmForce:
    """Arms of which the thrusts alone are known, and the share by which friction moves them."""
    nothing = np.zeros(len(bare))
    share, none = np.array([[1 - band], [1 + band]]) * np.ones(len(bare)), np.zeros((2, len(bare)))
    return ArmForce(
        bare=bare,
        per_mass=per_mass,
        per_mass_length2={},
        bare_centrifugal=nothing,
        centrifugal_per_mass={},
        friction=ArmFriction(share, none, none, none, none, none),
        held=nothing,
        unsure=nothing,
        fault=fault,
    )
