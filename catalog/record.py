"""From validated files to the SI record of the solver, and from a field that it refuses back to its place."""

from __future__ import annotations

import re

import numpy as np

from catalog import machine as machine_file
from catalog.documents import Document
from catalog.errors import Problem
from catalog.jobfile import JobFile
from catalog.machine import Machine
from catalog.parts import Belt
from solver.engine import EngineCurve
from solver.errors import PhysicalRangeError
from solver.ground import Ground, Vehicle
from solver.inputs import (
    BeltInputs,
    Cooling,
    DriveInputs,
    DrivenInputs,
    EngineInputs,
    Inputs,
    LimitInputs,
    ShiftInputs,
    Site,
)

__all__ = ["belt_inputs", "placed", "si_record"]

# Where a field of the SI record stands in the files: the keys of the machine file, unless the job file has it.
_IN_MACHINE = {
    "engine.speed": "engine.curve",
    "engine.torque": "engine.curve",
    "shift.min_drive_radius": "drive_clutch.min_radius",
    "shift.max_drive_radius": "drive_clutch.max_radius",
    "shift.min_driven_radius": "driven_clutch.min_radius",
    "shift.max_driven_radius": "driven_clutch.max_radius",
    "shift.belt_width": "belt_width",
    "drive.pin_radius": "drive_clutch.pin_diameter",
    "cooling.belt": "belt_cooling",
    "cooling.at_speed": "belt_cooling",
    "drive.spring_length": "drive_clutch.spring.installed_length",
    "driven.spring_length": "driven_clutch.spring.installed_length",
}
_ROOMS = {"shift": "", "vehicle": "", "drive": "drive_clutch.", "driven": "driven_clutch.", "engine": "engine."}
_IN_JOB = {"shift.positions": "grid.positions"}
_OF_GROUND = {"low_speed": "speed", "high_speed": "speed", "target_speed": "target", "reduction": "range"}


def placed(error: PhysicalRangeError, spec: JobFile, document: Document, machine: Document) -> list[Problem]:
    """What the physics refuses, each at the key of the file that says it.

    Parameters
    ----------
    error : PhysicalRangeError
        Of the record that `si_record` made.
    spec : JobFile
    document, machine : Document
        Job file and machine file.

    Returns
    -------
    list of Problem
    """
    return [_problem(one, spec, document, machine) for one in (error, *error.also)]


def _problem(error: PhysicalRangeError, spec: JobFile, document: Document, machine: Document) -> Problem:
    room, _, key = error.field.partition(".")
    field = re.match(r"[^\[]*", error.field)[0]  # type: ignore[index]  # matches any text
    by_job = field == "engine.speed_limit" and spec.limits.engine_speed is not None
    if by_job or room in ("belt", "site", "limits") or field in ("grounds", *_IN_JOB):
        path = "limits.engine_speed" if by_job else "belt" if room == "belt" else _IN_JOB.get(field, error.field)
        if field == "grounds":
            entry, _, key = path.partition(".")
            path = f"{entry}.{_OF_GROUND.get(key, key)}" if key else entry
        where = document
    else:
        path = _IN_MACHINE.get(field, _ROOMS.get(room, "") + (key or room))
        where = machine
    loc = tuple(int(step) if step.isdigit() else step for step in re.findall(r"[^.\[\]]+", path))
    return Problem(str(where.path), *where.place(loc), path, str(error))


def si_record(spec: JobFile, machine: Machine, belt: Belt, curve: EngineCurve) -> Inputs:
    """The SI record of what the files say.

    Raises
    ------
    PhysicalRangeError
        For numbers that no machine could have.
    """
    engine, drive, driven, limits = machine.engine, machine.drive_clutch, machine.driven_clutch, spec.limits
    cooling = machine.belt_cooling
    return Inputs(
        engine=EngineInputs(
            speed=curve.speed,
            torque=curve.torque,
            corrected=engine.air == "corrected",
            idle_speed=engine.idle_speed,
            speed_limit=min(limits.engine_speed or np.inf, engine.speed_limit),
            target_speed=engine.target_speed,
            holds_power_to=engine.holds_power_to,
        ),
        shift=ShiftInputs(
            min_drive_radius=drive.min_radius,
            max_drive_radius=drive.max_radius,
            min_driven_radius=driven.min_radius,
            max_driven_radius=driven.max_radius,
            centre_distance=machine.centre_distance,
            half_angle=machine.half_angle,
            positions=spec.grid.positions,
            belt_width=machine.belt_width,
        ),
        belt=belt_inputs(belt),
        drive=DriveInputs(
            pivot_radius=drive.pivot_radius,
            roller_outboard=drive.roller_outboard,
            roller_height=drive.roller_height,
            roller_friction=drive.roller_friction,
            pivot_friction=drive.pivot_friction,
            pin_radius=drive.pin_diameter / 2,
            bush_friction=drive.bush_friction,
            guide_friction=drive.guide_friction,
            guide_radius=drive.pivot_radius if drive.guide_radius is None else drive.guide_radius,
            torque_share=drive.torque_share,
            spring_length=drive.spring.installed_length,
        ),
        driven=DrivenInputs(
            ramp_friction=driven.ramp_friction,
            bush_friction=driven.bush_friction,
            torque_share=driven.torque_share,
            spring_length=driven.spring.installed_length,
        ),
        vehicle=Vehicle(
            machine.mass,
            machine.drag_area,
            machine.wheel_radius,
            machine.ranges[machine.usual_range],
            machine.driveline_efficiency,
        ),
        site=Site(altitude=spec.site.altitude, temperature=spec.site.temperature),
        grounds=tuple(
            Ground(
                g.name,
                g.share,
                g.rolling,
                g.adhesion,
                g.grade,
                *g.speed,
                g.torque,
                g.load_changes,
                g.starts,
                target_speed=g.target,
                reduction=None if g.range is None else machine.ranges.get(g.range),
            )  # a range that the machine has not is told by `catalog.job`
            for g in spec.grounds
        ),
        cooling=(
            Cooling(cooling.conductance, cooling.at) if isinstance(cooling, machine_file.Cooling) else Cooling(cooling)
        ),
        limits=LimitInputs(
            engagement=limits.engagement,
            idle_clearance=limits.idle_clearance,
            belt_margin=limits.belt_margin,
            spring_stress=limits.spring_stress,
            coil_clearance=limits.coil_clearance,
            belt_temperature=limits.belt_temperature,
        ),
    )


def belt_inputs(part: Belt) -> BeltInputs:
    """The SI record of a belt."""
    return BeltInputs(
        length=part.pitch_length,
        mass_per_length=part.mass_per_length,
        max_tension=part.max_tension,
        friction=part.friction,
        kinetic_friction=part.kinetic_friction,
        top_width=part.top_width,
        max_temperature=part.max_temperature,
        seating=part.seating,
        corrected=part.thrust_theory == "corrected",
        **part.losses.model_dump(),
    )
