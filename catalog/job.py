"""The job: machine, catalogue, ground mix, limits and weights, read and turned into SI arrays once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import BaseModel

from catalog.documents import Document, Loc, path_text, read_document
from catalog.dyno import dyno_curve, dyno_text
from catalog.errors import InputError, Problem
from catalog.jobfile import SLOT_FAMILIES, JobFile
from catalog.machine import Machine
from catalog.parts import Belt, Flyweight, TuningMass
from catalog.quantities import show
from catalog.reading import validate
from catalog.shelf import DEMO_PARTS, Shelf, digest, read_shelf
from catalog.stock import EMPTY, STATIONS
from catalog.twists import twist_settings
from solver.belt_grip import Grip, grip
from solver.belt_path import ShiftPath, shift_path
from solver.engine import EngineCurve, air_correction, air_density, standard_atmosphere
from solver.errors import PhysicalRangeError
from solver.ground import Duty, Ground, Vehicle, duty
from solver.losses import BeltLosses

__all__ = ["Job", "load_job"]

_DEMO_CATALOGUE = "demo"
T = TypeVar("T")


@dataclass(frozen=True)
class Job:
    """A job ready to be computed: validated files and the SI arrays made of them.

    Attributes
    ----------
    file : Path
    spec : JobFile
    document : Document
        Where each value of the job file stands.
    machine : Machine
    shelf : Shelf
    belt : Belt
    engine : EngineCurve
        In the air of the site.
    target_speed, speed_limit : float [rad/s]
    shift : ShiftPath
        On the grid's positions, 0 to 1.
    grip : Grip
    losses : BeltLosses
    vehicle : Vehicle
    duty : Duty
    air_density : float [kg/m^3]
    twists : tuple of (float or None)
        Twist settings of the space [rad]; None is for springs that are not wound.
    assumed : tuple of str
        What the files left open, and what was taken instead.
    inputs : dict of str
        Hashes of job, machine with engine curve, and catalogue.
    """

    file: Path
    spec: JobFile
    document: Document
    machine: Machine
    shelf: Shelf
    belt: Belt
    engine: EngineCurve
    target_speed: float
    speed_limit: float
    shift: ShiftPath
    grip: Grip
    losses: BeltLosses
    vehicle: Vehicle
    duty: Duty
    air_density: float
    twists: tuple[float | None, ...]
    assumed: tuple[str, ...]
    inputs: dict[str, str]

    @property
    def currency(self) -> str:
        """Currency of the catalogue's prices; empty if nothing is priced."""
        return next((p.price.currency for f in self.shelf.parts.values() for p in f.values() if p.price), "")

    @property
    def installed_lengths(self) -> dict[str, tuple[float, float]]:
        """Installed and full-shift length of each spring slot [m]."""
        drive, driven = self.machine.drive_clutch.spring, self.machine.driven_clutch.spring
        return {
            "drive_spring": (drive.installed_length, drive.installed_length - float(self.shift.drive_travel[-1])),
            "driven_spring": (driven.installed_length, driven.installed_length - float(self.shift.driven_travel[-1])),
        }


def load_job(path: str | Path) -> Job:
    """Read a job with its machine, engine curve and catalogue.

    Paths in the files are relative to the file they stand in; the catalogue name "demo" is the one that
    comes with kitwright.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Job

    Raises
    ------
    InputError
        With every problem of every file.
    """
    file = Path(path)
    document = read_document(file)
    problems: list[Problem] = []

    def collect(read: Callable[[], T]) -> T | None:
        try:
            return read()
        except InputError as error:
            problems.extend(error.problems)
            return None

    spec = collect(lambda: validate(document, JobFile))
    # A faulty job still says which machine and catalogue it means: their faults are reported in the same go.
    named = document.data if isinstance(document.data, dict) else {}
    machine_name, folders = named.get("machine"), named.get("catalogue")
    machine_document = machine = curve_file = curve = shelf = None
    if isinstance(machine_name, str):
        machine_document = collect(lambda: read_document(file.parent / machine_name))
    if machine_document is not None:
        there = machine_document
        machine = collect(lambda: validate(there, Machine))
        engine = there.data.get("engine") if isinstance(there.data, dict) else None
        curve_name = engine.get("curve") if isinstance(engine, dict) else None
        if isinstance(curve_name, str):
            curve_file = collect(lambda: dyno_text(there.path.parent / curve_name))
            curve = collect(lambda: dyno_curve(curve_file)) if curve_file is not None else None
    if isinstance(folders, list) and all(isinstance(name, str) for name in folders):
        shelf = collect(lambda: read_shelf(DEMO_PARTS if n == _DEMO_CATALOGUE else file.parent / n for n in folders))
    if spec is not None and shelf is not None:
        problems += _crosscheck(document, spec, shelf)
    belt = shelf.family("belts").get(spec.belt) if shelf and spec else None
    if None in (spec, machine, curve, shelf, machine_document) or not isinstance(belt, Belt):
        raise InputError(problems)
    assert spec is not None
    assert machine is not None
    assert machine_document is not None
    assert shelf is not None
    assert curve is not None
    assert curve_file is not None
    hashes = {
        "job": digest([document.sha256]),
        "machine": digest([machine_document.sha256, curve_file.sha256]),
        "catalogue": digest(shelf.hashes),
    }
    job = collect(lambda: _assemble(file, document, spec, machine, machine_document, shelf, belt, curve, hashes))
    if job is None or problems:
        raise InputError(problems)
    return job


