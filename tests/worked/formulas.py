"""The model as a textbook would work it: plain formulas in numbered steps, from plain numbers of one kit.

Steps 1 to 7 stand in `given`, `clutches` and `road`. Nothing of the product is imported there or here.

What is read from outside: slip limits `lam1`, `lam2` (largest T1'/T2' of drive and driven sheave at each position).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import cos, sqrt

import numpy as np
from clutches import (
    Path,
    Place,
    Thrust,
    drive_needed,
    driven_fixed,
    driven_per_pull,
    least_tensions_of_kit,
    path,
    ramp_gain,
    side_load,
    slip_reserves,
    slip_thrust,
    spring_load,
    spring_torque,
    tensions,
    thrust_per_speed2,
)
from given import BACKSHIFT, CELLS, RPM, UPSHIFT, Belt, Engine, Ground, Kit, Machine, engine
from road import Duty, belt_loss, duty, resistance, slip
from scipy.optimize import brentq

# Step 8. Balance of both clutches


def engine_speed(
    place: Place, thrust: Thrust, spring: float, power: Engine, torque: float, held: float | None, limit: float
) -> float:
    """8.1 w at which A w^2 - K is the thrust that the belt needs: pull torque T(w)/R1, or the one held by adhesion."""

    def over(w: float) -> float:
        pull = held if held is not None else torque * power.torque(w) / place.r1
        _, slack = tensions(place, pull)
        return thrust.on(place.branch) * w**2 - spring - drive_needed(place, slack, pull)

    return float(brentq(over, 160.0, limit, xtol=1e-10, rtol=1e-14))


# ----------------------------------------------------------------------------------------------------------------------
# Step 9. A kit worked out


@dataclass(frozen=True)
class Worked:
    """Every intermediate array and every term of one kit; flat lists run over `duty.visits`."""

    engine: Engine
    path: Path
    places: tuple[tuple[Place, ...], tuple[Place, ...]]  # branch, position
    thrusts: tuple[Thrust, ...]
    drive_loads: np.ndarray
    driven_loads: np.ndarray
    curve: np.ndarray  # (branch, position), rad/s, full torque with no ground to slip on
    duty: Duty
    speeds: np.ndarray  # a visit, rad/s
    reserves: np.ndarray  # a visit: (drive sheave, driven sheave, tension), at the target speed
    losses: np.ndarray  # a visit, W, at the target speed
    wear: tuple[float, float]  # a, s of the belt's life
    terms: dict[str, float]
    binding: str
    spring_loss_parts: dict[str, float]  # W
    temperatures: np.ndarray  # a ground, degC
    grounds: tuple[dict[str, float], ...]


def work_out(
    machine: Machine,
    belt: Belt,
    grounds: Sequence[Ground],
    kit: Kit,
    lam1: np.ndarray,
    lam2: np.ndarray,
    cells: int = CELLS,
    limit: float = 800.0,
    target: float | None = None,
) -> Worked:
    """9. All terms of a kit but those that need the fitted one (belt life, cost, changes).

    A `target` from outside takes the place of the speed of peak power.
    """
    power = engine(*machine.engine)
    if target is not None:
        power = replace(power, peak_speed=target)
    s = np.linspace(0.0, 1.0, len(lam1)) ** 1.5  # positions stand closer in low gear
    p = path(machine, belt, s)
    n = len(s)
    thrusts = tuple(thrust_per_speed2(kit.arms, float(x)) for x in p.x1)
    drive_loads = np.array([spring_load(kit.drive_spring, machine.drive_spring_length, x) for x in p.x1])
    driven_loads = np.array([spring_load(kit.driven_spring, machine.driven_spring_length, x) for x in p.x2])

    def place(branch: int, j: int) -> Place:
        return Place(
            machine,
            belt,
            branch,
            float(p.r1[j]),
            float(p.r2[j]),
            float(p.th1[j]),
            float(p.th2[j]),
            float(lam1[j]),
            float(lam2[j]),
            driven_fixed(machine, kit, float(p.x2[j]), branch),
            driven_per_pull(machine, kit, float(p.r2[j]), float(p.x2[j]), branch),
        )

    ups, backs = (tuple(place(branch, j) for j in range(n)) for branch in (UPSHIFT, BACKSHIFT))
    places = (ups, backs)
    curve = np.array(
        [
            [engine_speed(row[j], thrusts[j], drive_loads[j], power, 1.0, None, limit) for j in range(n)]
            for row in places
        ]
    )
    time = duty(machine, belt, grounds, s, np.minimum(lam1, lam2), power, cells)

    # 9.1 one line a visit: at the target speed, and at the kit's own speed
    lines = []
    for visit in time.visits:
        here, target = places[visit.branch][visit.position], time.targets[visit.ground]
        r1, r2, b = here.r1, here.r2, machine.half_angle
        tight, slack = tensions(here, visit.pull)
        v = target * r1
        loss = belt_loss(belt, b, tight, slack, r1, r2, v)
        light, lighter = least_tensions_of_kit(here, visit.pull, machine.wanted_margin)
        least = belt_loss(belt, b, light, lighter, r1, r2, v)
        drive, driven = slip_reserves(here, visit.pull)
        full = tight + belt.mass_per_length * v**2
        held = visit.pull if visit.limited else None
        w = engine_speed(here, thrusts[visit.position], drive_loads[visit.position], power, visit.torque, held, limit)
        pull = visit.pull if visit.limited else visit.torque * power.torque(w) / r1
        own_tight, own_slack = tensions(here, pull)
        own = pull * r1 * w - belt_loss(belt, b, own_tight, own_slack, r1, r2, w * r1)
        lines.append(
            {
                "weight": visit.weight,
                "w": w,
                "error": w / target - 1.0,
                "loss": loss,
                "least": least,
                "drive": drive,
                "driven": driven,
                "tension": belt.max_tension / full - 1.0,
                "bush1": side_load(tight, slack, here.th1) - side_load(light, lighter, here.th1),
                "bush2": side_load(tight, slack, here.th2) - side_load(light, lighter, here.th2),
                "given": max(own, 0.0),
                "asked": visit.pull * v,
                "fatigue": v * (full / belt.max_tension) ** 11,
                "rubbed": slip(belt, b, tight, slack, r1, r2)
                * visit.pull
                * v
                * (1.0 + 1.0 / max(min(drive, driven), 0.02)),
            }
        )
    column = {key: np.array([line[key] for line in lines]) for key in lines[0]}
    weight, ground_of = column["weight"], np.array([visit.ground for visit in time.visits])

    # 9.2 flatness, and the ground table
    terms = {"flatness": 100.0 * sqrt(float(np.sum(weight * column["error"] ** 2)))}
    table = []
    for number in range(len(grounds)):
        here = ground_of == number
        share = float(weight[here].sum())
        limited = np.array([visit.limited for visit in time.visits])[here]
        table.append(
            {
                "share": 100.0 * share,
                "mean": float(np.sum((weight * column["w"])[here])) / share / RPM,
                "lowest": float(column["w"][here].min()) / RPM,
                "highest": float(column["w"][here].max()) / RPM,
                "flatness": 100.0 * sqrt(float(np.sum((weight * column["error"] ** 2)[here])) / share),
                "limited": 100.0 * float(weight[here][limited].sum()) / share,
            }
        )

    # 9.3 margin, and what binds it
    reserves = np.stack([column["drive"], column["driven"], column["tension"]], axis=1)
    at, which = np.unravel_index(int(np.argmin(reserves)), reserves.shape)
    terms["belt_margin"] = 100.0 * float(reserves[at, which])
    visit = time.visits[at]
    binding = (
        f"{('drive sheave', 'driven sheave', 'tension')[which]} on {grounds[visit.ground].name},"
        f" position {visit.position}, {('upshift', 'backshift')[visit.branch]}, {visit.torque:.0%} torque"
    )

    # 9.4 spring loss
    sweeps = time.sweeps
    parts = {"belt": float(np.sum(weight * np.maximum(column["loss"] - column["least"], 0.0)))}
    rubbing = 0.0
    for visit, line in zip(time.visits, lines, strict=True):
        cycles = visit.sweeps  # run-ups are none
        rubbing += cycles * max(0.5 * machine.drive_bush * line["bush1"], 0.0) * float(p.dx1[visit.position])
        rubbing += cycles * max(0.5 * machine.driven_bush * line["bush2"], 0.0) * float(p.dx2[visit.position])
    parts["bushes"] = rubbing
    every = sweeps.sum(axis=0)
    parts["ramp"] = sum(
        float(every[j])
        * (ramp_gain(machine, kit.ramp, x, UPSHIFT) - ramp_gain(machine, kit.ramp, x, BACKSHIFT))
        * spring_torque(kit, x)
        * float(p.dx2[j])
        for j, x in enumerate(map(float, p.x2))
    )
    parts["drive spring"] = sum(
        float(every[j] * drive_loads[j])
        * (thrusts[j].free / thrusts[j].up - thrusts[j].free / thrusts[j].back)
        * float(p.dx1[j])
        for j in range(n)
    )
    terms["spring_loss"] = 100.0 * sum(parts.values()) / power.peak_power

    # 9.5 belt temperature of every ground, the hottest first in the term
    warm = []
    for number, target in enumerate(time.targets):
        here = ground_of == number
        mean = float(np.sum((weight * column["loss"])[here]) / weight[here].sum())
        conductance = machine.cooling
        if machine.cooling_speed is not None:
            conductance *= (target / machine.cooling_speed) ** 0.8
        warm.append(machine.temperature + mean / conductance)
    temperatures = np.array(warm)
    terms["belt_temperature"] = float(temperatures.max())

    # 9.6 belt life: fatigue and wear, both only to be set against the fitted kit's
    hot = 2.0 ** ((temperatures[ground_of] - 60.0) / 10.0)
    wear = float(np.sum(weight * column["fatigue"] * hot)), float(np.sum(weight * column["rubbed"]))

    # 9.7 power to the ground, engagement, worst speeds
    terms["ground_power"] = (
        100.0 * machine.efficiency * float(np.sum(weight * column["given"])) / float(np.sum(weight * column["asked"]))
    )
    off = np.array([w - time.targets[visit.ground] for visit, w in zip(time.visits, column["w"], strict=True)]) / RPM
    terms["worst_high"], terms["worst_low"] = float(off.max()), float(off.min())
    terms["engagement"] = sqrt(drive_loads[0] / thrusts[0].up) / RPM

    return Worked(
        engine=power,
        path=p,
        places=places,
        thrusts=thrusts,
        drive_loads=drive_loads,
        driven_loads=driven_loads,
        curve=curve,
        duty=time,
        speeds=column["w"],
        reserves=reserves,
        losses=column["loss"],
        wear=wear,
        terms=terms,
        binding=binding,
        spring_loss_parts=parts,
        temperatures=temperatures,
        grounds=tuple(table),
    )


# ----------------------------------------------------------------------------------------------------------------------
# Step 10. Against the fitted kit


def belt_life(kit: Worked, fitted: Worked) -> float:
    """10.1 1 / (a / (2 a_f) + s / (2 s_f))."""
    return 1.0 / (kit.wear[0] / (2.0 * fitted.wear[0]) + kit.wear[1] / (2.0 * fitted.wear[1]))


def cost_and_changes(kit: Kit, fitted: Kit) -> tuple[float, int]:
    """10.2 Prices of the parts that are not fitted, and slots that differ; twist is a slot without a price."""
    new = [slot for slot, part in kit.parts.items() if part != fitted.parts[slot]]
    return sum(kit.parts[slot][1] for slot in new), len(new)


def score(terms: dict[str, float], wanted: float, weights: tuple[float, float, float]) -> float:
    """10.3 Points for each 1 % flatness, 1 % loss, 10 % missing margin."""
    missing = max(100.0 * wanted - terms["belt_margin"], 0.0) / 10.0
    return weights[0] * terms["flatness"] + weights[1] * terms["spring_loss"] + weights[2] * missing


# ----------------------------------------------------------------------------------------------------------------------
# Step 11. Pulling away


@dataclass(frozen=True)
class PullingAway:
    take_up: float  # rad/s, at which the slipping belt carries the torque asked
    lock_up: float  # m/s, where the road has caught up
    heat: float  # J, rubbed off until then
    seconds: float


def capacity(place: Place, behind: Place, thrust: Thrust, spring: float, w: float) -> float:
    """11.1 Torque of the slipping belt on the drive sheave, as a cone clutch: 2 mu F / cos b at R1, mu of sliding.

    No more than the driven sheave carries by its own thrust, P / (c_slip - Q), on the backshift, where it has less.
    """
    closed = max(thrust.up * w**2 - spring, 0.0)
    held = replace(place, branch=BACKSHIFT, fixed=behind.fixed, per_pull=behind.per_pull)
    lacking = slip_thrust(held) - held.per_pull
    on_driven = held.fixed / lacking if lacking > 0.0 else float("inf")
    return min(2.0 * place.belt.kinetic_friction * closed / cos(place.machine.half_angle), on_driven) * place.r1


def pulling_away(work: Worked, ground: Ground, torque: float, limit: float = 800.0) -> PullingAway:
    """11.2 Take-up where capacity meets the torque; 11.3 lock-up at that engine speed in the lowest gear; 11.4 heat.

    The engine stays at take-up speed and gives M = torque T(w); the wheels get eta M i i_g / r_w, less what the ground
    resists with. Heat is the integral of M (w - v i i_g / r_w) dt until the road has caught up.
    """
    place, behind = work.places[UPSHIFT][0], work.places[BACKSHIFT][0]
    thrust, spring, power = work.thrusts[0], float(work.drive_loads[0]), work.engine
    machine = place.machine
    w = brentq(
        lambda w: capacity(place, behind, thrust, spring, w) - torque * power.torque(w),
        150.0,
        limit,
        xtol=1e-11,
        rtol=1e-14,
    )
    gear = place.r2 / place.r1 * ground.reduction / machine.wheel_radius  # engine rad/s for each m/s of road
    lock_up = w / gear
    moment = torque * power.torque(w)
    push = machine.efficiency * moment * gear

    edges = np.linspace(0.0, lock_up, CELLS + 1)
    heat = seconds = 0.0
    for low, high in pairwise(edges):
        v = 0.5 * (low + high)
        spare = push - resistance(machine, ground, float(v))
        if spare <= 0.0:
            return PullingAway(float(w), float(lock_up), float("inf"), float("inf"))
        dt = machine.mass * (high - low) / spare
        seconds += dt
        heat += moment * (w - v * gear) * dt
    return PullingAway(float(w), float(lock_up), float(heat), float(seconds))
