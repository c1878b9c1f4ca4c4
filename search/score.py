"""Terms and score of kits at full fidelity: joint balance of engine and both clutches at every duty point.

Score = weights . (flatness in %, spring loss in %, missing belt margin in 10 %); lower is better. It is
rounded to 1e-9, and equal scores are ordered by slot ids.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from catalog.quantities import TO_RPM
from search.builds import Builds, drive_builds, driven_builds, unlimited_builds, unlimited_sides
from search.exact.points import Busy, busy
from search.space import Kit, Space, fitted_kit
from search.workers import parallel_slices
from solver import balance
from solver.balance import Balance, DrivenSide, DriveSide, Status
from solver.belt_grip import centrifugal_tension
from solver.belt_life import belt_temperature, wear_rate
from solver.losses import belt_loss

__all__ = [
    "PAIR_RULES",
    "TERM_DIGITS",
    "TERM_UNITS",
    "Request",
    "Score",
    "duty_balance",
    "pair_terms",
    "score_kit",
    "shift_map",
    "side_score",
]

Array = NDArray[np.float64]

PAIR_RULES = ("speed_limit", "budget", "max_changes")
TERM_DIGITS = {"flatness": 2, "spring_loss": 2, "belt_margin": 1, "ground_power": 1, "belt_life": 2, "cost": 2}
TERM_UNITS = {
    "flatness": "%",
    "spring_loss": "%",
    "belt_margin": "%",
    "worst_high": "rpm",
    "worst_low": "rpm",
    "engagement": "rpm",
    "ground_power": "%",
    "belt_life": "x fitted",
    "unbalanced": "duty points",
    "cost": "",
    "changes": "",
}
_CHUNK = 256  # kits balanced at once; about what stays in cache


@dataclass(frozen=True)
class Request:
    """What a search asks for beyond the space.

    Attributes
    ----------
    weights : mapping of term -> float
        Points per 1 % flatness, 1 % spring loss, 10 % missing belt margin.
    wanted_margin : float [-]
    budget : float or None
        Most that new parts may cost, in the catalogue's currency.
    max_changes : int or None
        Most slots that may differ from the fitted kit.
    fitted_wear : float or None
        Belt wear rate of the fitted kit, against which belt life is told; None if it cannot be worked out.
    """

    weights: Mapping[str, float]
    wanted_margin: float
    budget: float | None = None
    max_changes: int | None = None
    fitted_wear: float | None = None

    @staticmethod
    def of(job: Job) -> Request:
        """The request that the job file itself makes."""
        rule, limits = job.spec.score, job.spec.limits
        return Request(
            weights=rule.weights.model_dump(),
            wanted_margin=rule.wanted_margin,
            budget=limits.budget.amount if limits.budget else None,
            fitted_wear=_fitted_wear(job),
        )

    def with_weights(self, changed: Mapping[str, float]) -> Request:
        """The same with some weights changed."""
        return replace(self, weights={**self.weights, **changed})


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
        In the units of TERM_UNITS; empty where the kit cannot be balanced.
    shares : mapping of term -> float
        Points that each term adds to the score.
    """

    kit: Kit
    buildable: bool
    failures: Mapping[str, str]
    score: float
    terms: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)


def shift_map(job: Job, drive: DriveSide, driven: DrivenSide) -> Balance:
    """Balance paired builds (or one with many) over branches, torque levels and positions."""
    return balance.engine_speed(
        drive, driven, job.grip, job.shift.drive_radius, job.engine, job.duty.levels, job.speed_limit
    )


def side_score(request: Request, job: Job, builds: Builds) -> Array:
    """Points that one side alone adds: its spring loss and its missing belt margin, shape (n,)."""
    missing = np.maximum(request.wanted_margin - builds.margin, 0.0)
    loss = builds.loss / job.engine.peak_power
    return request.weights["spring_loss"] * 100 * loss + request.weights["belt_margin"] * 10 * missing


def duty_balance(job: Job, duty: Busy, drive: Builds, driven: Builds, pairs: NDArray[np.intp]) -> Balance:
    """Balance chosen pairs of builds, shape (k, 2), over the part of the duty that carries time."""
    rows, columns = pairs.T
    drives, drivens = drive.side[rows][..., duty.positions], driven.side[columns][..., duty.positions]
    assert isinstance(drives, DriveSide)
    assert isinstance(drivens, DrivenSide)
    return balance.engine_speed(
        drives, drivens, duty.grip, duty.shift.drive_radius, job.engine, duty.levels, job.speed_limit
    )


