"""Why a kit scores as it does: its shift curve, each ground's flatness, and what neighbouring parts would change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.parts import Flyweight, Helix, TuningMass
from catalog.quantities import TO_KMH, TO_RPM
from catalog.slots import BELT, EMPTY, SLOT_FAMILIES, TWIST
from catalog.springs import Spring
from search.builds import sides_of_kit
from search.request import Request
from search.score import Score, make_stage, score_kit, shift_map
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Kit, fitted_kit, options_of
from search.stage import Stage
from solver import balance
from solver.balance import BACKSHIFT, UPSHIFT, Balance, DrivenSide, DriveSide, Status
from solver.belt_grip import centrifugal_tension
from solver.drivetrain import Drivetrain
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
    """What one ground sees; flatness in %, speeds in rpm and km/h, shares in %."""

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
    engagement_rpm: float = 0.0
    stall_rpm: float = 0.0
    lock_up_kmh: float = 0.0
    launch: tuple[LaunchPoint, ...] = ()
    shift_start_kmh: float = 0.0
    shift_out_kmh: float = 0.0
    curve: tuple[CurvePoint, ...] = ()
    grounds: tuple[GroundFacts, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()

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
    if not score.terms:
        return Explanation(kit=kit, score=score, fitted=_fitted_score(job, request), **_speeds(job.drivetrain))
    stage = make_stage(job, request, kit.parts[BELT])
    drivetrain, sides = stage.drivetrain, sides_of_kit(stage, kit)
    assert sides is not None  # it has terms
    drive, driven = sides
    state = shift_map(drivetrain, drive, driven)
    curve = _curve(drivetrain, drive, driven, state)
    stall = stall_speed(drive, driven, drivetrain.grip, float(drivetrain.path.drive_radius[0]), drivetrain.engine)
    slowest = min(stall, float(drivetrain.speed_limit))
    return Explanation(
        kit=kit,
        score=score,
        fitted=_fitted_score(job, request),
        **_speeds(drivetrain),
        engagement_rpm=float(balance.engagement_speed(drive)) * TO_RPM,
        stall_rpm=slowest * TO_RPM,
        lock_up_kmh=float(drivetrain.vehicle.road_speed(slowest, drivetrain.path.ratio[0])) * TO_KMH,
        launch=_launch(drivetrain, drive, driven, stall),
        shift_start_kmh=curve[0].upshift_kmh,
        shift_out_kmh=curve[-1].upshift_kmh,
        curve=curve,
        grounds=_grounds(drivetrain, state),
        neighbours=_neighbours(job, stage, kit, score),
    )


def _fitted_score(job: Job, request: Request) -> Score:
    return score_kit(job, fitted_kit(job), replace(request, max_changes=None, budget=None))


def _speeds(drivetrain: Drivetrain) -> dict[str, Any]:
    return {
        "target_rpm": drivetrain.target_speed * TO_RPM,
        "limit_rpm": drivetrain.speed_limit * TO_RPM,
        "idle_rpm": drivetrain.inputs.engine.idle_speed * TO_RPM,
    }


def _curve(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide, state: Balance) -> tuple[CurvePoint, ...]:
    shift, belt, full = drivetrain.path, drivetrain.inputs.belt, -1  # the last torque level is full throttle
    belt_speed = state.speed * shift.drive_radius
    tight, slack = state.carried
    turning = centrifugal_tension(belt.mass_per_length, belt_speed)
    loss = belt_loss(tight, slack, belt_speed, shift, drivetrain.grip.seat, drivetrain.losses)
    reserve = 100 * balance.slip_reserve(driven, state.pull, tight, drivetrain.grip)
    tension = 100 * (belt.max_tension / (tight + turning) - 1)
    road = drivetrain.vehicle.road_speed(state.speed, shift.ratio) * TO_KMH
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


def _launch(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide, stall: float) -> tuple[LaunchPoint, ...]:
    """From idle, by way of engagement, to where the belt carries the engine's full torque."""
    radius = float(drivetrain.path.drive_radius[0])
    engagement = float(balance.engagement_speed(drive))
    end = min(max(stall, engagement * 1.05), drivetrain.speed_limit)
    speeds = np.array([drivetrain.inputs.engine.idle_speed, *np.linspace(engagement, end, 6)])
    thrust = np.maximum(drive.thrust_per_speed2[UPSHIFT, 0] * speeds**2 - drive.spring[0], 0.0)
    capacity = torque_capacity(speeds, drive, driven, drivetrain.grip, radius)
    torque = drivetrain.engine.at(speeds)
    return tuple(
        LaunchPoint(float(w) * TO_RPM, float(f), float(c), float(t))
        for w, f, c, t in zip(speeds, thrust, capacity, torque, strict=True)
    )


