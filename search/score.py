"""Score of kits at full fidelity: joint balance of engine and both clutches at every duty point.

Score = weights . points of the scored terms (`search.terms`); lower is better. It is rounded to 1e-9, and equal
scores are ordered by slot ids.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.quantities import TO_RPM
from search.builds import DriveBuilds, DrivenBuilds, drive_builds, driven_builds, sides_of_kit, unlimited
from search.pair_rules import PAIR_RULES
from search.points import DutyPoints, duty_points
from search.request import Request
from search.rules import BELT_RULES, judge
from search.sides import BeltOptions
from search.space import Kit, Space
from search.stage import Stage
from search.terms import SCORED, points_of
from search.workers import parallel_slices
from solver import balance
from solver.balance import Balance, DrivenSide, DriveSide, Status
from solver.belt_grip import centrifugal_tension
from solver.belt_life import belt_temperature, fatigue_rate
from solver.drivetrain import Drivetrain
from solver.losses import belt_loss

__all__ = [
    "Request",
    "Score",
    "duty_balance",
    "make_stage",
    "pair_terms",
    "score_kit",
    "shares_of",
    "shift_map",
    "side_points",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_CHUNK = 256  # kits balanced at once; about what stays in cache


@dataclass(frozen=True)
class Score:
    """One kit scored.

    Attributes
    ----------
    kit : Kit
    buildable : bool
    failures : mapping of rule -> sentence
        Every rule the kit breaks, not only the first.
    score : float
        Infinite if not buildable.
    terms : mapping of term -> float
        In the units of `search.terms`; empty where the kit cannot be balanced.
    shares : mapping of term -> float
        Points that each term adds to the score.
    """

    kit: Kit
    buildable: bool
    failures: Mapping[str, str]
    score: float
    terms: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)


def make_stage(job: Job, request: Request, belt: str) -> Stage:
    """A request put to the job's machine with one of its belts.

    Parameters
    ----------
    job : Job
    request : Request
    belt : str
        Part id.

    Raises
    ------
    InputError
        If the catalogue has no such belt.
    PhysicalRangeError
        If the belt does not lie over the sheaves.
    """
    here = Stage(job.forces, request)
    chosen = {part.id: part for part in BeltOptions(here, Space({"belt": (belt,)})).parts("belt")}
    return Stage(job.forces.with_belt(chosen[belt]), request, _fitted_wear(here))


def shift_map(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide) -> Balance:
    """Balance paired sides (or one with many) over branches, torque levels and positions."""
    return balance.engine_speed(
        drive, driven, drivetrain.grip, drivetrain.path.drive_radius, drivetrain.engine, drivetrain.duty.levels,
        drivetrain.speed_limit,
    )  # fmt: skip


def side_points(stage: Stage, builds: DriveBuilds | DrivenBuilds) -> Array:
    """Points that the builds of one side alone add: spring loss, and missing belt margin, shape (n,)."""
    request = stage.request
    points = points_of("spring_loss", 100 * (builds.loss / stage.drivetrain.engine.peak_power), request)
    if isinstance(builds, DrivenBuilds):
        points = points + points_of("belt_margin", 100 * builds.margin, request)
    return points


def duty_balance(
    drivetrain: Drivetrain, duty: DutyPoints, drive: DriveBuilds, driven: DrivenBuilds, pairs: Index
) -> Balance:
    """Balance chosen pairs of builds, shape (k, 2), over the part of the duty that carries time."""
    rows, columns = pairs.T
    return balance.engine_speed(
        drive.side[rows][..., duty.positions], driven.side[columns][..., duty.positions],
        duty.grip, duty.path.drive_radius, drivetrain.engine, duty.levels, drivetrain.speed_limit,
    )  # fmt: skip


def pair_terms(stage: Stage, drive: DriveBuilds, driven: DrivenBuilds, pairs: Index) -> tuple[dict[str, Array], Array]:
    """Terms and score of chosen pairs of builds.

    Parameters
    ----------
    stage : Stage
    drive : DriveBuilds
    driven : DrivenBuilds
    pairs : ndarray, shape (k, 2)
        Rows of drive and of driven builds.

    Returns
    -------
    (dict of term -> ndarray of shape (k,), ndarray of shape (k,))
        Terms in the units of `search.terms`, and scores rounded to 1e-9.
    """
    drivetrain = stage.drivetrain
    duty, target = duty_points(drivetrain), drivetrain.target_speed
    weights, used, path = duty.weights, duty.used, duty.path
    flatness, high, low, power, wear, unbalanced = (np.zeros(len(pairs)) for _ in range(6))
    speed_of_belt = target * path.drive_radius
    available = float((weights * duty.levels[:, None]).sum()) * drivetrain.engine.peak_power

    def balance_chunk(chunk: slice) -> None:
        state = duty_balance(drivetrain, duty, drive, driven, pairs[chunk])
        error = state.speed / target - 1
        flatness[chunk] = np.sqrt((weights * error**2).sum(axis=(1, 2, 3)))
        high[chunk] = np.where(used, error, -np.inf).max(axis=(1, 2, 3))
        low[chunk] = np.where(used, error, np.inf).min(axis=(1, 2, 3))
        tight, slack = state.carried
        lost = belt_loss(tight, slack, speed_of_belt * (1 + error), path, duty.grip.seat, drivetrain.losses)
        reaching = np.maximum(state.torque * state.speed - lost, 0.0) * drivetrain.inputs.vehicle.driveline_efficiency
        power[chunk] = (weights * reaching).sum(axis=(1, 2, 3)) / available
        unbalanced[chunk] = (used & (state.status != Status.BALANCED)).sum(axis=(1, 2, 3))
        wear[chunk] = _wear(drivetrain, weights, state.speed * path.drive_radius, tight, lost)

    parallel_slices(balance_chunk, len(pairs), _CHUNK)
    rows, columns = pairs.T
    terms = {
        "flatness": 100 * flatness,
        "spring_loss": 100 * ((drive.loss[rows] + driven.loss[columns]) / drivetrain.engine.peak_power),
        "belt_margin": 100 * driven.margin[columns],
        "worst_high": high * target * TO_RPM,
        "worst_low": low * target * TO_RPM,
        "engagement": drive.engagement[rows] * TO_RPM,
        "ground_power": 100 * power,
        **({} if stage.fitted_wear is None else {"belt_life": stage.fitted_wear / wear}),
        "unbalanced": unbalanced,
        "cost": np.round(drive.cost[rows] + driven.cost[columns], 2),
        "changes": (drive.changes[rows] + driven.changes[columns]).astype(float),
    }
    shares = shares_of(stage.request, terms)
    return terms, np.round(shares["flatness"] + (shares["spring_loss"] + shares["belt_margin"]), 9)


def _wear(drivetrain: Drivetrain, weights: Array, belt_speed: Array, tight_net: Array, lost: Array) -> Array:
    """Belt wear rate of each kit over the duty; only ratios mean anything."""
    axes, inputs = (-3, -2, -1), drivetrain.inputs
    mean_loss = (weights * lost).sum(axis=axes)
    warmth = belt_temperature(mean_loss, inputs.site.temperature, inputs.belt_cooling)
    tension = tight_net + centrifugal_tension(inputs.belt.mass_per_length, belt_speed)
    rate = fatigue_rate(tension, belt_speed, warmth[..., None, None, None], inputs.belt.max_tension)
    return np.asarray((weights * rate).sum(axis=axes))


def _fitted_wear(stage: Stage) -> float | None:
    """Belt wear rate of the fitted kit, buildable or not; None if its thrusts cannot be worked out."""
    sides = sides_of_kit(stage, stage.request.fitted)
    if sides is None:
        return None
    drivetrain = stage.drivetrain
    state, path = shift_map(drivetrain, *sides), drivetrain.path
    weights, belt_speed = drivetrain.duty.weights.sum(axis=0), state.speed * path.drive_radius
    tight, slack = state.carried
    lost = belt_loss(tight, slack, belt_speed, path, drivetrain.grip.seat, drivetrain.losses)
    return float(_wear(drivetrain, weights, belt_speed, tight, lost))


def shares_of(request: Request, terms: Mapping[str, Array]) -> dict[str, Array]:
    """Points of each scored term."""
    return {name: points_of(name, terms[name], request) for name in SCORED}


def score_kit(job: Job, kit: Kit, request: Request | None = None) -> Score:
    """Score one kit at full fidelity, with every rule it breaks.

    Parameters
    ----------
    job : Job
    kit : Kit
    request : Request, optional
        As the job file says, if left out.

    Returns
    -------
    Score
    """
    request, space = request or Request.of(job), Space.of(kit)
    of_belt = judge(BeltOptions(Stage(job.forces, request), space), BELT_RULES)
    if "belt_fit" in of_belt.reasons:
        return Score(kit, False, of_belt.reasons, np.inf)
    stage = make_stage(job, request, kit.parts["belt"])
    failures = {**of_belt.reasons, **drive_builds(stage, space).reasons, **driven_builds(stage, space).reasons}
    builds = unlimited(stage, kit)
    if builds is None:
        return Score(kit, False, failures, np.inf)
    failures |= {rule.name: rule.sentence(stage, *builds) for rule in PAIR_RULES if rule.broken(request, *builds).any()}
    values, scores = pair_terms(stage, *builds, np.zeros((1, 2), np.intp))
    return Score(
        kit=kit,
        buildable=not failures,
        failures=failures,
        score=np.inf if failures else float(scores[0]),
        terms={name: float(value[0]) for name, value in values.items()},
        shares={name: float(value[0]) for name, value in shares_of(request, values).items()},
    )
