"""The time on the grounds driven in small steps: the reference that flatness over the duty is held against.

A vehicle is run up, let down and held at road speeds in small steps of time, its engine at target speed; at each step
both clutches of a kit are balanced at exactly that shift position. Nothing here is shared with what spreads time over
shift positions or with the product's balance: belt geometry, adhesion, road load, losses and both force balances are
written out anew. Of the product it takes what its own references hold: thrusts and loads of the kit's parts, and the
stored table of slip limits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize.elementwise import find_root

from catalog.job import Job
from search.builds import sides_of_kit
from search.request import Request
from search.score import make_stage
from search.space import Kit
from solver.arrays import Array, Number
from solver.belt_grip import slip_limit
from solver.ground import Ground
from solver.inputs import Inputs

__all__ = ["Machine", "Phase", "Run", "Simulation"]

NODES = 1001  # shift positions of tables, read linearly: what that leaves is a millionth
STEP = 0.005  # s of time at which a run is looked at
LEAST_GAIN = 0.05  # m/s^2 of surplus below which no speed is gained
SIGN = np.array([[1.0], [-1.0]])  # of friction in both clutches, upshift and backshift


@dataclass(frozen=True)
class Phase:
    """A part of the time on one ground: its share of a second of running, and the road speed at even steps of it."""

    name: str
    share: Number
    branch: int
    torque: Number  # asked for, as a share of full torque
    road_speed: Array


@dataclass(frozen=True)
class Run:
    """A run from one road speed up to another: how long it lasts [s], and the road speed at even steps of it."""

    lasts: float
    begin: float
    end: float
    speed: Array


def _root(function, low, high, *args) -> Array:
    found = find_root(function, (low, high), args=args, tolerances={"xatol": 0.0, "xrtol": 1e-11})
    if not found.success.all():
        raise ArithmeticError(f"no root in {np.count_nonzero(~found.success)} places")
    return np.asarray(found.x)


@dataclass(frozen=True)
class Machine:
    """Sheaves, belt and engine of a record of inputs; arrays go over `NODES` shift positions."""

    inputs: Inputs
    air_factor: float
    air_density: float

    @cached_property
    def radii(self) -> tuple[Array, Array]:
        """Drive and driven radius [m], even in the drive radius between the stops that the belt meets first."""
        shift, belt = self.inputs.shift, self.inputs.belt
        c, length = shift.centre_distance, belt.length
        deeper: Number = 0.0
        if shift.belt_width is not None and belt.top_width is not None:
            deeper = (shift.belt_width - belt.top_width) / 2 / np.tan(shift.half_angle)

        def excess(other: Array, radius: Array) -> Array:
            f = np.arcsin((other - radius) / c)
            return 2 * c * np.cos(f) + radius * (np.pi - 2 * f) + other * (np.pi + 2 * f) - length

        def across(radius: Array) -> Array:
            return _root(excess, np.maximum(radius - c, 0) + 1e-6, radius + c * (1 - 1e-9), radius)

        ends = across(np.array([shift.max_driven_radius, shift.min_driven_radius]) - deeper)
        begin, end = max(shift.min_drive_radius - deeper, ends[0]), min(shift.max_drive_radius - deeper, ends[1])
        r1 = np.linspace(begin, end, NODES)
        return r1, across(r1)

    @cached_property
    def wraps(self) -> tuple[Array, Array]:
        f = np.arcsin((self.radii[1] - self.radii[0]) / self.inputs.shift.centre_distance)
        return np.pi - 2 * f, np.pi + 2 * f

    @cached_property
    def seat(self) -> float:
        belt = self.inputs.belt
        return float(2 * np.tan(self.inputs.shift.half_angle + belt.seating * np.arctan(belt.friction)))

    @cached_property
    def torque(self) -> PchipInterpolator:
        engine = self.inputs.engine
        return PchipInterpolator(engine.speed, engine.torque * self.air_factor)

    def target(self, ground: Ground) -> float:
        """Engine speed held on a ground [rad/s]."""
        stated = self.inputs.engine.target_speed if ground.target_speed is None else ground.target_speed
        return self.peak_power_speed if stated is None else float(stated)

    @cached_property
    def peak_power_speed(self) -> float:
        speed = np.linspace(self.inputs.engine.speed[0], self.inputs.engine.speed[-1], 1_000_001)
        return float(speed[np.argmax(speed * self.torque(speed))])

    def road_speed(self, ground: Ground) -> Array:
        """Road speed at target speed [m/s]."""
        vehicle, (r1, r2) = self.inputs.vehicle, self.radii
        reduction = vehicle.reduction if ground.reduction is None else ground.reduction
        return self.target(ground) * vehicle.wheel_radius / (r2 / r1 * reduction)

    def traction(self, ground: Ground, pull: Array, where: NDArray[np.intp] | slice = slice(None)) -> Array:
        """Driving force of a belt pull at target speed [N], the belt as slack as its slip limits let it be."""
        belt, shift = self.inputs.belt, self.inputs.shift
        (r1, r2), v = (tuple(r[where] for r in self.radii), self.target(ground) * self.radii[0][where])
        b, mu, (wrap1, wrap2) = shift.half_angle, belt.friction, self.wraps
        limit = np.minimum(slip_limit(wrap1[where], b, mu, "drive"), slip_limit(wrap2[where], b, mu))
        tight = pull * limit / (limit - 1)
        slack = tight - pull
        slip = pull / belt.stretch_stiffness + (tight / r1**2 - slack / r2**2) / (belt.wedge_stiffness * self.seat)
        loss = belt.bending * v * (1 / r1 + 1 / r2) + belt.wedging * v * (tight + slack)
        loss = loss + np.maximum(slip, 0) * pull * v
        return self.inputs.vehicle.driveline_efficiency * (pull * v - loss) / self.road_speed(ground)[where]

    def asked_pull(self, ground: Ground, torque: Number) -> Array:
        """Belt pull of a torque at target speed [N]."""
        return torque * float(self.torque(self.target(ground))) / self.radii[0]

    def adhesion(self, ground: Ground) -> float:
        """Most driving force that the ground carries [N]."""
        return float(ground.adhesion * self.inputs.vehicle.mass * 9.80665 * np.cos(np.arctan(ground.grade)))

    def carried(self, ground: Ground, torque: Number) -> Array:
        """Driving force at target speed [N], held by adhesion where tyres slip."""
        return np.minimum(self.asked_traction(ground, torque), self.adhesion(ground))

    def asked_traction(self, ground: Ground, torque: Number) -> Array:
        """Driving force of a torque at target speed, if tyres do not slip [N]."""
        return self.traction(ground, self.asked_pull(ground, torque))

    def held_pull(self, ground: Ground, torque: Number) -> Array:
        """Belt pull that adhesion holds where tyres slip at a torque [N]; 0 where they do not."""
        asked, most = self.asked_pull(ground, torque), self.adhesion(ground)
        slips = np.flatnonzero(self.asked_traction(ground, torque) > most)
        held = np.zeros(NODES)
        if len(slips):
            # `where` travels as an argument, since the root finder drops what has converged.
            held[slips] = _root(
                lambda pull, where: self.traction(ground, pull, where) - most, 0 * asked[slips], asked[slips], slips
            )
        return held

    def runs(self, ground: Ground) -> tuple[Run, Run]:
        """One run-up, and one way up of a cycle of the load."""
        speeds, vehicle, t = self.road_speed(ground), self.inputs.vehicle, np.arctan(ground.grade)
        rolling = vehicle.mass * 9.80665 * (ground.rolling * np.cos(t) + np.sin(t))
        drag = 0.5 * self.air_density * vehicle.drag_area

        def gain(speed: float, force: Array) -> float:
            """Acceleration [m/s^2]."""
            return float((np.interp(speed, speeds, force) - rolling - drag * speed**2) / vehicle.mass)

        full, part = self.carried(ground, 1.0), self.carried(ground, ground.torque)

        def run_up(time: float, state: Array) -> list[float]:
            return [gain(state[0], full)]

        def load_up(time: float, state: Array) -> list[float]:
            return [max(gain(state[0], part), LEAST_GAIN)]

        def gains_no_more(time: float, state: Array) -> float:
            return gain(state[0], full) - LEAST_GAIN

        low, high = max(ground.low_speed, speeds[0]), min(ground.high_speed, speeds[-1])
        start = _run(run_up, speeds[0], high, gains_no_more)
        # A run-up that ends early ends where no more speed is gained: there the range ends too.
        return start, _run(load_up, low, start.end)

    def phases(self, ground: Ground) -> list[Phase]:
        """The time on a ground, for each second of running."""
        start, cycle = self.runs(ground)
        starts, load_changes = ground.starts * start.lasts, ground.load_changes * cycle.lasts
        asked = starts + 2 * load_changes
        cut = max(asked, 1.0)  # more than a second a second cannot be had: all of it in proportion
        starts, load_changes, steady = starts / cut, load_changes / cut, 1 - asked / cut
        even = np.linspace(cycle.begin, cycle.end, 4001)
        even = (even[1:] + even[:-1]) / 2
        return [
            Phase("run-up", starts, 0, 1.0, start.speed),
            Phase("load up", load_changes, 0, ground.torque, cycle.speed),
            Phase("load down", load_changes, 1, ground.torque, cycle.speed[::-1]),
            Phase("steady", steady / 2, 0, ground.torque, even),
            Phase("steady", steady / 2, 1, ground.torque, even),
        ]


def _run(law, begin: float, end: float, *stops) -> Run:
    """Road speed over time, at the middle of steps of `STEP`, until an end is reached."""

    def there(time: float, state: Array) -> float:
        return state[0] - end

    events = [there, *stops]
    for event in events:
        event.terminal = True
    path = solve_ivp(law, (0, 3600), [begin], "RK45", max_step=0.2, rtol=1e-8, atol=1e-8, events=events,
                     dense_output=True)  # fmt: skip
    if path.status != 1:
        raise ArithmeticError("a run does not end within the hour")
    lasts = float(path.t[-1])
    count = int(np.ceil(lasts / STEP))
    return Run(lasts, begin, float(path.y[0, -1]), path.sol((np.arange(count) + 0.5) * lasts / count)[0])


@dataclass(frozen=True)
class _Clutches:
    """What a kit's parts give: A and K, P and Q, shape (2, NODES); K over the branches alike."""

    thrust_per_speed2: Array
    spring: Array
    fixed: Array
    per_pull: Array