def pair_terms(
    job: Job, request: Request, drive: Builds, driven: Builds, pairs: NDArray[np.intp]
) -> tuple[dict[str, Array], Array]:
    """Terms and score of chosen pairs of builds.

    Parameters
    ----------
    job : Job
    request : Request
    drive, driven : Builds
    pairs : ndarray, shape (k, 2)
        Rows of drive and of driven builds.

    Returns
    -------
    (dict of term -> ndarray of shape (k,), ndarray of shape (k,))
        Terms in the units of TERM_UNITS, and scores rounded to 1e-9.
    """
    duty = busy(job)
    weights, used, shift = duty.weights, duty.used, duty.shift
    band, high, low, power, wear, unbalanced = (np.zeros(len(pairs)) for _ in range(6))
    speed_of_belt = job.target_speed * shift.drive_radius
    available = float((weights * duty.levels[:, None]).sum()) * job.engine.peak_power

    def balance_chunk(chunk: slice) -> None:
        state = duty_balance(job, duty, drive, driven, pairs[chunk])
        error = state.speed / job.target_speed - 1
        band[chunk] = np.sqrt((weights * error**2).sum(axis=(1, 2, 3)))
        high[chunk] = np.where(used, error, -np.inf).max(axis=(1, 2, 3))
        low[chunk] = np.where(used, error, np.inf).min(axis=(1, 2, 3))
        tight, slack = state.carried
        lost = belt_loss(tight, slack, speed_of_belt * (1 + error), shift, duty.grip.seat, job.losses)
        reaching = np.maximum(state.torque * state.speed - lost, 0.0) * job.vehicle.driveline_efficiency
        power[chunk] = (weights * reaching).sum(axis=(1, 2, 3)) / available
        unbalanced[chunk] = (used & (state.status != Status.BALANCED)).sum(axis=(1, 2, 3))
        wear[chunk] = _wear(job, weights, state.speed * shift.drive_radius, tight, lost)

    parallel_slices(balance_chunk, len(pairs), _CHUNK)
    rows, columns = pairs.T
    loss = (drive.loss[rows] + driven.loss[columns]) / job.engine.peak_power
    terms = {
        "flatness": 100 * band,
        "spring_loss": 100 * loss,
        "belt_margin": 100 * driven.margin[columns],
        "worst_high": high * job.target_speed * TO_RPM,
        "worst_low": low * job.target_speed * TO_RPM,
        "engagement": drive.engagement[rows] * TO_RPM,
        "ground_power": 100 * power,
        **({} if request.fitted_wear is None else {"belt_life": request.fitted_wear / wear}),
        "unbalanced": unbalanced,
        "cost": np.round(drive.cost[rows] + driven.cost[columns], 2),
        "changes": (drive.changes[rows] + driven.changes[columns]).astype(float),
    }
    shares = score_shares(request, terms)
    return terms, np.round(shares["flatness"] + (shares["spring_loss"] + shares["belt_margin"]), 9)


def _wear(job: Job, weights: Array, belt_speed: Array, tight_net: Array, lost: Array) -> Array:
    """Belt wear rate of each kit over the duty; only ratios mean anything."""
    axes = (-3, -2, -1)
    mean_loss = (weights * lost).sum(axis=axes)
    warmth = belt_temperature(mean_loss, job.spec.site.temperature, job.machine.belt_cooling)
    tension = tight_net + centrifugal_tension(job.belt.mass_per_length, belt_speed)
    rate = wear_rate(tension, belt_speed, warmth[..., None, None, None], job.belt.max_tension)
    return np.asarray((weights * rate).sum(axis=axes))


def _fitted_wear(job: Job) -> float | None:
    """Belt wear rate of the fitted kit, buildable or not; None if its thrusts cannot be worked out."""
    sides = unlimited_sides(job, fitted_kit(job))
    if sides is None:
        return None
    state = shift_map(job, *sides)
    weights, belt_speed = job.duty.weights.sum(axis=0), state.speed * job.shift.drive_radius
    tight, slack = state.carried
    lost = belt_loss(tight, slack, belt_speed, job.shift, job.grip.seat, job.losses)
    return float(_wear(job, weights, belt_speed, tight, lost))


def score_shares(request: Request, terms: Mapping[str, Array]) -> dict[str, Array]:
    """Points of each scored term."""
    missing = np.maximum(100 * request.wanted_margin - terms["belt_margin"], 0.0)
    return {
        "flatness": request.weights["flatness"] * terms["flatness"],
        "spring_loss": request.weights["spring_loss"] * terms["spring_loss"],
        "belt_margin": request.weights["belt_margin"] * missing / 10,
    }


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
    request = request or Request.of(job)
    space = Space.of(kit)
    failures = {**drive_builds(job, space).reasons, **driven_builds(job, space).reasons}
    builds = unlimited_builds(job, kit)
    if builds is None:
        return Score(kit, False, failures, np.inf)
    failures |= _pair_failures(job, request, *builds)
    values, scores = pair_terms(job, request, *builds, np.zeros((1, 2), np.intp))
    shares = score_shares(request, values)
    return Score(
        kit=kit,
        buildable=not failures,
        failures=failures,
        score=np.inf if failures else float(scores[0]),
        terms={name: float(value[0]) for name, value in values.items()},
        shares={name: float(value[0]) for name, value in shares.items()},
    )


def _pair_failures(job: Job, request: Request, drive: Builds, driven: Builds) -> dict[str, str]:
    failures = {}
    given, needed = drive.at_limit, driven.at_limit
    if (needed > given).any():
        worst = int(np.argmax(needed - given))
        failures["speed_limit"] = (
            f"the engine passes {job.speed_limit * TO_RPM:.0f} rpm at shift position {job.shift.position[worst]:.2f}: "
            f"the flyweights give {given.flat[worst]:.0f} N there, {needed.flat[worst]:.0f} N would hold it"
        )
    cost = round(float(drive.cost[0] + driven.cost[0]), 2)
    if request.budget is not None:
        if drive.unpriced[0] or driven.unpriced[0]:
            failures["budget"] = "a new part states no price, so the budget cannot be kept"
        elif cost > request.budget:
            failures["budget"] = f"new parts cost {cost:.2f}, the budget is {request.budget:.2f}"
    changes = int(drive.changes[0] + driven.changes[0])
    if request.max_changes is not None and changes > request.max_changes:
        failures["max_changes"] = f"{changes} slots differ from the fitted kit, {request.max_changes} may"
    return failures
