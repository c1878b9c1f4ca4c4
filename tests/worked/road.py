"""Steps 6 and 7 of a worked kit: belt losses and the wheel, time on a ground."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, cos, sin, tan

import numpy as np
from clutches import Path, path
from given import BACKSHIFT, CELLS, GRAVITY, LEAST_ACCELERATION, UPSHIFT, Belt, Engine, Ground, Machine, air_density
from scipy.optimize import brentq

# Step 6. Belt losses and the wheel


def slip(belt: Belt, half_angle: float, tight, slack, r1, r2):
    """6.1 Speed lost: stretch, and the belt wedging deeper into one sheave than the other."""
    seat = 2.0 * tan(half_angle + belt.seating * atan(belt.friction))
    wedged = (tight / r1**2 - slack / r2**2) / (belt.wedge_stiffness * seat)
    return np.maximum(0.0, (tight - slack) / belt.stretch_stiffness + wedged)


def belt_loss(belt: Belt, half_angle: float, tight, slack, r1, r2, speed):
    """6.2 Bending, wedging and slip, W."""
    pull = tight - slack
    lost = belt.bending * (1.0 / r1 + 1.0 / r2) + belt.wedging * (tight + slack)
    return speed * (lost + slip(belt, half_angle, tight, slack, r1, r2) * pull)


def wheel_force(machine: Machine, belt: Belt, ground: Ground, w: float, r1, r2, lam, pull):
    """6.3 Force at the wheels with the belt at its least tensions T1' = D lam / (lam - 1)."""
    tight = pull * lam / (lam - 1.0)
    belt_speed = w * r1
    lost = belt_loss(belt, machine.half_angle, tight, tight - pull, r1, r2, belt_speed)
    return machine.efficiency * (pull * belt_speed - lost) / road_speed(machine, ground, w, r2 / r1)


def road_speed(machine: Machine, ground: Ground, w: float, ratio):
    """6.4 v = w r_w / (i i_g)."""
    return w * machine.wheel_radius / (ratio * ground.reduction)


def resistance(machine: Machine, ground: Ground, v):
    """6.5 Rolling, grade (a tangent) and air."""
    t = atan(ground.grade)
    rolling = machine.mass * GRAVITY * (ground.rolling * cos(t) + sin(t))
    return rolling + 0.5 * air_density(machine.altitude, machine.temperature) * machine.drag_area * v**2


def adhesion_pull(machine: Machine, belt: Belt, ground: Ground, r1, r2, lam):
    """6.6 Belt pull at which the tyres slip, F(D) = adhesion m g cos t; infinite if no pull makes them slip.

    At the least tensions T1' + T2' = D (lam + 1)/(lam - 1) and slip = e D, so F(D) = G (D - B - u D - e D^2) with
    G = eta v_b / v = eta R1 i i_g / r_w, B the bending and u the wedging loss for each newton of pull: a quadratic. Its
    lesser root is meant.
    """
    most = ground.adhesion * machine.mass * GRAVITY * cos(atan(ground.grade))
    gear = machine.efficiency * r2 * ground.reduction / machine.wheel_radius
    bend = belt.bending * (1.0 / r1 + 1.0 / r2)
    per_pull = 1.0 - belt.wedging * (lam + 1.0) / (lam - 1.0)
    e = slip(belt, machine.half_angle, lam / (lam - 1.0), 1.0 / (lam - 1.0), r1, r2)
    rest = per_pull**2 - 4.0 * e * (bend + most / gear)
    # the form 2 c / (b + sqrt(b^2 - 4 a c)) also holds for e = 0
    return np.where(rest >= 0.0, 2.0 * (bend + most / gear) / (per_pull + np.sqrt(np.maximum(rest, 0.0))), np.inf)


# ----------------------------------------------------------------------------------------------------------------------
# Step 7. Time on a ground


@dataclass(frozen=True)
class Visit:
    """Time of one ground at one position: branch, share of full torque asked, weight and what holds the pull."""

    ground: int
    branch: int
    torque: float
    position: int
    run_up: bool
    weight: float
    pull: float  # at the target speed, as carried
    limited: bool  # tyres slip before the torque asked for
    sweeps: float  # load changes that pass, a second


@dataclass(frozen=True)
class Duty:
    visits: tuple[Visit, ...]
    sweeps: np.ndarray  # (ground, position), cycles a second
    targets: tuple[float, ...]
    ranges: tuple[tuple[float, float], ...]  # road speeds run at, m/s
    cuts: tuple[float, ...]
    run_up_times: tuple[float, ...]
    cycle_times: tuple[float, ...]


def spread(at: np.ndarray, amount: np.ndarray, s: np.ndarray) -> np.ndarray:
    """7.1 Amounts at any s, shared linearly between the two positions beside them."""
    low = np.clip(np.searchsorted(s, at, side="right") - 1, 0, len(s) - 2)
    part = (at - s[low]) / (s[low + 1] - s[low])
    out = np.zeros(len(s))
    np.add.at(out, low, amount * (1.0 - part))
    np.add.at(out, low + 1, amount * part)
    return out