def _assemble(
    file: Path,
    document: Document,
    spec: JobFile,
    machine: Machine,
    machine_document: Document,
    shelf: Shelf,
    belt: Belt,
    curve: EngineCurve,
    hashes: dict[str, str],
) -> Job:
    """Turn validated files into arrays; what the physics refuses becomes a problem with a place."""
    pressure, _, _ = standard_atmosphere(spec.site.altitude)
    density = float(air_density(pressure, spec.site.temperature))
    factor = float(air_correction(pressure, spec.site.temperature)) if machine.engine.air == "corrected" else 1.0
    engine = curve.scaled(factor)
    target = machine.engine.target_speed or engine.peak_power_speed
    limit = min(spec.limits.engine_speed or np.inf, machine.engine.speed_limit)

    positions = np.linspace(0, 1, spec.grid.positions)
    shift = _reach(machine, machine_document, belt, positions)
    vehicle = Vehicle(
        machine.mass, machine.drag_area, machine.wheel_radius, machine.reduction, machine.driveline_efficiency
    )
    grounds = [
        Ground(
            g.name,
            g.share,
            g.rolling,
            g.adhesion,
            g.grade,
            g.speed[0],
            g.speed[1],
            g.throttle,
            g.load_changes,
            g.starts,
        )
        for g in spec.grounds
    ]
    power = float(engine.at(target)) * target
    problems = []
    try:
        belt_coefficients = grip(
            shift, machine.half_angle, belt.friction, belt.seating, corrected=belt.thrust_theory == "corrected"
        )
    except PhysicalRangeError as error:
        problems.append(Problem(str(file), *document.place(("belt",)), "belt", f"belt {belt.id!r}: {error}"))
    for number, ground in enumerate(grounds):
        try:
            duty([ground], vehicle, shift, power, target, spec.grid.torque_levels, density)
        except PhysicalRangeError as error:
            line, column = document.place(("grounds", number))
            problems.append(Problem(str(file), line, column, f"grounds[{number}]", str(error)))
    if not machine.engine.idle_speed < target < limit:
        by_job = spec.limits.engine_speed is not None and limit == spec.limits.engine_speed
        place = ("limits", "engine_speed") if by_job else ("engine",)
        blamed = document if by_job else machine_document
        problems.append(
            Problem(
                str(blamed.path), *blamed.place(place), ".".join(place),
                "target speed must lie between idle and the speed limit",
                f"idle {show(machine.engine.idle_speed, 'rad/s')}, target {show(target, 'rad/s')}, "
                f"limit {show(limit, 'rad/s')}", "idle < target < limit",
            )
        )  # fmt: skip
    try:
        twists = twist_settings(shelf, spec, document)
    except InputError as error:
        problems += error.problems
    if problems:
        raise InputError(problems)
    return Job(
        file=file,
        spec=spec,
        document=document,
        machine=machine,
        shelf=shelf,
        belt=belt,
        engine=engine,
        target_speed=target,
        speed_limit=float(limit),
        shift=shift,
        grip=belt_coefficients,
        losses=BeltLosses(**belt.losses.model_dump()),
        vehicle=vehicle,
        duty=duty(grounds, vehicle, shift, power, target, spec.grid.torque_levels, density),
        air_density=density,
        twists=twists,
        assumed=_assumed(spec, machine, belt, shelf, factor),
        inputs=hashes,
    )


