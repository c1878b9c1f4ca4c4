"""The SI record of what a drivetrain is made of: plain numbers, replaced to vary it. Knows no part id and no file.

`drivetrain.derive` works every array out of it. Any float may be an array of shape (d,), one value a draw; all such
arrays of one record have the same d (or 1). Curves, levels and the number of positions are shared by all draws.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from numbers import Integral
from typing import Any

import numpy as np

from solver.arrays import Array, Number
from solver.errors import PhysicalRangeError, refuse
from solver.ground import Ground, Vehicle

__all__ = [
    "NO_LIMITS",
    "BeltInputs",
    "Cooling",
    "DriveInputs",
    "DrivenInputs",
    "EngineInputs",
    "Inputs",
    "LimitInputs",
    "ShiftInputs",
    "Site",
]

_SPEEDS = (0.0, 1e4, "rad/s")
_RADII = (1e-3, 2.0, "m")
_SHARE = (0.0, 1.0, "-")
# What any machine of this kind could have, with room to spare: beyond, a number is a slip of the pen, and arithmetic
# could overflow. The formulas themselves refuse more.
_RANGES: Mapping[str, tuple[float, float, str]] = {
    "engine.speed": _SPEEDS,
    "engine.torque": (0.0, 1e5, "N m"),
    "engine.target_speed": _SPEEDS,
    "engine.speed_limit": _SPEEDS,
    "engine.idle_speed": _SPEEDS,
    "engine.holds_power_to": (-500.0, 11_000.0, "m"),
    "shift.min_drive_radius": _RADII,
    "shift.max_drive_radius": _RADII,
    "shift.min_driven_radius": _RADII,
    "shift.max_driven_radius": _RADII,
    "shift.centre_distance": (1e-2, 10.0, "m"),
    "shift.half_angle": (0.01, np.pi / 4, "rad"),
    "shift.belt_width": (1e-3, 1.0, "m"),
    "shift.positions": (2, 10_000, "-"),
    "belt.length": (0.05, 50.0, "m"),
    "belt.mass_per_length": (1e-4, 50.0, "kg/m"),
    "belt.max_tension": (1.0, 1e7, "N"),
    "belt.top_width": (1e-3, 1.0, "m"),
    "belt.max_temperature": (250.0, 700.0, "K"),
    "belt.friction": (0.01, 1.5, "-"),
    "belt.kinetic_friction": (0.01, 1.5, "-"),
    "belt.seating": _SHARE,
    "belt.bending": (0.0, 1e3, "N m"),
    "belt.wedging": (0.0, 0.2, "-"),
    "belt.stretch_stiffness": (100.0, 1e12, "N"),
    "belt.wedge_stiffness": (1e3, 1e15, "N/m^2"),
    "drive.pivot_radius": _RADII,
    "drive.roller_outboard": (-1.0, 1.0, "m"),
    "drive.roller_height": (-1.0, 1.0, "m"),
    "drive.roller_friction": _SHARE,
    "drive.pivot_friction": _SHARE,
    "drive.pin_radius": (1e-4, 0.1, "m"),
    "drive.bush_friction": _SHARE,
    "drive.guide_friction": _SHARE,
    "drive.guide_radius": _RADII,
    "drive.torque_share": _SHARE,
    "drive.spring_length": _RADII,
    "driven.ramp_friction": _SHARE,
    "driven.bush_friction": _SHARE,
    "driven.torque_share": (1e-3, 1.0, "-"),
    "driven.spring_length": _RADII,
    "vehicle.mass": (1.0, 1e6, "kg"),
    "vehicle.drag_area": (0.0, 100.0, "m^2"),
    "vehicle.wheel_radius": (0.01, 5.0, "m"),
    "vehicle.reduction": (0.01, 1e3, "-"),
    "vehicle.driveline_efficiency": (0.01, 1.0, "-"),
    "site.altitude": (-500.0, 11_000.0, "m"),
    "site.temperature": (150.0, 400.0, "K"),
    "grounds[].share": _SHARE,
    "grounds[].rolling": (0.0, 2.0, "-"),
    "grounds[].adhesion": (1e-3, 10.0, "-"),
    "grounds[].grade": (-2.0, 2.0, "-"),
    "grounds[].low_speed": (0.0, 300.0, "m/s"),
    "grounds[].high_speed": (0.0, 300.0, "m/s"),
    "grounds[].torque": (1e-3, 1.0, "-"),
    "grounds[].load_changes": (0.0, 100.0, "1/s"),
    "grounds[].starts": (0.0, 100.0, "1/s"),
    "grounds[].target_speed": _SPEEDS,
    "grounds[].reduction": (0.01, 1e3, "-"),
    "cooling.belt": (1.0, 1e6, "W/K"),
    "cooling.at_speed": (1.0, 1e4, "rad/s"),
}
_SHARED = ("engine.speed", "engine.torque", "shift.positions")  # by all draws


@dataclass(frozen=True)
class EngineInputs:
    """The engine at full throttle.

    Attributes
    ----------
    speed : ndarray, shape (n,) [rad/s]
    torque : ndarray, shape (n,) [N m]
    corrected : bool
        Whether the torque is stated for standard air, so that the air of the site has yet to take its share.
    target_speed : float or ndarray, shape (d,), or None [rad/s]
        None: the speed of peak power.
    speed_limit, idle_speed : float or ndarray, shape (d,) [rad/s]
    holds_power_to : float or ndarray, shape (d,), or None [m]
        Altitude up to which a boosted engine holds its power; None: thin air takes from it everywhere.
    """

    speed: Array
    torque: Array
    corrected: bool
    target_speed: Number | None
    speed_limit: Number
    idle_speed: Number
    holds_power_to: Number | None = None


@dataclass(frozen=True)
class ShiftInputs:
    """Both sheaves and how they stand; radii are pitch radii of the belt.

    Attributes
    ----------
    min_drive_radius, max_drive_radius, min_driven_radius, max_driven_radius [m] : at the stops of both sheaves
    centre_distance [m]
    half_angle [rad] : of the groove
    positions [-] : number of shift positions from 0 to 1, closer in low gear
    belt_width [m] : top width of the belt that the radii hold for; None: of any belt
    """

    min_drive_radius: Number
    max_drive_radius: Number
    min_driven_radius: Number
    max_driven_radius: Number
    centre_distance: Number
    half_angle: Number
    positions: int
    belt_width: Number | None = None


@dataclass(frozen=True)
class BeltInputs:
    """The belt.

    Attributes
    ----------
    length [m] : at the pitch line
    mass_per_length [kg/m], max_tension [N]
    friction [-] : of the flanks
    seating [-] : share of flank friction on the idle arcs
    corrected : bool
        Whether thrusts are scaled to the full sliding-angle theory.
    bending [N m], wedging [-], stretch_stiffness [N], wedge_stiffness [N/m^2] : see `losses.BeltLosses`
    kinetic_friction [-] : of flanks that slip bodily; None: as `friction`
    top_width [m] : None: as wide as the radii of the shift hold for
    max_temperature [K] : that the belt is rated for; None: not known
    """

    length: Number
    mass_per_length: Number
    max_tension: Number
    friction: Number
    seating: Number
    corrected: bool
    bending: Number
    wedging: Number
    stretch_stiffness: Number
    wedge_stiffness: Number
    kinetic_friction: Number | None = None
    top_width: Number | None = None
    max_temperature: Number | None = None


@dataclass(frozen=True)
class DriveInputs:
    """What the drive clutch gives to every arm and spring. Friction values are effective ones, vibration included.

    Attributes
    ----------
    pivot_radius [m] : of the arms' pivots about the shaft
    roller_outboard, roller_height [m] : roller centre from the pivot at zero travel, see `flyweights.arm_motion`
    roller_friction, pivot_friction [-] : of the rollers, and of the arms on their pins
    pin_radius [m] : of the arms' pins
    bush_friction [-] : of the moving sheave on its shaft
    guide_friction [-], guide_radius [m] : of the guides that turn the moving sheave
    torque_share [-] : of the engine torque that goes through these guides
    spring_length [m] : installed
    """

    pivot_radius: Number
    roller_outboard: Number
    roller_height: Number
    roller_friction: Number
    pivot_friction: Number
    pin_radius: Number
    bush_friction: Number
    guide_friction: Number
    guide_radius: Number
    torque_share: Number
    spring_length: Number


@dataclass(frozen=True)
class DrivenInputs:
    """What the driven clutch gives to every helix and spring.

    Attributes
    ----------
    ramp_friction [-]
    bush_friction [-] : of the moving sheave on its shaft
    torque_share [-] : of the belt torque that the moving sheave carries through the helix
    spring_length [m] : installed
    """

    ramp_friction: Number
    bush_friction: Number
    torque_share: Number
    spring_length: Number


@dataclass(frozen=True)
class Site:
    """Where it runs.

    Attributes
    ----------
    altitude [m]
    temperature [K] : of the air
    """

    altitude: Number
    temperature: Number


@dataclass(frozen=True)
class Cooling:
    """How the belt sheds heat.

    Attributes
    ----------
    belt [W/K] : heat for each kelvin above the air
    at_speed [rad/s] : engine speed at which that holds; None: at any
    """

    belt: Number
    at_speed: Number | None = None


@dataclass(frozen=True)
class LimitInputs:
    """What a kit must keep to be buildable; an infinite limit is one set aside. Derived arrays do not depend on it.

    Attributes
    ----------
    engagement : tuple of two floats [rad/s]
        Window of the engine speed at which the drive clutch takes hold.
    idle_clearance [rad/s] : engagement above idle
    belt_margin [-]
    spring_stress [-] : shear over wire strength
    coil_clearance [m] : from coil bind at full shift
    belt_temperature [K] : None: what the belt is rated for
    """

    engagement: tuple[float, float]
    idle_clearance: float
    belt_margin: float
    spring_stress: float
    coil_clearance: float
    belt_temperature: float | None = None


NO_LIMITS = LimitInputs((0.0, np.inf), -np.inf, -np.inf, np.inf, -np.inf, np.inf)  # for looking at kits that break some


@dataclass(frozen=True)
class Inputs:
    """All that the physics of a drivetrain is given.

    Vary it by `dataclasses.replace` and derive again.

    Attributes
    ----------
    engine : EngineInputs
    shift : ShiftInputs
    belt : BeltInputs
    drive : DriveInputs
    driven : DrivenInputs
    vehicle : Vehicle
    site : Site
    grounds : tuple of Ground
    cooling : Cooling
    limits : LimitInputs

    Raises
    ------
    PhysicalRangeError
        For numbers that are not finite or that no machine could have, and for draws of different number; `field`
        names each of them.
    """

    engine: EngineInputs
    shift: ShiftInputs
    belt: BeltInputs
    drive: DriveInputs
    driven: DrivenInputs
    vehicle: Vehicle
    site: Site
    grounds: tuple[Ground, ...]
    cooling: Cooling
    limits: LimitInputs

    def __post_init__(self) -> None:
        refuse([refusal for path, value in _numbers(self) if (refusal := _refusal(path, value)) is not None])
        refuse(_misshapen(self))
        varied = {path: np.shape(value) for path, value in _numbers(self) if np.ndim(value) and not _shared(path)}
        sizes = {shape[0]: path for path, shape in varied.items() if shape != (1,)}
        if len(sizes) > 1:
            told = ", ".join(f"{path} has {size}" for size, path in sizes.items())
            raise PhysicalRangeError(
                f"draws of different number: {told}; change one of them", next(iter(sizes.values()))
            )

    @property
    def draws(self) -> tuple[int, ...]:
        """Leading shape of what is derived [-]: () without draws, else (d,)."""
        return np.broadcast_shapes(*(np.shape(value) for path, value in _numbers(self) if not _shared(path)))

    def draw(self, number: int) -> Inputs:
        """The inputs of one draw alone, `number` [-] counted from 0."""
        one: Inputs = _pick(self, "", number)
        return one


def _misshapen(inputs: Inputs) -> list[PhysicalRangeError]:
    """Fields that do not hold what they should."""
    grounds, curve = inputs.grounds, np.shape(inputs.engine.speed)
    shared_out = any(np.any(np.greater(ground.share, 0)) for ground in grounds)
    rows = [
        ("engine.torque", "as many values as engine.speed", (len(curve), curve) == (1, np.shape(inputs.engine.torque))),
        ("grounds", "grounds, some of them with a share", shared_out),
        ("shift.positions", "a whole number", isinstance(inputs.shift.positions, Integral)),
    ]
    return [
        PhysicalRangeError(f"{path} should be {want}; change {path}", path) for path, want, fine in rows if not fine
    ]


def _numbers(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every number of a record with its path, as ("grounds[2].rolling", 0.05)."""
    if is_dataclass(value):
        for item in fields(value):
            yield from _numbers(getattr(value, item.name), f"{path}.{item.name}" if path else item.name)
    elif isinstance(value, tuple):
        for place, item in enumerate(value):
            yield from _numbers(item, f"{path}[{place}]")
    elif value is not None and not isinstance(value, bool) and not path.endswith(".name"):
        yield path, value


