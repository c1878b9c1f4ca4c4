"""The job: machine, catalogue, ground mix, limits and weights, read and turned into SI arrays once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TypeVar

import numpy as np
from pydantic import BaseModel

from catalog import fit
from catalog.documents import Document, Loc, path_text, read_document
from catalog.dyno import dyno_curve, dyno_text
from catalog.errors import InputError, Problem
from catalog.forces import Forces
from catalog.jobfile import JobFile
from catalog.machine import Machine
from catalog.parts import Belt, Flyweight, TuningMass
from catalog.quantities import TO_RPM, show
from catalog.reading import validate
from catalog.record import placed, si_record
from catalog.shelf import DEMO_PARTS, Shelf, digest, read_shelf
from catalog.slots import BELT, EMPTY, SLOT_FAMILIES, SLOTS, STATIONS
from catalog.twists import twist_settings
from solver.drivetrain import Drivetrain, derive
from solver.engine import EngineCurve, standard_atmosphere, torque_factor
from solver.errors import PhysicalRangeError
from solver.inputs import Inputs

__all__ = ["Job", "load_job"]

_DEMO_CATALOGUE = "demo"
_LONG_MASS = 0.010  # m; a shorter mass moves engine speed by next to nothing, whichever way it lies
_MOST_NAMES = 6  # of parts in one line
_ESTIMATES = {
    "rod": "are taken for slender rods (state gyration, pendulum or outline)",
    "line": "are taken to be long along the line from pivot to centre alone (state two gyrations, or outline)",
}
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
    left_open : tuple of str
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
    left_open: tuple[str, ...]
    hashes: dict[str, str]

    @cached_property
    def drivetrain(self) -> Drivetrain:
        """Everything derived from the record, with the fitted belt."""
        return derive(self.inputs)

    @cached_property
    def forces(self) -> Forces:
        """The parts in the machine with the fitted belt.

        Raises
        ------
        PhysicalRangeError
            For a record of several draws: kits are scored in one machine at a time.
        """
        if self.inputs.draws:
            many = self.inputs.draws[0]
            raise PhysicalRangeError(f"inputs hold {many} draws; score kits with one, such as inputs.draw(0)", "inputs")
        return Forces(self.shelf, self.machine, self.drivetrain, self.spec.belt)

    @cached_property
    def assumed(self) -> tuple[str, ...]:
        """What was taken for what the files left open, and how much engine speed hangs on arms that are estimated."""
        one = replace(self, inputs=self.inputs.draw(0)) if self.inputs.draws else self
        return self.left_open + _of_unsure_arms(one.forces, self.spec)

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What the files ask for and cannot have, with its place, and what was done instead."""
        out = []
        for number, asked in enumerate(np.atleast_2d(self.drivetrain.duty.asked).max(axis=0).tolist()):
            if asked > 1.005:
                loc = ("grounds", number, "load_changes")
                message = (
                    f"run-ups and load changes across the range ask for {100 * asked:.0f} % of the time there is; all "
                    f"of them are cut to {100 / asked:.3g} %"
                )
                hint = "ask for fewer, for fewer starts or for a narrower speed range"
                place = self.document.place(loc)
                out.append(Problem(str(self.file), *place, path_text(loc), message, hint=hint))
        return tuple(out)

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
    if spec is not None and machine is not None:
        problems += _unknown_ranges(document, spec, machine)
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
    """Put validated files together; what the physics refuses becomes a problem with a place."""
    unfit = fit.belt_fits(belt, machine, machine.half_angle)
    if unfit is not None:
        raise InputError([Problem(str(file), *document.place(("belt",)), "belt", unfit)])
    twists, left_open = twist_settings(shelf, spec, document), _assumed(spec, machine, belt, shelf)
    try:
        inputs = si_record(spec, machine, belt, curve)
        job = Job(file, spec, document, machine, shelf, inputs, twists, left_open, hashes)
        _ = job.drivetrain  # worked out here, so that what the physics refuses is told with its place
    except PhysicalRangeError as error:
        raise InputError(placed(error, spec, document, machine_document)) from None
    return job


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
        offered = {**({EMPTY: None} if SLOTS[slot].may_be_empty else {}), **shelf.family(family)}
        if part not in offered:
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


def _unknown_ranges(document: Document, spec: JobFile, machine: Machine) -> list[Problem]:
    """Grounds that are run in a gear range that the machine has not."""
    out = []
    for number, ground in enumerate(spec.grounds):
        if ground.range is not None and ground.range not in machine.ranges:
            named = [name for name in machine.ranges if name]
            expected = f"one of {', '.join(named)}" if named else "no range: the machine has one reduction"
            loc = ("grounds", number, "range")
            place = document.place(loc)
            message = "no such gear range of the machine"
            out.append(Problem(str(document.path), *place, path_text(loc), message, repr(ground.range), expected))
    return out