def _speeds(machine: Machine, kit: _Clutches, slippery: Ground | None, torque: Number) -> Array:
    """Engine speed at which both clutches balance, shape (2, NODES) [rad/s].

    The driven balance over the belt pull holds P / D and the tension ratio alone, so a ratio gives the pull, the pull
    the engine speed of the drive balance, and that speed the pull there should be: one unknown.
    On slippery ground the belt pull that adhesion holds; where tyres do not slip there, that of target speed.
    """
    share, held = np.full(NODES, torque), np.zeros(NODES)
    if slippery is not None:
        held = machine.held_pull(slippery, torque)
        share, held = np.zeros(NODES), np.where(held > 0, held, machine.asked_pull(slippery, torque))
    inputs, (r1, _), (wrap1, wrap2) = machine.inputs, machine.radii, machine.wraps
    if inputs.belt.corrected:
        raise ArithmeticError("the closed forms alone are written out here")
    b, mu = inputs.shift.half_angle, inputs.belt.friction
    a, c = np.sin(b) / mu, np.cos(b) / (2 * mu)
    seat, drive, driven, curve = machine.seat, inputs.drive, inputs.driven, inputs.engine.speed

    def side_load(ratio: Array, wrap: Array) -> Array:
        """Over the pull, as all that follows."""
        return np.sqrt(ratio**2 + 1 - 2 * ratio * np.cos(wrap)) / (ratio - 1)

    def beyond_ramp(log_ratio: Array, Q: Array, wrap: Array, sign: Array) -> Array:
        ratio = np.exp(log_ratio)
        needed = (wrap - a * log_ratio) / (ratio - 1) / seat + c
        return needed - sign * driven.bush_friction / 2 * side_load(ratio, wrap) - Q

    def speed_and_pull(log_ratio: Array, rows: tuple[Array, ...]) -> tuple[Array, Array]:
        A, K, P, Q, _, _, radius, wrap_1, wrap_2, sign = rows
        ratio = np.exp(log_ratio)
        pull = P / beyond_ramp(log_ratio, Q, wrap_2, sign)
        guides = drive.guide_friction * drive.torque_share * radius / drive.guide_radius
        friction = drive.bush_friction / 2 * side_load(ratio, wrap_1) + guides
        thrust = pull * (ratio / (ratio - 1) * wrap_1 / seat + sign * friction)
        return np.sqrt(np.maximum(thrust + K, 0) / A), pull

    def too_much(log_ratio: Array, *rows: Array) -> Array:
        speed, pull = speed_and_pull(log_ratio, rows)
        _, _, _, _, share, steady, radius, *_ = rows
        return pull - steady - share * machine.torque(np.clip(speed, curve[0], curve[-1])) / radius

    rows = (kit.thrust_per_speed2, kit.spring, kit.fixed, kit.per_pull, share, held, r1, wrap1, wrap2, SIGN)
    args = tuple(np.array(np.broadcast_to(row, (2, NODES))) for row in rows)
    Q, wrap, sign = args[3], args[8], args[9]
    # No ratio is larger than that whose active arc fills the wrap, nor than that at which the ramp alone holds the
    # pull.
    low, most = np.full((2, NODES), 1e-6), wrap / a
    by_ramp = beyond_ramp(most, Q, wrap, sign) < 0
    if by_ramp.any():
        most[by_ramp] = (1 - 1e-7) * _root(beyond_ramp, low[by_ramp], most[by_ramp], Q[by_ramp], wrap[by_ramp],
                                           sign[by_ramp])  # fmt: skip
    return speed_and_pull(_root(too_much, low, most, *args), args)[0]