def _kind(path: str) -> str:
    return re.sub(r"\[\d+\]", "[]", path)


def _shared(path: str) -> bool:
    return _kind(path) in _SHARED


def _refusal(path: str, value: Any) -> PhysicalRangeError | None:
    values, kind = np.asarray(value), _kind(path)
    if values.dtype.kind not in "iuf" or not (kind in _RANGES or path.startswith("limits.")):
        what = type(value).__name__
        return PhysicalRangeError(f"{path} should be a number, or a tuple where it has members, not a {what}", path)
    if not values.size or values.ndim > 1 or (values.ndim == 1 and kind == "shift.positions"):
        return PhysicalRangeError(f"{path} has shape {values.shape}; change it to a number, or one a draw", path)
    low, high, unit = (-np.inf, np.inf, "(SI)") if path.startswith("limits.") else _RANGES[kind]
    fine = (values >= low) & (values <= high)
    if fine.all():
        return None
    worst = values[~fine].flat[0]
    return PhysicalRangeError(f"{path} = {worst:.6g} {unit} is outside [{low:.4g}, {high:.4g}]; change {path}", path)


def _pick(value: Any, path: str, number: int) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        inner = {
            f.name: _pick(getattr(value, f.name), f"{path}.{f.name}" if path else f.name, number) for f in fields(value)
        }
        return replace(value, **inner)
    if isinstance(value, tuple):
        return tuple(_pick(item, path, number) for item in value)
    if isinstance(value, np.ndarray) and value.ndim and not _shared(path):
        return float(value[number if len(value) > 1 else 0])
    return value
