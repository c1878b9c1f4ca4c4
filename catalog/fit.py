"""What bolts to what, and what a spring may carry. Each rule answers with a sentence, or None where all is well.

Rules that need a balance (engagement, engine speed, belt margin) live in `search`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from catalog.machine import DriveClutch, DrivenClutch, Machine, Pocket
from catalog.parts import Belt, Flyweight, Helix, TuningMass
from catalog.quantities import show
from catalog.springs import MATERIALS, DrivenSpring, Spring
from catalog.stock import Part
from solver.springs import bending_stress, shear_stress, tensile_strength, torsion_shear_stress

__all__ = [
    "allowed_shear",
    "belt_fits",
    "coil_bind",
    "flyweight_fits",
    "helix_fits",
    "helix_takes_twist",
    "mass_fits",
    "out_of_stock",
    "spring_fits",
    "spring_takes_twist",
    "stress_sentence",
    "wire_shear",
]

_FLANK_PLAY = np.radians(0.5)  # common practice, no source
_PIN_PLAY = 0.15e-3  # m, common practice, no source
_ROLLER_PLAY = 0.3e-3  # m, common practice, no source
_SEAT_PLAY = (
    1.5e-3  # m, how far a spring's stated installed length may be from the pocket's; common practice, no source
)


def belt_fits(belt: Belt, machine: Machine, half_angle: float) -> str | None:
    """Whether a belt is made for sheaves of a half angle [rad]; that it reaches is for `solver.drivetrain` to say."""
    for clutch in (machine.drive_clutch, machine.driven_clutch):
        if clutch.family not in belt.fits:
            return f"{belt.id} is made for {', '.join(belt.fits)}, not {clutch.family}"
    if abs(belt.half_angle - half_angle) > _FLANK_PLAY:
        angles = show(belt.half_angle, "rad"), show(half_angle, "rad")
        return f"{belt.id} has a flank angle of {angles[0]}, the sheaves have {angles[1]}"
    return None


def spring_fits(spring: Spring, pocket: Pocket, family: str, full_shift: float | None = None) -> str | None:
    """Whether a spring goes into a clutch's pocket and is pressed there.

    With the clutch's full-shift length [m], marks without lengths are held against the part's other data too.
    """
    outer, inner = spring.dimension("outer_diameter"), spring.dimension("inner_diameter")
    stated = spring.stated_length
    if family not in spring.fits:
        return f"{spring.id} is made for {', '.join(spring.fits)}, not {family}"
    if outer > pocket.outer_limit:
        return f"{spring.id} is {show(outer, 'm')} outside, the pocket takes {show(pocket.outer_limit, 'm')}"
    if inner < pocket.inner_limit:
        return f"{spring.id} is {show(inner, 'm')} inside, the guide needs {show(pocket.inner_limit, 'm')}"
    if stated is not None and abs(stated - pocket.installed_length) > _SEAT_PLAY:
        return f"{spring.id} is meant to sit at {show(stated, 'm')}, the pocket is {show(pocket.installed_length, 'm')}"
    if full_shift is not None:
        differing = spring.disagreement(pocket.installed_length, full_shift)
        if differing is not None:
            return f"{spring.id}: {differing}"
    curve = spring.curve(pocket.installed_length, full_shift or pocket.installed_length / 2)
    if curve.at(pocket.installed_length) <= 0:
        free = f"{show(curve.free_length, 'm')} long when free"
        return f"{spring.id} is loose: it is {free}, the pocket is {show(pocket.installed_length, 'm')}"
    return None


def flyweight_fits(arm: Flyweight, clutch: DriveClutch) -> str | None:
    """Whether a set of arms goes into a drive clutch."""
    if clutch.family not in arm.fits:
        return f"{arm.id} is made for {', '.join(arm.fits)}, not {clutch.family}"
    if arm.count != clutch.arms:
        return f"{arm.id} is a set of {arm.count}, the clutch takes {clutch.arms}"
    if abs(arm.pin_diameter - clutch.pin_diameter) > _PIN_PLAY:
        pins = show(arm.pin_diameter, "m"), show(clutch.pin_diameter, "m")
        return f"{arm.id} is bored for pins of {pins[0]}, the clutch has {pins[1]}"
    if abs(arm.roller_diameter - clutch.roller_diameter) > _ROLLER_PLAY:
        return (
            f"{arm.id} is cut for rollers of {show(arm.roller_diameter, 'm')}, "
            f"the clutch has {show(clutch.roller_diameter, 'm')}"
        )
    return None


def mass_fits(mass: TuningMass | None, station: str, arm: Flyweight) -> str | None:
    """Whether a tuning mass (None: nothing) goes into an arm's station."""
    seat = arm.stations.get(station)  # type: ignore[call-overload]
    if mass is None:
        blocked = seat is not None and not seat.may_be_empty
        return f"{station} of {arm.id} must carry a mass" if blocked else None
    if station not in mass.stations:
        return f"{mass.id} is made for {', '.join(mass.stations)}, not {station}"
    if seat is None:
        return f"{arm.id} has no {station} station"
    if seat.seat != mass.seat:
        return f"{mass.id} has seat {mass.seat}, {station} of {arm.id} takes {seat.seat}"
    if mass.length > seat.depth:
        return f"{mass.id} is {show(mass.length, 'm')} long, {station} of {arm.id} is {show(seat.depth, 'm')} deep"
    return None


