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
from catalog.quantities import TO_RPM, ZERO_CELSIUS
from search.belt_terms import wear_rates
from search.builds import DriveBuilds, DrivenBuilds, drive_builds, driven_builds, sides_of_kit, unlimited
from search.pair_rules import PAIR_RULES
from search.points import duty_points
from search.request import Request
from search.rules import BELT_RULES, judge
from search.sides import BeltOptions
from search.space import Kit, Space
from search.stage import Stage
from search.terms import SCORED, points_of
from search.workers import parallel_slices
from solver import balance
from solver.balance import Balance, DrivenSide, DriveSide, Status
from solver.belt_life import relative_life
from solver.drivetrain import Drivetrain
from solver.losses import belt_loss
from solver.points import Points

__all__ = [
    "Request",
    "Score",
    "belt_life",
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
    wear = job.forces.once(("fitted wear", *request.fitted.order), lambda: _fitted_wear(here))
    return Stage(job.forces.with_belt(chosen[belt]), request, wear)


def shift_map(drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide, points: Points) -> Balance:
    """Balance paired sides (or one with many), over branches and positions, at operating points."""
    return balance.engine_speed(
        drive.at(points), driven.at(points), drivetrain.grip.at(points), drivetrain.path.drive_radius,
        drivetrain.engine, points, drivetrain.speed_limit,
    )  # fmt: skip


def side_points(stage: Stage, builds: DriveBuilds | DrivenBuilds) -> Array:
    """Points that the builds of one side alone add: spring loss, and missing belt margin, shape (n,)."""
    request = stage.request
    points = points_of("spring_loss", 100 * (builds.loss / stage.drivetrain.engine.peak_power), request)
    if isinstance(builds, DrivenBuilds):
        points = points + points_of("belt_margin", 100 * builds.margin, request)
    return points


def pair_terms(stage: Stage, drive: DriveBuilds, driven: DrivenBuilds, pairs: Index) -> tuple[dict[str, Array], Array]:
    """Terms and score of chosen pairs of builds; `belt_life`, which scores nothing and takes its time, is apart.

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
    duty, efficiency = duty_points(drivetrain), drivetrain.inputs.vehicle.driveline_efficiency
    weights, path = duty.weights, duty.path
    flatness, high, low, power, unbalanced = (np.zeros(len(pairs)) for _ in range(5))
    asked = float(weights @ (duty.pull(duty.target) * duty.belt_speed))

    rows, columns = pairs.T

    def balance_chunk(chunk: slice) -> None:
        state = shift_map(drivetrain, drive.side[rows[chunk]], driven.side[columns[chunk]], duty.points)
        error = state.speed / duty.target - 1
        flatness[chunk] = np.sqrt((weights * error**2).sum(axis=-1))
        away = state.speed - duty.target
        high[chunk], low[chunk] = away.max(axis=-1), away.min(axis=-1)
        tight, slack = state.carried
        lost = belt_loss(tight, slack, state.speed * path.drive_radius, path, duty.grip.seat, drivetrain.losses)
        reaching = np.maximum(state.torque * state.speed - lost, 0.0) * efficiency
        power[chunk] = (weights * reaching).sum(axis=-1) / asked
        unbalanced[chunk] = (state.status != Status.BALANCED).sum(axis=-1)

    parallel_slices(balance_chunk, len(pairs), _CHUNK)
    terms = {
        "flatness": 100 * flatness,
        "spring_loss": 100 * ((drive.loss[rows] + driven.loss[columns]) / drivetrain.engine.peak_power),
        "belt_margin": 100 * driven.margin[columns],
        "worst_high": high * TO_RPM,
        "worst_low": low * TO_RPM,
        "engagement": drive.engagement[rows] * TO_RPM,
        "ground_power": 100 * power,
        "belt_temperature": driven.temperature[columns] - ZERO_CELSIUS,
        "unbalanced": unbalanced,
        "cost": np.round(drive.cost[rows] + driven.cost[columns], 2),
        "changes": (drive.changes[rows] + driven.changes[columns]).astype(float),
    }
    shares = shares_of(stage.request, terms)
    return terms, np.round(shares["flatness"] + (shares["spring_loss"] + shares["belt_margin"]), 9)


def belt_life(stage: Stage, driven: DrivenBuilds, columns: Index) -> dict[str, Array]:
    """The term of that name of driven builds, shape (k,); none where the fitted kit's wear cannot be worked out."""
    if stage.fitted_wear is None:
        return {}
    reference = stage.fitted_wear
    builds, which = np.unique(columns, return_inverse=True)
    life = np.empty(len(builds))

    def work(chunk: slice) -> None:
        fatigue, slipping = wear_rates(stage.drivetrain, driven.side[builds[chunk]])
        life[chunk] = relative_life(fatigue, slipping, *reference)

    parallel_slices(work, len(builds), _CHUNK)
    return {"belt_life": life[which]}


def _fitted_wear(stage: Stage) -> tuple[float, float] | None:
    """Belt wear of the fitted kit, buildable or not; None if its thrusts cannot be worked out."""
    sides = sides_of_kit(stage, stage.request.fitted)
    if sides is None:
        return None
    fatigue, slipping = wear_rates(stage.drivetrain, sides[1][None])
    return float(fatigue[0]), float(slipping[0])


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
    drive, driven = drive_builds(stage, space), driven_builds(stage, space)
    failures = {**of_belt.reasons, **drive.reasons, **driven.reasons}
    builds = (drive, driven) if len(drive) and len(driven) else unlimited(stage, kit)
    if builds is None:
        return Score(kit, False, failures, np.inf)
    failures |= {rule.name: rule.sentence(stage, *builds) for rule in PAIR_RULES if rule.broken(request, *builds).any()}
    values, scores = pair_terms(stage, *builds, np.zeros((1, 2), np.intp))
    values |= belt_life(stage, builds[1], np.zeros(1, np.intp))
    return Score(
        kit=kit,
        buildable=not failures,
        failures=failures,
        score=np.inf if failures else float(scores[0]),
        terms={name: float(value[0]) for name, value in values.items()},
        shares={name: float(value[0]) for name, value in shares_of(request, values).items()},
    )
