"""The job: machine, catalogue, ground mix, limits and weights, read and turned into SI arrays once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TypeVar

import numpy as np
from pydantic import BaseModel

from catalog import fit
from catalog.documents import Document, Loc, path_text, read_document
from catalog.dyno import read_dyno
from catalog.errors import InputError, Problem
from catalog.forces import Forces, belt_inputs
from catalog.jobfile import JobFile
from catalog.machine import Machine
from catalog.parts import Belt, Flyweight, Helix, TuningMass
from catalog.reading import validate
from catalog.shelf import DEMO_PARTS, Shelf, digest, read_shelf
from catalog.slots import BELT, EMPTY, SLOT_FAMILIES, STATIONS
from solver.drivetrain import Drivetrain, derive
from solver.engine import EngineCurve, air_correction, standard_atmosphere
from solver.errors import PhysicalRangeError
from solver.ground import Ground, Vehicle
from solver.inputs import DriveInputs, DrivenInputs, EngineInputs, Inputs, LimitInputs, ShiftInputs, Site

__all__ = ["Job", "load_job"]

_DEMO_CATALOGUE = "demo"
T = TypeVar("T")


@dataclass(frozen=True)
class Job:
    """A job ready to be computed: validated files, and the SI record of what they say.

    What varies is varied by plain replacement: `replace(job, inputs=...)` derives everything anew.

    Attributes
    ----------
    file : Path
    spec : JobFile
    document : Document
        Where each value of the job file stands.
    machine : Machine
    shelf : Shelf
    inputs : Inputs
        SI record of machine, fitted belt, site, grounds and limits.
    twists : tuple of (float or None)
        Twist settings of the space [rad]; None is for springs that are not wound.
    assumed : tuple of str
        What the files left open, and what was taken instead.
    hashes : dict of str
        Hashes of job, machine with engine curve, and catalogue.
    """

    file: Path
    spec: JobFile
    document: Document
    machine: Machine
    shelf: Shelf
    inputs: Inputs
    twists: tuple[float | None, ...]
    assumed: tuple[str, ...]
    hashes: dict[str, str]

    @cached_property
    def drivetrain(self) -> Drivetrain:
        """Everything derived from the record, with the fitted belt."""
        return derive(self.inputs)

    @cached_property
    def forces(self) -> Forces:
        """The parts in the machine with the fitted belt."""
        return Forces(self.shelf, self.machine, self.drivetrain, self.spec.belt)

    @property
    def currency(self) -> str:
        """Currency of the catalogue's prices; empty if nothing is priced."""
        return next((p.price.currency for f in self.shelf.parts.values() for p in f.values() if p.price), "")


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
    machine_document = machine = curve = shelf = None
    if isinstance(machine_name, str):
        machine_document = collect(lambda: read_document(file.parent / machine_name))
    if machine_document is not None:
        there = machine_document
        machine = collect(lambda: validate(there, Machine))
        engine = there.data.get("engine") if isinstance(there.data, dict) else None
        curve_name = engine.get("curve") if isinstance(engine, dict) else None
        if isinstance(curve_name, str):
            curve = collect(lambda: read_dyno(there.path.parent / curve_name))
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
    job = collect(lambda: _assemble(file, document, spec, machine, machine_document, shelf, belt, curve))
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
) -> Job:
    """Put validated files together; what the physics refuses becomes a problem with a place."""
    unfit = fit.belt_fits(belt, machine)
    if unfit is not None:
        raise InputError([Problem(str(file), *document.place(("belt",)), "belt", unfit)])
    twists = _twists(shelf, spec.grid.twist_step)
    try:
        inputs = _inputs(spec, machine, belt, curve)
        derive(inputs)
    except PhysicalRangeError as error:
        raise InputError(_placed(error, spec, document, machine_document)) from None
    return Job(
        file=file,
        spec=spec,
        document=document,
        machine=machine,
        shelf=shelf,
        inputs=inputs,
        twists=twists,
        assumed=_assumed(spec, machine, belt, shelf),
        hashes={
            "job": digest([file]),
            "machine": digest([machine_document.path, machine_document.path.parent / machine.engine.curve]),
            "catalogue": digest(shelf.files),
        },
    )


# Where a field of the SI record stands in the files: the keys of the machine file, unless the job file has it.
_IN_MACHINE = {
    "engine.speed": "engine.curve",
    "engine.torque": "engine.curve",
    "shift.min_drive_radius": "drive_clutch.min_radius",
    "shift.max_drive_radius": "drive_clutch.max_radius",
    "shift.min_driven_radius": "driven_clutch.min_radius",
    "shift.max_driven_radius": "driven_clutch.max_radius",
    "drive.spring_length": "drive_clutch.spring.installed_length",
    "driven.spring_length": "driven_clutch.spring.installed_length",
}
_ROOMS = {"shift": "", "vehicle": "", "drive": "drive_clutch.", "driven": "driven_clutch.", "engine": "engine."}
_IN_JOB = {"levels": "grid.torque_levels", "shift.positions": "grid.positions"}


def _placed(error: PhysicalRangeError, spec: JobFile, document: Document, machine: Document) -> list[Problem]:
    """What the physics refuses, each at the key of the file that says it."""
    return [_problem(one, spec, document, machine) for one in (error, *error.also)]


def _problem(error: PhysicalRangeError, spec: JobFile, document: Document, machine: Document) -> Problem:
    room, _, key = error.field.partition(".")
    field = re.match(r"[^\[]*", error.field)[0]  # type: ignore[index]  # matches any text
    by_job = field == "engine.speed_limit" and spec.limits.engine_speed is not None
    if by_job or room in ("belt", "site", "limits") or field in ("grounds", *_IN_JOB):
        path = "limits.engine_speed" if by_job else "belt" if room == "belt" else _IN_JOB.get(field, error.field)
        where = document
    else:
        path = _IN_MACHINE.get(field, _ROOMS.get(room, "") + (key or room))
        where = machine
    loc = tuple(int(step) if step.isdigit() else step for step in re.findall(r"[^.\[\]]+", path))
    return Problem(str(where.path), *where.place(loc), path, str(error))