def helix_fits(helix: Helix, clutch: DrivenClutch, travel: float) -> str | None:
    """Whether a helix goes into a driven clutch and lasts for the driven travel [m]."""
    if clutch.family not in helix.fits:
        return f"{helix.id} is made for {', '.join(helix.fits)}, not {clutch.family}"
    if abs(helix.roller_diameter - clutch.roller_diameter) > _ROLLER_PLAY:
        return (
            f"{helix.id} is cut for rollers of {show(helix.roller_diameter, 'm')}, "
            f"the clutch has {show(clutch.roller_diameter, 'm')}"
        )
    if helix.travel < travel:
        return f"{helix.id} ends at {show(helix.travel, 'm')} travel, the belt needs {show(travel, 'm')}"
    return None


def spring_takes_twist(spring: DrivenSpring, twist: float | None, tangs: bool) -> str | None:
    """Whether a spring is wound where a twist setting [rad] (None: not wound) says so, and can be."""
    if spring.kind == "compression":
        return None if twist is None else f"{spring.id} is a compression spring and is not wound"
    if not tangs:
        return f"{spring.id} needs tang holes, which the driven clutch lacks"
    return f"{spring.id} is wound by the helix and needs a twist setting" if twist is None else None


def helix_takes_twist(helix: Helix, twist: float | None) -> str | None:
    """Whether a twist setting [rad] (None: not wound) can be made on a helix."""
    if twist is None or helix.takes_twist(twist):
        return None
    return f"{helix.id} has no setting at {show(twist, 'rad')} twist"


def coil_bind(spring: Spring, full_shift: float, clearance: float) -> str | None:
    """Whether a spring keeps the clearance [m] from coil bind at its full-shift length [m]."""
    solid = spring.dimension("solid_length")
    if full_shift - solid < clearance:
        return (
            f"{spring.id} would be {show(full_shift, 'm')} long at full shift; it is solid at {show(solid, 'm')} and "
            f"must keep {show(clearance, 'm')}"
        )
    return None


def wire_shear(spring: Spring, load: float, wound: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Shear stress [Pa] of a spring's wire under a load [N], wound by an angle [rad]; 0 where the wire is not known."""
    wire = spring.wire
    if wire is None:
        return np.zeros(np.shape(wound))
    torque = (spring.winding_rate if isinstance(spring, DrivenSpring) else 0.0) * np.asarray(wound, float)
    shear = shear_stress(load, wire.diameter, wire.mean_diameter)
    return torsion_shear_stress(shear, bending_stress(torque, wire.diameter, wire.mean_diameter))


def allowed_shear(spring: Spring, share: float) -> float:
    """Shear stress [Pa] that a spring's wire may reach, a share of its strength; infinite where it is not known."""
    if spring.wire is None:
        return np.inf
    material = MATERIALS[spring.wire.material]
    return share * float(tensile_strength(spring.wire.diameter, material.intercept, material.exponent))


def stress_sentence(spring: Spring, shear: float, allowed: float) -> str:
    """What is said of a spring whose wire passes its allowance."""
    return f"{spring.id} reaches {shear / 1e6:.0f} MPa shear at full shift, {allowed / 1e6:.0f} MPa is allowed"


def out_of_stock(part: Part, fitted: bool) -> str | None:
    """Whether a part is to hand: in stock, or in the machine already."""
    if fitted or (part.stock or 0) > 0:
        return None
    return f"{part.id} is not in stock" if part.stock is not None else f"{part.id} states no stock"