def _grounds(drivetrain: Drivetrain, state: Balance) -> tuple[GroundFacts, ...]:
    duty = drivetrain.duty
    error = state.speed / drivetrain.target_speed - 1
    total = float((duty.weights.sum(axis=0) * error**2).sum())
    out = []
    for number, entry in enumerate(drivetrain.inputs.grounds):
        weights = duty.weights[number]
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
                low_kmh=float(entry.low_speed) * TO_KMH,
                high_kmh=float(duty.reach[number]) * TO_KMH,
                flatness=100 * float(np.sqrt(square / share)),
                mean_rpm=float((weights * rpm).sum() / share),
                lowest_rpm=float(rpm[used].min()),
                highest_rpm=float(rpm[used].max()),
                upshift_rpm=by_position(UPSHIFT),
                backshift_rpm=by_position(BACKSHIFT),
                traction_limited=100 * float(duty.traction_limited[number]),
                share_of_flatness=100 * square / total if total > 0 else 0.0,
            )
        )
    return tuple(out)


def _neighbours(job: Job, stage: Stage, kit: Kit, score: Score) -> tuple[Neighbour, ...]:
    """For each slot, the next part below and above in the measure that matters there."""
    mean = _mean_rpm(stage, kit)
    out = []
    for slot in (*DRIVE_SLOTS, *DRIVEN_SLOTS):
        for changed in _steps(job, stage, kit, slot):
            other = score_kit(job, changed, stage.request)
            base, terms = score.terms, other.terms

            def difference(name: str, base: Mapping[str, float] = base, terms: Mapping[str, float] = terms) -> float:
                return terms[name] - base[name] if terms else float("nan")

            out.append(
                Neighbour(
                    slot=slot,
                    now=kit.words()[slot],
                    instead=changed.words()[slot],
                    mean_rpm=_mean_rpm(stage, changed) - mean,
                    flatness=difference("flatness"),
                    spring_loss=difference("spring_loss"),
                    belt_margin=difference("belt_margin"),
                    score=other.score - score.score if score.buildable else other.score,
                    broken=", ".join(other.failures),
                )
            )
    return tuple(out)


def _mean_rpm(stage: Stage, kit: Kit) -> float:
    sides = sides_of_kit(stage, kit)
    if sides is None:
        return float("nan")
    drivetrain = stage.drivetrain
    return float((drivetrain.duty.weights.sum(axis=0) * shift_map(drivetrain, *sides).speed).sum()) * TO_RPM


def _steps(job: Job, stage: Stage, kit: Kit, slot: str) -> list[Kit]:
    """The kit with one slot moved one step down and one step up among the choices that fit there."""
    now = kit.settings[TWIST]
    if slot == TWIST and now is None:
        return []
    fitting = []
    for option in options_of(job, slot):
        changed = Kit(kit.parts, {TWIST: option}) if slot == TWIST else Kit({**kit.parts, slot: option}, kit.settings)
        if option is not None and sides_of_kit(stage, changed) is not None:
            fitting.append((option if slot == TWIST else _measure(stage, slot, option), option, changed))
    fitting.sort(key=lambda row: row[:2])
    if slot == TWIST:
        below = [row for row in fitting if row[0] < cast(float, now) - 1e-6]
        above = [row for row in fitting if row[0] > cast(float, now) + 1e-6]
        return [row[2] for row in (*below[-1:], *above[:1])]
    here = [row[1] for row in fitting].index(kit.parts[slot])
    return [fitting[n][2] for n in (here - 1, here + 1) if 0 <= n < len(fitting)]


def _measure(stage: Stage, slot: str, option: str) -> float:
    """The number by which parts of a slot are put in order: load, thrust, mass or angle."""
    if option == EMPTY:
        return 0.0
    forces = stage.forces
    part = forces.shelf.family(SLOT_FAMILIES[slot])[option]
    if isinstance(part, Spring):
        force = forces.spring(slot, part)
        return float(force.load[0] + force.full_shift)
    if isinstance(part, TuningMass):
        return part.mass
    if isinstance(part, Helix):
        at, angle = part.points
        return float(np.interp(stage.drivetrain.path.driven_travel, at, angle).mean())
    return float(forces.arm(part).bare.mean()) if isinstance(part, Flyweight) else 0.0  # others stand by their ids
