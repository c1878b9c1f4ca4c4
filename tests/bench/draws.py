"""A drivetrain for tests and benchmarks of draws, all invented; called by hand it measures what one call saves.

python tests/bench/draws.py          # 1,000 draws in one call against 1,000 calls, per varied field
"""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np

from solver.drivetrain import derive
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

__all__ = ["VARIED", "demo_inputs", "spread", "value_of", "varied"]

_RPM = np.pi / 30

# Half width of a spread about the demo value, of every float that a study may vary.
VARIED = {
    "engine.target_speed": 20.0,
    "engine.speed_limit": 10.0,
    "engine.idle_speed": 10.0,
    "engine.holds_power_to": 150.0,
    "shift.min_drive_radius": 2e-4,
    "shift.max_drive_radius": 2e-4,
    "shift.min_driven_radius": 2e-4,
    "shift.max_driven_radius": 2e-4,
    "shift.centre_distance": 4e-4,
    "shift.half_angle": 0.008,
    "shift.belt_width": 2e-4,
    "belt.length": 1e-3,
    "belt.mass_per_length": 0.05,
    "belt.max_tension": 500.0,
    "belt.top_width": 2e-4,
    "belt.max_temperature": 5.0,
    "belt.friction": 0.08,
    "belt.kinetic_friction": 0.05,
    "belt.seating": 0.1,
    "belt.bending": 0.1,
    "belt.wedging": 0.002,
    "belt.stretch_stiffness": 2e4,
    "belt.wedge_stiffness": 5e6,
    "drive.pivot_radius": 1e-3,
    "drive.roller_outboard": 5e-4,
    "drive.roller_height": 5e-4,
    "drive.roller_friction": 0.01,
    "drive.pivot_friction": 0.02,
    "drive.pin_radius": 1e-3,
    "drive.bush_friction": 0.03,
    "drive.guide_friction": 0.04,
    "drive.guide_radius": 4e-3,
    "drive.torque_share": 0.1,
    "drive.spring_length": 1e-3,
    "driven.ramp_friction": 0.03,
    "driven.bush_friction": 0.03,
    "driven.torque_share": 0.05,
    "driven.spring_length": 1e-3,
    "vehicle.mass": 150.0,
    "vehicle.drag_area": 0.4,
    "vehicle.wheel_radius": 0.01,
    "vehicle.reduction": 0.3,
    "vehicle.driveline_efficiency": 0.05,
    "site.altitude": 800.0,
    "site.temperature": 15.0,
    "grounds[0].share": 0.1,
    "grounds[1].rolling": 0.03,
    "grounds[1].adhesion": 0.2,
    "grounds[0].grade": 0.03,
    "grounds[0].low_speed": 1.0,
    "grounds[1].high_speed": 1.0,
    "grounds[0].torque": 0.1,
    "grounds[0].load_changes": 0.04,
    "grounds[0].starts": 0.01,
    "grounds[1].target_speed": 15.0,
    "grounds[1].reduction": 0.4,
    "cooling.belt": 20.0,
    "cooling.at_speed": 50.0,
}


def demo_inputs() -> Inputs:
    """The inputs of an invented light carrier."""
    torque = [34.0, 41, 47, 52, 56, 59, 61, 62.5, 63, 62.5, 61, 58, 54, 49, 43]
    return Inputs(
        engine=EngineInputs(
            np.linspace(1500, 8000, 15) * _RPM, np.array(torque), True, 6900 * _RPM, 7700 * _RPM, 120.0, 600.0
        ),
        shift=ShiftInputs(0.036, 0.090, 0.070, 0.125, 0.268, np.radians(13.5), 16, 0.0345),
        belt=BeltInputs(1.055, 0.42, 9000.0, 0.35, 0.85, False, 0.9, 0.012, 1.6e5, 4e7, 0.3, 0.0343, 370.0),
        drive=DriveInputs(
            pivot_radius=0.047,
            roller_outboard=0.034,
            roller_height=0.002,
            roller_friction=0.02,
            pivot_friction=0.02,
            pin_radius=0.004,
            bush_friction=0.05,
            guide_friction=0.06,
            guide_radius=0.03,
            torque_share=0.5,
            spring_length=0.066,
        ),
        driven=DrivenInputs(ramp_friction=0.04, bush_friction=0.05, torque_share=0.5, spring_length=0.070),
        vehicle=Vehicle(900.0, 1.6, 0.31, 11.0, 0.9),
        site=Site(900.0, 283.0),
        grounds=(
            Ground("track", 0.6, 0.05, 0.7, 0.05, 7.0, 15.0, 0.85, 1 / 20, 1 / 60),
            Ground("bog", 0.4, 0.12, 0.5, 0.02, 5.0, 10.0, 0.95, 1 / 8, 1 / 60, 6700 * _RPM, 12.0),
        ),
        cooling=Cooling(60.0, 6000 * _RPM),
        limits=LimitInputs((200.0, 290.0), 30.0, 0.0, 0.56, 1.5e-3),
    )


def varied(inputs: Inputs, path: str, values: Any) -> Inputs:
    """The inputs with one field replaced, as "belt.friction" or "grounds[1].rolling"."""
    part, _, name = path.rpartition(".")
    if not part:
        return replace(inputs, **{name: values})
    if part.startswith("grounds["):
        number = int(part.removeprefix("grounds[").rstrip("]"))
        changed = [replace(g, **{name: values}) if n == number else g for n, g in enumerate(inputs.grounds)]
        return replace(inputs, grounds=tuple(changed))
    return replace(inputs, **{part: replace(getattr(inputs, part), **{name: values})})


def value_of(inputs: Inputs, path: str) -> float:
    """The value of one field."""
    value: Any = inputs
    for name in path.replace("]", "").replace("[", ".").split("."):
        value = value[int(name)] if name.isdigit() else getattr(value, name)
    return float(value)


def spread(inputs: Inputs, path: str, count: int) -> Inputs:
    """The inputs with one field spread evenly about its value, `count` draws."""
    return varied(inputs, path, value_of(inputs, path) + VARIED[path] * np.linspace(-1, 1, count))


def measure(path: str, count: int) -> tuple[float, float]:
    """Seconds of one call with so many draws, and of so many calls."""
    inputs = spread(demo_inputs(), path, count)
    alone = [inputs.draw(number) for number in range(count)]
    derive(inputs)  # fills caches
    times = []
    for some in ([inputs], alone):
        start = time.perf_counter()
        for one in some:
            derive(one)
        times.append(time.perf_counter() - start)
    return times[0], times[1]


if __name__ == "__main__":
    for field in ("belt.friction", "belt.length", "vehicle.mass", "site.altitude", "belt.bending"):
        together, apart = measure(field, 1_000)
        print(f"{field:<24} one call {together:6.3f} s   1,000 calls {apart:6.3f} s   {apart / together:5.1f} times")