def _inputs(spec: JobFile, machine: Machine, belt: Belt, curve: EngineCurve) -> Inputs:
    """The SI record of what the files say."""
    engine, drive, driven, limits = machine.engine, machine.drive_clutch, machine.driven_clutch, spec.limits
    return Inputs(
        engine=EngineInputs(
            speed=curve.speed,
            torque=curve.torque,
            corrected=engine.air == "corrected",
            idle_speed=engine.idle_speed,
            speed_limit=min(limits.engine_speed or np.inf, engine.speed_limit),
            target_speed=engine.target_speed,
        ),
        shift=ShiftInputs(
            min_drive_radius=drive.min_radius,
            max_drive_radius=drive.max_radius,
            min_driven_radius=driven.min_radius,
            max_driven_radius=driven.max_radius,
            centre_distance=machine.centre_distance,
            half_angle=machine.half_angle,
            positions=spec.grid.positions,
        ),
        belt=belt_inputs(belt),
        drive=DriveInputs(
            pivot_radius=drive.pivot_radius,
            roller_outboard=drive.roller_outboard,
            roller_height=drive.roller_height,
            roller_friction=drive.roller_friction,
            spring_length=drive.spring.installed_length,
        ),
        driven=DrivenInputs(
            ramp_friction=driven.ramp_friction,
            torque_share=driven.torque_share,
            spring_length=driven.spring.installed_length,
        ),
        vehicle=Vehicle(
            machine.mass, machine.drag_area, machine.wheel_radius, machine.reduction, machine.driveline_efficiency
        ),
        site=Site(altitude=spec.site.altitude, temperature=spec.site.temperature),
        grounds=tuple(
            Ground(g.name, g.share, g.rolling, g.adhesion, g.grade, *g.speed, g.throttle, g.load_changes, g.starts)
            for g in spec.grounds
        ),
        levels=spec.grid.torque_levels,
        belt_cooling=machine.belt_cooling,
        limits=LimitInputs(
            engagement=limits.engagement,
            idle_clearance=limits.idle_clearance,
            belt_margin=limits.belt_margin,
            spring_stress=limits.spring_stress,
            coil_clearance=limits.coil_clearance,
        ),
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
    for slot, part in spec.fitted_parts.items():
        if slot == BELT:
            continue  # looked at above, where it stands
        family = SLOT_FAMILIES[slot]
        offered = {EMPTY: None, **shelf.family(family)} if slot in STATIONS else shelf.family(family)
        if part not in shelf.family(family) and not (slot in STATIONS and part == EMPTY):
            note(("fitted", slot), f"no such part among the {family}", repr(part), _offer(offered))
    for slot in STATIONS:
        mass = shelf.family("masses").get(getattr(spec.fitted, slot))
        if isinstance(mass, TuningMass) and slot not in mass.stations:
            note(("fitted", slot), "this mass is not made for this station", repr(mass.id), f"a mass for the {slot}")
    currencies = {p.price.currency for f in shelf.parts.values() for p in f.values() if p.price}
    if spec.limits.budget is not None:
        currencies.add(spec.limits.budget.currency)
    if len(currencies) > 1:
        where: Loc = ("limits", "budget") if spec.limits.budget is not None else ("catalogue",)
        note(where, "prices and budget in several currencies", ", ".join(sorted(currencies)), "one currency")
    return problems


def _offer(parts: Mapping[str, object]) -> str:
    names = list(parts)
    return "one of " + ", ".join(names[:6]) + (" …" if len(names) > 6 else "") if names else "such a part file"


def _twists(shelf: Shelf, step: float) -> tuple[float | None, ...]:
    """All twist settings any helix offers, stepless ranges at the grid's step, and None for springs not wound."""
    values: set[float] = set()
    for helix in shelf.family("helices").values():
        assert isinstance(helix, Helix)
        values.update(helix.twist_steps or ())
        if helix.twist_range is not None:
            low, high = helix.twist_range
            values.update(np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step)
    return (None, *sorted({round(v, 9) for v in values}))


def _assumed(spec: JobFile, machine: Machine, belt: Belt, shelf: Shelf) -> tuple[str, ...]:
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
        factor = float(air_correction(standard_atmosphere(spec.site.altitude)[0], spec.site.temperature))
        lines.append(
            f"air of the site leaves {100 * factor:.1f} % of the corrected engine power (SAE J1349 form, dry air)"
        )
    if "seating" not in belt.model_fields_set:
        lines.append("the belt seats with full flank friction on its idle arcs (seating 1)")
    lines.append("slip limit from the full sliding-angle theory of a flexible belt, at most a tension ratio of 21")
    lines.append("belt efficiency of 87 % while the time on each ground is worked out; it does not enter the balance")
    arms = shelf.family("flyweights")
    unknown_wire = [
        p.id
        for family in ("drive_springs", "driven_springs")
        for p in shelf.family(family).values()
        if getattr(p, "wire", None) is None
    ]
    if any(isinstance(p, Flyweight) and p.thrust and p.thrust.friction_band is None for p in arms.values()):
        lines.append("thrust tables without a friction band: twice the roller friction, as for a face at 45 deg")
    if unknown_wire:
        lines.append(f"stress not checked for {len(unknown_wire)} springs without wire data")
    return tuple(dict.fromkeys(lines))