def _offer(parts: Mapping[str, object]) -> str:
    names = list(parts)
    return "one of " + ", ".join(names[:6]) + (" …" if len(names) > 6 else "") if names else "such a part file"


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
        pressure, held = standard_atmosphere(spec.site.altitude)[0], machine.engine.holds_power_to
        factor = float(torque_factor(pressure, spec.site.temperature, held))
        kind = (
            "a naturally aspirated engine" if held is None else f"an engine that holds its power to {show(held, 'm')}"
        )
        lines.append(
            f"air of the site leaves {100 * factor:.1f} % of the corrected power of {kind} (SAE J1349 form, dry air)"
        )
    elif machine.engine.holds_power_to is not None:
        lines.append("torque is taken as measured: the altitude to which the engine holds its power plays no part")
    if len(machine.ranges) > 1 and any(ground.range is None for ground in spec.grounds):
        lines.append(f"grounds that state no gear range are run in {machine.usual_range}")
    if (machine.belt_width is None) != (belt.top_width is None):
        lines.append("belts are taken as wide as the radii hold for: machine and belt do not both state a top width")
    if belt.kinetic_friction is None:
        lines.append("a belt that slips bodily rubs as one that grips (no kinetic friction stated)")
    if "seating" not in belt.model_fields_set:
        lines.append("the belt seats with full flank friction on its idle arcs (seating 1)")
    lines.append("slip limit from the full sliding-angle theory of a flexible belt, at most a tension ratio of 21")
    lines.append("tractive force, while the time on each ground is worked out, as with a belt that just does not slip")
    lines.append("belt life: half of the fitted kit's wear is taken as fatigue, half as slip; no source parts them")
    arms = shelf.family("flyweights")
    unknown_wire = [
        p.id
        for family in ("drive_springs", "driven_springs")
        for p in shelf.family(family).values()
        if getattr(p, "wire", None) is None
    ]
    if any(isinstance(p, Flyweight) and p.thrust and p.thrust.friction_band is None for p in arms.values()):
        lines.append("thrust tables without a friction band: twice the roller friction, as for a face at 45 deg")
    stations = {
        name
        for p in arms.values()
        if isinstance(p, Flyweight) and p.body is not None
        for name, seat in p.stations.items()
        if "lies" not in seat.model_fields_set
    }
    masses = [p for p in shelf.family("masses").values() if isinstance(p, TuningMass)]
    if any(mass.length > _LONG_MASS and stations & set(mass.stations) for mass in masses):
        lines.append(
            "tuning masses lie parallel to the arms' pins where stations do not say: their length adds nothing"
        )
    if unknown_wire:
        lines.append(f"stress not checked for {len(unknown_wire)} springs without wire data")
    return tuple(dict.fromkeys(lines))


def _of_unsure_arms(forces: Forces, spec: JobFile) -> tuple[str, ...]:
    """One line for each kind of estimate: the arms that fit, and how far engine speed hangs on it.

    At the target speed, with the fitted tuning masses: dN = N/2 dA/A on average over the shift, between what is taken
    and the arm as a point mass.
    """
    masses = {name: forces.shelf.family("masses").get(getattr(spec.fitted, name)) for name in STATIONS}
    found: dict[str, dict[str, float]] = {kind: {} for kind in _ESTIMATES}
    for part in forces.shelf.family("flyweights").values():
        if not isinstance(part, Flyweight) or part.body is None or not part.body.estimate:
            continue
        force = forces.arm(part)
        if force.fault or fit.flyweight_fits(part, forces.machine.drive_clutch):
            continue
        fitted = [(name, mass) for name, mass in masses.items() if isinstance(mass, TuningMass)]
        whole = force.bare + sum(force.added(name, mass) for name, mass in fitted)
        if (whole > 0).all():
            share = float(np.abs(force.unsure / whole).mean())
            found[part.body.estimate][part.id] = float(forces.drivetrain.target_speed) * TO_RPM * share / 2
    return tuple(_unsure_line(_ESTIMATES[kind], rpm) for kind, rpm in found.items() if rpm)


def _unsure_line(words: str, rpm: Mapping[str, float]) -> str:
    names = ", ".join(list(rpm)[:_MOST_NAMES])
    more = f" and {len(rpm) - _MOST_NAMES} more" if len(rpm) > _MOST_NAMES else ""
    low, high = (f"{bound(rpm.values()):.0f}" for bound in (min, max))
    size = high if low == high else f"{low} to {high}"
    return f"arms {names}{more} {words}: engine speed hangs on it by {size} rpm at most"
