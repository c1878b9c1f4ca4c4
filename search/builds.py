"""The builds of each side that keep every rule of that side, as stacked arrays: a kit is one of each.

What looks at both sides together goes on to the search.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from search.belt_terms import most_needed_at_limit
from search.points import position_sweeps
from search.rules import DRIVE_RULES, DRIVEN_RULES, judge
from search.sides import BeltOptions, DrivenOptions, DriveOptions, Options, new_parts, pick
from search.space import Kit, Space, same_twist
from search.stage import Stage
from solver.balance import DrivenSide, DriveSide
from solver.inputs import NO_LIMITS
from solver.points import UPSHIFT

__all__ = ["Builds", "DriveBuilds", "DrivenBuilds", "drive_builds", "driven_builds", "sides_of_kit", "unlimited"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Builds:
    """Buildable builds of one side, in the order of their slot options.

    Attributes
    ----------
    choice : ndarray, shape (n, slots)
        Number of each slot's option.
    cost : ndarray, shape (n,)
        Price of the parts that are not fitted already.
    unpriced : ndarray of bool, shape (n,)
        Whether a new part states no price.
    changes : ndarray of int, shape (n,)
        Slots that differ from the fitted kit.
    loss : ndarray, shape (n,) [W]
        Spring loss of this build.
    excluded : mapping of rule -> int
        Builds left out, each under the first rule it breaks.
    reasons : mapping of rule -> str
        One example of each, in a sentence.
    """

    choice: Index
    cost: Array
    unpriced: NDArray[np.bool_]
    changes: NDArray[np.int64]
    loss: Array
    excluded: Mapping[str, int]
    reasons: Mapping[str, str]

    def __len__(self) -> int:
        return len(self.choice)

    def take(self, chosen: Index) -> Self:
        """Some of the builds; what was left out stays counted."""
        picked = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(
            self, **{name: value[chosen] for name, value in picked.items() if name not in ("excluded", "reasons")}
        )


@dataclass(frozen=True)
class DriveBuilds(Builds):
    """Drive builds.

    Attributes
    ----------
    side : DriveSide
        Stacked over the builds.
    engagement : ndarray, shape (n,) [rad/s]
    at_limit : ndarray, shape (n, positions) [N]
        Drive thrust given at the engine's speed limit on the upshift branch, the faster one.
    """

    side: DriveSide
    engagement: Array
    at_limit: Array


@dataclass(frozen=True)
class DrivenBuilds(Builds):
    """Driven builds.

    Attributes
    ----------
    side : DrivenSide
        Stacked over the builds.
    margin : ndarray, shape (n,) [-]
        Belt margin.
    temperature : ndarray, shape (n,) [K]
        Of the belt, on the hottest ground.
    at_limit : ndarray, shape (n, positions) [N]
        Most drive thrust needed at the speed limit at any torque level on the upshift branch. A pair passes the limit
        where it needs more than is given.
    """

    side: DrivenSide
    margin: Array
    temperature: Array
    at_limit: Array


def drive_builds(stage: Stage, space: Space) -> DriveBuilds:
    """Every drive build of a space that keeps the rules of its side.

    Parameters
    ----------
    stage : Stage
    space : Space

    Returns
    -------
    DriveBuilds
    """
    options = DriveOptions(stage, space)
    judged = judge(options, DRIVE_RULES)
    choice, drivetrain = judged.choice, stage.drivetrain
    side = DriveSide(options.thrust(choice), pick(options.load, choice))
    gain = side.thrust_per_speed2 / pick(options.frictionless, choice)[:, None]
    hysteresis = 1 / gain[:, 0] - 1 / gain[:, 1]
    cost, unpriced, changes = _bill(options, choice)
    rubbed = side.spring * hysteresis * position_sweeps(drivetrain)
    return DriveBuilds(
        choice=choice,
        cost=cost,
        unpriced=unpriced,
        changes=changes,
        excluded=judged.excluded,
        reasons=judged.reasons,
        loss=rubbed.sum(axis=-1) * float(np.ptp(drivetrain.path.drive_travel)),
        side=side,
        engagement=pick(options.engagement, choice),
        at_limit=side.thrust_per_speed2[:, UPSHIFT] * drivetrain.speed_limit**2 - side.spring,
    )


def driven_builds(stage: Stage, space: Space) -> DrivenBuilds:
    """Every driven build of a space that keeps the rules of its side, with what its belt adds to cost and changes.

    Belt margin and spring loss are taken at the torque of the target engine speed: the state the kit is
    meant to hold, and one that does not depend on the drive build.

    Parameters
    ----------
    stage : Stage
    space : Space
        Of one belt.

    Returns
    -------
    DrivenBuilds
    """
    options = DrivenOptions(stage, space)
    judged = judge(options, DRIVEN_RULES)
    choice = judged.choice
    side = options.side(choice)
    cost, unpriced, changes = _bill(options, choice)
    belt_cost, belt_unpriced, belt_change = _bill(BeltOptions(stage, space), np.zeros((1, 1), np.intp))
    return DrivenBuilds(
        choice=choice,
        cost=cost + belt_cost,
        unpriced=unpriced | belt_unpriced,
        changes=changes + belt_change,
        excluded=judged.excluded,
        reasons=judged.reasons,
        loss=options.loss[tuple(choice.T)],
        side=side,
        margin=options.margin[tuple(choice.T)],
        temperature=options.temperature[tuple(choice.T)],
        at_limit=most_needed_at_limit(stage.drivetrain, side),
    )


def _bill(options: Options, choice: Index) -> tuple[Array, NDArray[np.bool_], NDArray[np.int64]]:
    """Cost of new parts, whether one lacks a price, and the number of changed slots, of each build."""
    fitted = options.stage.request.fitted
    cost, unpriced, changes = np.zeros(len(choice)), np.zeros(len(choice), bool), np.zeros(len(choice), np.int64)
    for column, slot in enumerate(options.slots):
        chosen = choice[:, column]
        if slot in fitted.settings:
            changed = np.array([not same_twist(now, fitted.settings[slot]) for now in options.parts(slot)])
        else:
            changed = np.array([name != fitted.parts[slot] for name in options.space.options[slot]])
            bought = new_parts(options, slot)
            cost += np.array([part.price.amount if part and part.price else 0.0 for part in bought])[chosen]
            unpriced |= np.array([part is not None and part.price is None for part in bought])[chosen]
        changes += changed[chosen]
    return cost, unpriced, changes


def unlimited(stage: Stage, kit: Kit) -> tuple[DriveBuilds, DrivenBuilds] | None:
    """Both builds of one kit with all limits set aside, so that an unbuildable kit can be looked at too.

    Parameters
    ----------
    stage : Stage
        Of the kit's belt.
    kit : Kit

    Returns
    -------
    (DriveBuilds, DrivenBuilds) or None
        One build each; None if parts do not fit each other or their thrust cannot be worked out.
    """
    opened = replace(stage, request=replace(stage.request, limits=NO_LIMITS, in_stock=False))
    drive, driven = drive_builds(opened, Space.of(kit)), driven_builds(opened, Space.of(kit))
    return (drive, driven) if len(drive) and len(driven) else None


def sides_of_kit(stage: Stage, kit: Kit) -> tuple[DriveSide, DrivenSide] | None:
    """The sides of `unlimited`, without their leading axis."""
    builds = unlimited(stage, kit)
    return builds and (builds[0].side[0], builds[1].side[0])