def _crosscheck(document: Document, spec: JobFile, shelf: Shelf) -> list[Problem]:
    """What only shows when job and catalogue are seen together."""
    problems = []

    def note(loc: Loc, message: str, got: str, expected: str) -> None:
        line, column = document.place(loc)
        problems.append(Problem(str(document.path), line, column, path_text(loc), message, got, expected))

    total = sum(ground.share for ground in spec.grounds)
    if abs(total - 1) > 0.005:
        note(("grounds",), "the shares do not add up", f"{100 * total:.4g} %", "100 %")
    names = [ground.name for ground in spec.grounds]
    for number, name in enumerate(names):
        if name in names[:number]:
            note(("grounds", number, "name"), "two grounds of one name", repr(name), "a name of its own")
    if spec.belt not in shelf.family("belts"):
        note(("belt",), "no such belt in the catalogue", repr(spec.belt), _offer(shelf.family("belts")))
    for slot, family in SLOT_FAMILIES.items():
        part = getattr(spec.fitted, slot)
        offered = {EMPTY: None, **shelf.family(family)} if slot in STATIONS else shelf.family(family)
        if part not in shelf.family(family) and not (slot in STATIONS and part == EMPTY):
            note(("fitted", slot), f"no such part among the {family}", repr(part), _offer(offered))
    for slot in STATIONS:
        mass = shelf.family("masses").get(getattr(spec.fitted, slot))
        if isinstance(mass, TuningMass) and slot not in mass.stations:
            note(("fitted", slot), "this mass is not made for this station", repr(mass.id), f"a mass for the {slot}")
    currencies = {p.price.currency for f in shelf.parts.values() for p in f.values() if p.price}
    if spec.limits.budget is not None and currencies - {spec.limits.budget.currency}:
        several = ", ".join(sorted({spec.limits.budget.currency, *currencies}))
        note(("limits", "budget"), "prices and budget in several currencies", several, "one currency")
    return problems


def _offer(parts: Mapping[str, object]) -> str:
    names = list(parts)
    return "one of " + ", ".join(names[:6]) + (" …" if len(names) > 6 else "") if names else "such a part file"


def _reach(machine: Machine, document: Document, belt: Belt, positions: Any) -> ShiftPath:
    """The shift path, with a problem in words where the belt does not reach or does not suit the sheaves."""
    drive, driven = machine.drive_clutch, machine.driven_clutch
    problems = []

    def note(path: str, message: str, got: str, expected: str) -> None:
        place = document.place(tuple(path.split(".")))
        problems.append(Problem(str(document.path), *place, path, message, got, expected))

    if abs(belt.half_angle - machine.half_angle) > np.radians(0.5):
        note(
            "half_angle", f"belt {belt.id!r} has another flank angle",
            f"sheave {show(machine.half_angle, 'rad')}", f"{show(belt.half_angle, 'rad')} as the belt",
        )  # fmt: skip
    for side, family in (("drive_clutch", drive.family), ("driven_clutch", driven.family)):
        if family not in belt.fits:
            note(
                f"{side}.family",
                f"belt {belt.id!r} is not made for clutch family {family!r}",
                ", ".join(belt.fits),
                family,
            )
    try:
        shift = shift_path(
            positions,
            drive.min_radius,
            drive.max_radius,
            belt.pitch_length,
            machine.centre_distance,
            machine.half_angle,
        )
    except PhysicalRangeError as error:
        note("centre_distance", f"belt {belt.id!r} cannot reach between the sheaves: {error}", "", "")
        raise InputError(problems) from None
    largest, smallest = float(shift.driven_radius[0]), float(shift.driven_radius[-1])
    if largest > driven.max_radius * (1 + 1e-9) or smallest < driven.min_radius * (1 - 1e-9):
        note(
            "centre_distance", f"belt {belt.id!r} cannot reach between the sheaves",
            f"driven radius {show(largest, 'm')} to {show(smallest, 'm')}",
            f"{show(driven.max_radius, 'm')} to {show(driven.min_radius, 'm')}",
        )  # fmt: skip
    if problems:
        raise InputError(problems)
    return shift


def _assumed(spec: JobFile, machine: Machine, belt: Belt, shelf: Shelf, factor: float) -> tuple[str, ...]:
    lines: list[str] = []

    def walk(model: BaseModel) -> None:
        notes: dict[str, str] = getattr(model, "assumed", {})
        for name in type(model).model_fields:
            if name not in model.model_fields_set:
                if name in notes:
                    lines.append(notes[name])
                elif isinstance(getattr(model, name), BaseModel):
                    walk(getattr(model, name))
                continue
            value = getattr(model, name)
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, BaseModel):
                    walk(child)

    walk(spec)
    walk(machine)
    if machine.engine.air == "corrected":
        lines.append(
            f"air of the site leaves {100 * factor:.1f} % of the corrected engine power (SAE J1349 form, dry air)"
        )
    if "seating" not in belt.model_fields_set:
        lines.append("the belt seats with full flank friction on its idle arcs (seating 1)")
    lines.append("slip limit from the full sliding-angle theory of a flexible belt, at most a tension ratio of 21")
    lines.append("belt efficiency of 87 % while the time on each ground is worked out; it does not enter the balance")
    arms = shelf.family("flyweights")
    bare = [
        p.id
        for family in ("drive_springs", "driven_springs")
        for p in shelf.family(family).values()
        if getattr(p, "wire", None) is None
    ]
    if any(isinstance(p, Flyweight) and p.thrust and p.thrust.friction_band is None for p in arms.values()):
        lines.append("thrust tables without a friction band: twice the roller friction, as for a face at 45 deg")
    if bare:
        lines.append(f"stress not checked for {len(bare)} springs without wire data")
    return tuple(dict.fromkeys(lines))