class Simulation:
    """A job whose kits are driven over its grounds."""

    def __init__(self, job: Job) -> None:
        train, shift = job.drivetrain, replace(job.inputs.shift, positions=NODES)
        fine = replace(job, inputs=replace(job.inputs, shift=shift))
        self.grounds = job.inputs.grounds
        self.machine = Machine(job.inputs, float(train.air_factor), float(train.air_density))
        self.stage = make_stage(fine, Request.of(fine), job.spec.belt)
        self.phases = [self.machine.phases(ground) for ground in self.grounds]

    def flatness(self, kit: Kit) -> float:
        """Root of the mean square of engine speed less target speed, over it, in percent of the target."""
        drive, driven = sides_of_kit(self.stage, kit)
        radius, radii = self.stage.drivetrain.path.drive_radius, self.machine.radii[0]

        def here(rows: Array) -> Array:
            return np.array([np.interp(radii, radius, row) for row in rows])

        clutches = _Clutches(here(drive.thrust_per_speed2), here(np.tile(drive.spring, (2, 1))), here(driven.fixed),
                             here(driven.per_pull))  # fmt: skip
        balance = lru_cache(partial(_speeds, self.machine, clutches))
        square: Number = 0.0
        for ground, phases in zip(self.grounds, self.phases, strict=True):
            for phase in phases:
                error = self._engine_speed(balance, ground, phase) / self.machine.target(ground) - 1
                square += ground.share * phase.share * float(np.mean(error**2))
        return 100 * float(np.sqrt(square / sum(ground.share for ground in self.grounds)))

    def _engine_speed(self, balance, ground: Ground, phase: Phase) -> Array:
        """Engine speed at each step of a phase [rad/s]."""
        machine, torque, speeds = self.machine, phase.torque, self.machine.road_speed(ground)
        engine_speed = np.interp(phase.road_speed, speeds, balance(None, torque)[phase.branch])
        slips = np.interp(phase.road_speed, speeds, machine.asked_traction(ground, torque)) > machine.adhesion(ground)
        if slips.any():
            held = np.interp(phase.road_speed, speeds, balance(ground, torque)[phase.branch])
            engine_speed = np.where(slips, held, engine_speed)
        return engine_speed
