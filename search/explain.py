"""Why a kit scores as it does: its shift curve, each ground's flatness, and what neighbouring parts would change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.jobfile import SLOT_FAMILIES
from catalog.parts import Flyweight, Helix, TuningMass
from catalog.quantities import TO_KMH, TO_RPM
from catalog.springs import Spring
from catalog.stock import EMPTY
from search.builds import arm_thrust, unlimited_sides
from search.score import Request, Score, score_kit, shift_map
from search.space import SLOTS, Kit, fitted_kit, options_of
from solver import balance
from solver.balance import BACKSHIFT, UPSHIFT, Balance, DrivenSide, DriveSide, Status
from solver.belt_grip import centrifugal_tension
from solver.errors import PhysicalRangeError
from solver.launch import stall_speed, torque_capacity
from solver.losses import belt_loss

__all__ = ["CurvePoint", "Explanation", "GroundFacts", "LaunchPoint", "Neighbour", "explain"]

Array = NDArray[np.float64]

_LARGE = 999.0  # % shown for "far more than enough"


@dataclass(frozen=True)
class CurvePoint:
    """The full-throttle shift curve at one position; speeds in rpm and km/h, forces in N, reserves in %."""

    position: float
    ratio: float
    upshift_rpm: float
    backshift_rpm: float
    upshift_kmh: float
    backshift_kmh: float
    drive_thrust: float
    driven_thrust: float
    drive_spring: float
    driven_spring: float
    tight_tension: float
    slack_tension: float
    slip_reserve: float
    tension_reserve: float
    belt_loss: float
    status: str


@dataclass(frozen=True)
class LaunchPoint:
    """Pulling away in the lowest gear at one engine speed; rpm, N, N m."""

    rpm: float
    drive_thrust: float
    capacity: float
    engine_torque: float


@dataclass(frozen=True)
class GroundFacts:
    """What one ground sees; band in %, speeds in rpm and km/h, shares in %."""

    ground: str
    share: float
    low_kmh: float
    high_kmh: float
    flatness: float
    mean_rpm: float
    lowest_rpm: float
    highest_rpm: float
    upshift_rpm: tuple[float, ...]
    backshift_rpm: tuple[float, ...]
    traction_limited: float
    share_of_flatness: float


@dataclass(frozen=True)
class Neighbour:
    """One part changed for the next of its kind; differences to the kit explained."""

    slot: str
    now: str
    instead: str
    mean_rpm: float
    flatness: float
    spring_loss: float
    belt_margin: float
    score: float
    broken: str


@dataclass(frozen=True)
class Explanation:
    """Everything `explain` shows."""

    kit: Kit
    score: Score
    fitted: Score
    target_rpm: float
    limit_rpm: float
    idle_rpm: float
    engagement_rpm: float
    stall_rpm: float
    lock_up_kmh: float
    launch: tuple[LaunchPoint, ...]
    shift_start_kmh: float
    shift_out_kmh: float
    curve: tuple[CurvePoint, ...]
    grounds: tuple[GroundFacts, ...]
    neighbours: tuple[Neighbour, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON; an infinite score (not buildable) becomes null."""
        facts = asdict(replace(self, score=None, fitted=None, kit=None))  # type: ignore[arg-type]
        for name, score in (("score", self.score), ("fitted", self.fitted)):
            facts[name] = {
                "buildable": score.buildable,
                "failures": dict(score.failures),
                "score": score.score if score.buildable else None,
                "terms": dict(score.terms),
                "shares": dict(score.shares),
            }
        for neighbour in facts["neighbours"]:
            neighbour.update({k: None for k, v in neighbour.items() if isinstance(v, float) and not np.isfinite(v)})
        facts["kit"] = self.kit.words()
        return facts