def duty(
    machine: Machine,
    belt: Belt,
    grounds: Sequence[Ground],
    s: np.ndarray,
    lam: np.ndarray,
    power: Engine,
    cells: int = CELLS,
) -> Duty:
    """7.2 Weights of all grounds, branches, torques and positions; they sum to 1. `lam`: the lesser slip limit."""
    visits: list[Visit] = []
    sweeps = np.zeros((len(grounds), len(s)))
    targets, ranges, cuts, run_ups, cycles = [], [], [], [], []
    coarse = path(machine, belt, s)
    for number, ground in enumerate(grounds):
        w = ground.target if ground.target is not None else power.peak_speed
        full = power.torque(w)

        def carried(p: Path, lam_here, share, ground=ground, full=full):
            """Pull asked or the one that adhesion holds, the lesser; and whether the tyres slip."""
            asked = share * full / p.r1
            held = adhesion_pull(machine, belt, ground, p.r1, p.r2, lam_here)
            return np.minimum(asked, held), held < asked

        def spare(at: np.ndarray, share: float, ground=ground, w=w, carried=carried) -> np.ndarray:
            """Wheel force less resistance, at any shift positions."""
            p, lam_here = path(machine, belt, at), np.interp(at, s, lam)
            force = wheel_force(machine, belt, ground, w, p.r1, p.r2, lam_here, carried(p, lam_here, share)[0])
            return force - resistance(machine, ground, road_speed(machine, ground, w, p.ratio))

        def speed_at(at: np.ndarray, ground=ground, w=w) -> np.ndarray:
            return road_speed(machine, ground, w, path(machine, belt, at).ratio)

        # 7.3 how far the machine gains at full torque, from the lowest gear on
        least = machine.mass * LEAST_ACCELERATION
        rough = np.linspace(0.0, 1.0, 20001)
        gains = spare(rough, 1.0) > least
        reach = 1.0 if gains.all() else float(rough[max(int(np.argmin(gains)) - 1, 0)])
        if reach == 0.0:
            raise ValueError(f"{ground.name}: the lowest gear does not gain")

        # 7.4 the range of road speeds, as far as the shift goes
        ends = speed_at(np.array([0.0, reach]))
        v_low, v_high = max(ground.speeds[0], float(ends[0])), min(ground.speeds[1], float(ends[1]))

        def position_of(v: float, reach=reach, speed_at=speed_at) -> float:
            if v <= float(speed_at(np.array([0.0]))[0]):
                return 0.0
            if v >= float(speed_at(np.array([reach]))[0]):
                return reach
            return float(brentq(lambda at: float(speed_at(np.array([at]))[0]) - v, 0.0, reach, xtol=1e-14))

        s_low, s_high = position_of(v_low), position_of(v_high)

        # 7.5 a run-up at full torque, from s = 0 to the top of the range
        edges = np.linspace(0.0, s_high, cells + 1)
        run_at = 0.5 * (edges[1:] + edges[:-1])
        run_dt = machine.mass * np.diff(speed_at(edges)) / spare(run_at, 1.0)

        # 7.6 a load change: up through the range at the torque asked, and as long again down
        edges = np.linspace(s_low, s_high, cells + 1)
        at_range = 0.5 * (edges[1:] + edges[:-1])
        dv = np.diff(speed_at(edges))
        up_dt = machine.mass * dv / np.maximum(spare(at_range, ground.torque), least)

        # 7.7 the rest of each second steady; all cut in proportion where there is no rest
        busy = ground.starts * run_dt.sum() + ground.load_changes * 2.0 * up_dt.sum()
        cut = min(1.0, 1.0 / busy)
        steady = 1.0 - busy * cut
        running = ground.load_changes * cut * up_dt + 0.5 * steady * dv / dv.sum()
        positions = spread(at_range, np.full(cells, (s_high - s_low) / cells), s)
        sweeps[number] = ground.share * ground.load_changes * cut * positions
        # 7.8 time with slipping tyres and without are told apart before they are shared between positions; a position
        # beyond the slipping takes the pull of full torque for what adhesion would hold there
        held = np.minimum(adhesion_pull(machine, belt, ground, coarse.r1, coarse.r2, lam), full / coarse.r1)
        passing = np.full(cells, ground.load_changes * cut * (s_high - s_low) / cells)
        for branch, torque, along, amount, passed, is_run_up in (
            (UPSHIFT, 1.0, run_at, ground.starts * cut * run_dt, 0.0 * passing, True),
            (UPSHIFT, ground.torque, at_range, running, passing, False),
            (BACKSHIFT, ground.torque, at_range, running, passing, False),
        ):
            slips = carried(path(machine, belt, along), np.interp(along, s, lam), torque)[1]
            for limited, pulls in ((False, torque * full / coarse.r1), (True, held)):
                weights = ground.share * spread(along, amount * (slips == limited), s)
                swept = ground.share * spread(along, passed * (slips == limited), s)
                visits.extend(
                    Visit(number, branch, torque, j, is_run_up, float(w), float(pull), limited, float(sweep))
                    for j, (w, pull, sweep) in enumerate(zip(weights, pulls, swept, strict=True))
                    if w > 0.0
                )
        targets.append(w)
        ranges.append((v_low, v_high))
        cuts.append(cut)
        run_ups.append(float(run_dt.sum()))
        cycles.append(2.0 * float(up_dt.sum()))
    return Duty(tuple(visits), sweeps, tuple(targets), tuple(ranges), tuple(cuts), tuple(run_ups), tuple(cycles))
