"""From the record of inputs to every array the balance needs: one pure function, for one drivetrain or for many draws.

Knows the kits' surroundings only: what a kit's own parts add stands in springs, flyweights and helix.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from solver.arrays import Array, Number, per_draw, plain
from solver.belt_path import ShiftPath, axial_travel, shift_path
from solver.duty import Duty, Surroundings, duty
from solver.engine import EngineCurve, air_density, standard_atmosphere, torque_factor
from solver.errors import PhysicalRangeError, blame, refuse, require
from solver.grip import Grip, grip
from solver.ground import Vehicle
from solver.inputs import BeltInputs, Inputs, ShiftInputs
from solver.losses import BeltLosses
from solver.side_load import Bushes

__all__ = ["Drivetrain", "derive"]


@dataclass(frozen=True)
class Drivetrain:
    """A drivetrain ready to be balanced: its inputs and all that follows from them.

    Draws, where an array depends on a varied input, are its first axis; everything else keeps its shape without.

    Attributes
    ----------
    inputs : Inputs
    engine : EngineCurve
        In the air of the site.
    target_speed : float or ndarray, shape (d,) [rad/s]
    path : ShiftPath
        On positions from 0 to 1 that crowd in low gear.
    grip : Grip
    losses : BeltLosses
    duty : Duty
    air_factor : float or ndarray, shape (d,) [-]
        Torque in the air of the site over torque as stated.
    air_density : float or ndarray, shape (d,) [kg/m^3]
    drive_spring_length, driven_spring_length : ndarray, shape (n,) or (d, n) [m]
        At each position: installed first, at full shift last.
    """

    inputs: Inputs
    engine: EngineCurve
    target_speed: Number
    path: ShiftPath
    grip: Grip
    losses: BeltLosses
    duty: Duty
    air_factor: Number
    air_density: Number
    drive_spring_length: Array
    driven_spring_length: Array

    @property
    def speed_limit(self) -> Number:
        """Engine speed that must not be passed [rad/s]."""
        return self.inputs.engine.speed_limit

    @property
    def vehicle(self) -> Vehicle:
        """What the driven shaft moves."""
        return self.inputs.vehicle


# Positions stand closer in low gear, where ratio and engine speed change fastest: evenly spaced, they would leave four
# times the error in flatness (`tests/worked/test_cycle.py`).
_CROWDING = 1.5


def derive(inputs: Inputs) -> Drivetrain:
    """Work out everything that a drivetrain's inputs decide, for all draws at once.

    Source: derived here from the formulas of the solver's other files.

    Parameters
    ----------
    inputs : Inputs

    Returns
    -------
    Drivetrain

    Raises
    ------
    PhysicalRangeError
        For inputs that no drivetrain can have: a belt that does not reach, a target speed outside idle and limit, a
        ground that cannot be held. `field` says which input is to blame, `also` holds further refusals.
    """
    site, engine_inputs, shift, belt, drive = inputs.site, inputs.engine, inputs.shift, inputs.belt, inputs.drive
    pressure, _, _ = standard_atmosphere(site.altitude)
    density = plain(air_density(pressure, site.temperature))
    derated = torque_factor(pressure, site.temperature, engine_inputs.holds_power_to)
    factor = plain(derated) if engine_inputs.corrected else 1.0
    with blame("engine"):
        engine = EngineCurve(engine_inputs.speed, engine_inputs.torque).scaled(factor)
    target = engine.peak_power_speed if engine_inputs.target_speed is None else engine_inputs.target_speed

    refusals: list[PhysicalRangeError] = []
    with blame("engine.speed_limit", refusals):
        _check_speeds(engine_inputs.idle_speed, target, engine_inputs.speed_limit)
    wrong = len(refusals)
    with blame("shift.centre_distance", refusals):
        path = _path(shift, belt)
    _go_on(refusals, wrong)  # what follows stands on the path
    with blame("belt", refusals):
        bushes = Bushes(drive=drive.bush_friction, driven=inputs.driven.bush_friction, guide=drive.guide_friction,
                        guide_radius=drive.guide_radius, torque_share=drive.torque_share)  # fmt: skip
        coefficients = grip(
            path, shift.half_angle, belt.friction, belt.seating, corrected=belt.corrected, bushes=bushes
        )
        losses = BeltLosses(belt.bending, belt.wedging, belt.stretch_stiffness, belt.wedge_stiffness)
    for number, ground in enumerate(inputs.grounds):
        if ground.target_speed is not None:
            with blame(f"grounds[{number}].target_speed", refusals):
                _check_speeds(engine_inputs.idle_speed, ground.target_speed, engine_inputs.speed_limit)
    _go_on(refusals, wrong)  # the time on each ground stands on it
    with blame("grounds", refusals):
        times = duty(inputs.grounds, Surroundings(inputs.vehicle, path, coefficients, losses, engine, target, density))
    refuse(refusals)
    return Drivetrain(
        inputs=inputs,
        engine=engine,
        target_speed=target,
        path=path,
        grip=coefficients,
        losses=losses,
        duty=times,
        air_factor=factor,
        air_density=density,
        drive_spring_length=per_draw(inputs.drive.spring_length, 2) - path.drive_travel,
        driven_spring_length=per_draw(inputs.driven.spring_length, 2) - path.driven_travel,
    )


def _go_on(refusals: list[PhysicalRangeError], known: int) -> None:
    """Refuse now, if there is more to refuse than was known."""
    if len(refusals) > known:
        refuse(refusals)


def _check_speeds(idle: Number, target: Number, limit: Number) -> None:
    idles, targets, limits = np.broadcast_arrays(*(np.asarray(v, float) for v in (idle, target, limit)))
    wrong = ~((idles < targets) & (targets < limits))
    if wrong.any():
        low, here, high = (float(v[wrong].flat[0]) * 30 / np.pi for v in (idles, targets, limits))
        raise PhysicalRangeError(
            f"target speed must lie between idle and the speed limit: target {here:.5g} rpm, idle {low:.5g} rpm, "
            f"limit {high:.5g} rpm; change one of them"
        )


def _path(shift: ShiftInputs, belt: BeltInputs) -> ShiftPath:
    """The shift of a belt between the stops of both sheaves."""
    narrower: Number = 0.0
    if shift.belt_width is not None and belt.top_width is not None:
        narrower = plain(np.subtract(shift.belt_width, belt.top_width))
        deeper, least = plain(narrower / axial_travel(1.0, shift.half_angle)), np.asarray(shift.min_drive_radius)
        name, limit = (
            "how much deeper a belt of this width runs",
            f"less than {np.min(least):.4g} m, the smallest radius",
        )
        change = "the belt's top_width, or the belt_width that the radii hold for"
        require(np.abs(deeper) < least, name, deeper, "m", limit, change, "belt.top_width")
    return shift_path(
        np.linspace(0, 1, shift.positions) ** _CROWDING, shift.min_drive_radius, shift.max_drive_radius, belt.length,
        shift.centre_distance, shift.half_angle, shift.min_driven_radius, shift.max_driven_radius,
        narrower=narrower,
    )  # fmt: skip