def explain(job: Job, kit: Kit, request: Request | None = None) -> Explanation:
    """Work out why a kit scores as it does.

    Parameters
    ----------
    job : Job
    kit : Kit
        Buildable or not; a kit whose thrusts cannot be worked out at all has an empty curve.
    request : Request, optional

    Returns
    -------
    Explanation
    """
    request = request or Request.of(job)
    score = score_kit(job, kit, request)
    sides = unlimited_sides(job, kit)
    curve: tuple[CurvePoint, ...] = ()
    grounds: tuple[GroundFacts, ...] = ()
    engagement, stall = 0.0, 0.0
    launch: tuple[LaunchPoint, ...] = ()
    if sides is not None:
        drive, driven = sides
        state = shift_map(job, drive, driven)
        curve = _curve(job, drive, driven, state)
        grounds = _grounds(job, state)
        engagement = float(balance.engagement_speed(drive)) * TO_RPM
        stall = stall_speed(drive, driven, job.grip, float(job.shift.drive_radius[0]), job.engine)
        launch = _launch(job, drive, driven, stall)
    return Explanation(
        kit=kit,
        score=score,
        fitted=score_kit(job, fitted_kit(job), replace(request, max_changes=None, budget=None)),
        target_rpm=job.target_speed * TO_RPM,
        limit_rpm=job.speed_limit * TO_RPM,
        idle_rpm=job.machine.engine.idle_speed * TO_RPM,
        engagement_rpm=engagement,
        stall_rpm=min(stall, job.speed_limit) * TO_RPM,
        lock_up_kmh=float(job.vehicle.road_speed(min(stall, job.speed_limit), job.shift.ratio[0])) * TO_KMH,
        launch=launch,
        shift_start_kmh=curve[0].upshift_kmh if curve else 0.0,
        shift_out_kmh=curve[-1].upshift_kmh if curve else 0.0,
        curve=curve,
        grounds=grounds,
        neighbours=_neighbours(job, kit, request, score) if curve else (),
    )


def _curve(job: Job, drive: DriveSide, driven: DrivenSide, state: Balance) -> tuple[CurvePoint, ...]:
    shift, full = job.shift, -1  # the last torque level is full throttle
    belt_speed = state.speed * shift.drive_radius
    tight, slack = state.carried
    turning = centrifugal_tension(job.belt.mass_per_length, belt_speed)
    loss = belt_loss(tight, slack, belt_speed, shift, job.grip.seat, job.losses)
    reserve = 100 * balance.slip_reserve(driven, state.pull, tight, job.grip)
    tension = 100 * (job.belt.max_tension / (tight + turning) - 1)
    road = job.vehicle.road_speed(state.speed, shift.ratio) * TO_KMH
    points = []
    for n in range(len(shift.position)):
        up, back = (UPSHIFT, full, n), (BACKSHIFT, full, n)
        points.append(
            CurvePoint(
                position=float(shift.position[n]),
                ratio=float(shift.ratio[n]),
                upshift_rpm=float(state.speed[up]) * TO_RPM,
                backshift_rpm=float(state.speed[back]) * TO_RPM,
                upshift_kmh=float(road[up]),
                backshift_kmh=float(road[back]),
                drive_thrust=float(state.drive_thrust[up]),
                driven_thrust=float(state.driven_thrust[up]),
                drive_spring=float(drive.spring[n]),
                driven_spring=float(driven.fixed[UPSHIFT, n]),
                tight_tension=float(tight[up] + turning[up]),
                slack_tension=float(slack[up] + turning[up]),
                slip_reserve=min(float(reserve[back]), _LARGE),
                tension_reserve=min(float(tension[up]), _LARGE),
                belt_loss=float(loss[up]),
                status=Status(int(state.status[up])).name.lower(),
            )
        )
    return tuple(points)


def _launch(job: Job, drive: DriveSide, driven: DrivenSide, stall: float) -> tuple[LaunchPoint, ...]:
    """From idle, by way of engagement, to where the belt carries the engine's full torque."""
    radius = float(job.shift.drive_radius[0])
    engagement = float(balance.engagement_speed(drive))
    end = min(max(stall, engagement * 1.05), job.speed_limit)
    speeds = np.array([job.machine.engine.idle_speed, *np.linspace(engagement, end, 6)])
    thrust = np.maximum(drive.thrust_per_speed2[UPSHIFT, 0] * speeds**2 - drive.spring[0], 0.0)
    capacity = torque_capacity(speeds, drive, driven, job.grip, radius)
    torque = job.engine.at(speeds)
    return tuple(
        LaunchPoint(float(w) * TO_RPM, float(f), float(c), float(t))
        for w, f, c, t in zip(speeds, thrust, capacity, torque, strict=True)
    )


