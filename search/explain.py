"""Why a kit scores as it does: its shift curve, each ground's flatness, and what neighbouring parts would change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, cast

import numpy as np

from catalog.job import Job
from catalog.parts import Flyweight, Helix, TuningMass
from catalog.quantities import TO_RPM
from catalog.slots import BELT, EMPTY, SLOT_FAMILIES, TWIST
from catalog.springs import Spring
from search.builds import sides_of_kit, unlimited
from search.curve import CurvePoint, MarginLimit, SpringCost, curve_of, margin_limit, spring_cost
from search.grounds import GroundFacts, StartFacts, ground_facts, low_gear, starts_on
from search.request import Request
from search.score import Score, make_stage, score_kit, shift_map
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Kit, fitted_kit, options_of
from search.stage import Stage
from solver import balance
from solver.balance import DrivenSide, DriveSide
from solver.drivetrain import Drivetrain
from solver.ground import Ground

__all__ = ["Explanation", "Neighbour", "RangeFacts", "explain"]


@dataclass(frozen=True)
class RangeFacts:
    """Below which road speeds one gear range is too fast: lock-up [km/h] of starts on the level.

    At full and at a quarter torque; below them the belt slips all the time. None where it never locks. `name` is empty
    where there is but one range.
    """

    name: str
    full_kmh: float | None
    quarter_kmh: float | None
    shift_start_kmh: float


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
    starts: tuple[StartFacts, ...] = ()
    ranges: tuple[RangeFacts, ...] = ()
    shift_start_kmh: float = 0.0
    shift_out_kmh: float = 0.0
    margin: MarginLimit | None = None
    springs: SpringCost | None = None
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
    drivetrain, builds = stage.drivetrain, unlimited(stage, kit)
    assert builds is not None  # it has terms
    drive, driven = builds[0].side[0], builds[1].side[0]
    curve = curve_of(drivetrain, drive, driven)
    return Explanation(
        kit=kit,
        score=score,
        fitted=_fitted_score(job, request),
        **_speeds(drivetrain),
        engagement_rpm=float(balance.engagement_speed(drive)) * TO_RPM,
        starts=starts_on(drivetrain, low_gear(drivetrain, drive, driven), _LEVEL),
        ranges=_ranges(job, drivetrain, drive, driven, curve),
        shift_start_kmh=curve[0].upshift_kmh,
        shift_out_kmh=curve[-1].upshift_kmh,
        margin=margin_limit(drivetrain, driven),
        springs=spring_cost(stage, *builds),
        curve=curve,
        grounds=ground_facts(drivetrain, drive, driven),
        neighbours=_neighbours(job, stage, kit, score),
    )


# Firm level ground that holds any tyre: how a start is told where no ground is meant.
_LEVEL = Ground(name="level", share=1.0, rolling=0.03, adhesion=1.5, grade=0.0, low_speed=0.0, high_speed=1.0,
                torque=1.0, load_changes=0.0, starts=0.0)  # fmt: skip


def _ranges(
    job: Job, drivetrain: Drivetrain, drive: DriveSide, driven: DrivenSide, curve: tuple[CurvePoint, ...]
) -> tuple[RangeFacts, ...]:
    gear, usual = low_gear(drivetrain, drive, driven), float(drivetrain.vehicle.reduction)
    out = []
    for name, reduction in job.machine.ranges.items():
        full, quarter = starts_on(drivetrain, gear, replace(_LEVEL, reduction=reduction))
        begins = curve[0].upshift_kmh * usual / reduction
        out.append(RangeFacts(name, full.lock_up_kmh, quarter.lock_up_kmh, begins))
    return tuple(out)


def _fitted_score(job: Job, request: Request) -> Score:
    return score_kit(job, fitted_kit(job), replace(request, max_changes=None, budget=None))


def _speeds(drivetrain: Drivetrain) -> dict[str, Any]:
    return {
        "target_rpm": drivetrain.target_speed * TO_RPM,
        "limit_rpm": drivetrain.speed_limit * TO_RPM,
        "idle_rpm": drivetrain.inputs.engine.idle_speed * TO_RPM,
    }


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
    duty = drivetrain.duty
    return float(duty.weights.sum(axis=0) @ shift_map(drivetrain, *sides, duty.points).speed) * TO_RPM


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