def _grounds(job: Job, state: Balance) -> tuple[GroundFacts, ...]:
    error = state.speed / job.target_speed - 1
    total = float((job.duty.weights.sum(axis=0) * error**2).sum())
    out = []
    for number, entry in enumerate(job.spec.grounds):
        weights = job.duty.weights[number]
        used, rpm = weights > 0, state.speed * TO_RPM
        share = weights.sum()
        square = float((weights * error**2).sum())

        def by_position(branch: int, weights: Array = weights, rpm: Array = rpm) -> tuple[float, ...]:
            time = weights[branch].sum(axis=0)
            mean = (weights[branch] * rpm[branch]).sum(axis=0) / np.where(time > 0, time, 1.0)
            return tuple(float(v) for v in np.where(time > 0, mean, 0.0))

        out.append(
            GroundFacts(
                ground=entry.name,
                share=100 * float(share),
                low_kmh=entry.speed[0] * TO_KMH,
                high_kmh=float(job.duty.reach[number]) * TO_KMH,
                flatness=100 * float(np.sqrt(square / share)),
                mean_rpm=float((weights * rpm).sum() / share),
                lowest_rpm=float(rpm[used].min()),
                highest_rpm=float(rpm[used].max()),
                upshift_rpm=by_position(UPSHIFT),
                backshift_rpm=by_position(BACKSHIFT),
                traction_limited=100 * float(job.duty.traction_limited[number]),
                share_of_flatness=100 * square / total if total > 0 else 0.0,
            )
        )
    return tuple(out)


def _neighbours(job: Job, kit: Kit, request: Request, score: Score) -> tuple[Neighbour, ...]:
    """For each slot, the next part below and above in the measure that matters there."""
    mean = _mean_rpm(job, kit)
    out = []
    for slot in SLOTS:
        for changed in _steps(job, kit, slot):
            other = score_kit(job, changed, request)
            base, terms = score.terms, other.terms

            def difference(name: str, base: Mapping[str, float] = base, terms: Mapping[str, float] = terms) -> float:
                return terms[name] - base[name] if terms else float("nan")

            out.append(
                Neighbour(
                    slot=slot,
                    now=kit.words()[slot],
                    instead=changed.words()[slot],
                    mean_rpm=_mean_rpm(job, changed) - mean,
                    flatness=difference("flatness"),
                    spring_loss=difference("spring_loss"),
                    belt_margin=difference("belt_margin"),
                    score=other.score - score.score if score.buildable else other.score,
                    broken=", ".join(other.failures),
                )
            )
    return tuple(out)


def _mean_rpm(job: Job, kit: Kit) -> float:
    sides = unlimited_sides(job, kit)
    if sides is None:
        return float("nan")
    state = shift_map(job, *sides)
    return float((job.duty.weights.sum(axis=0) * state.speed).sum()) * TO_RPM


def _steps(job: Job, kit: Kit, slot: str) -> list[Kit]:
    """The kit with one slot moved one step down and one step up among the parts that fit there."""
    if slot == "twist":
        now = kit.settings["twist"]
        if now is None:
            return []
        angles = [
            t for t in job.twists if t is not None and unlimited_sides(job, Kit(kit.parts, {"twist": t})) is not None
        ]
        nearest = [max((t for t in angles if t < now - 1e-6), default=None),
                   min((t for t in angles if t > now + 1e-6), default=None)]  # fmt: skip
        return [Kit(kit.parts, {"twist": t}) for t in nearest if t is not None]
    fitting = []
    for option in options_of(job, slot):
        changed = Kit({**kit.parts, slot: option}, kit.settings)
        if unlimited_sides(job, changed) is not None:
            fitting.append((_measure(job, slot, option), option, changed))
    fitting.sort(key=lambda row: row[:2])
    here = [row[1] for row in fitting].index(kit.parts[slot])
    return [fitting[n][2] for n in (here - 1, here + 1) if 0 <= n < len(fitting)]


def _measure(job: Job, slot: str, option: str) -> float:
    """The number by which parts of a slot are put in order: load, thrust, mass or angle."""
    if option == EMPTY:
        return 0.0
    part = job.shelf.family(SLOT_FAMILIES[slot])[option]
    if isinstance(part, Spring):
        installed, full = job.installed_lengths[slot]
        return float(part.curve(installed, full).at(np.array([installed, full])).mean())
    if isinstance(part, TuningMass):
        return part.mass
    if isinstance(part, Helix):
        at, angle = part.points
        return float(np.interp(job.shift.driven_travel, at, angle).mean())
    try:
        return float(arm_thrust(job, cast(Flyweight, part))[0].mean())
    except PhysicalRangeError:
        return float("inf")
