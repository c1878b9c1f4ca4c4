"""The rules that look at both sides of a kit: one table, used for single kits, for pairs and for groups of pairs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from catalog.quantities import show
from search.request import Request
from search.rules import BELT_RULES, DRIVE_RULES, DRIVEN_RULES, rule_names
from search.stage import Stage

__all__ = ["PAIR_RULES", "RULE_NAMES", "Offer", "PairRule"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


class Offer(Protocol):
    """What decides the rules of pairs: of builds, or the best that some builds can offer; arrays over them."""

    @property
    def at_limit(self) -> Array:
        """Drive thrust at the speed limit, given or needed, shape (k, positions) [N]."""

    @property
    def cost(self) -> Array:
        """Price of new parts."""

    @property
    def unpriced(self) -> Mask:
        """Whether a new part states no price."""

    @property
    def changes(self) -> NDArray[np.int64]:
        """Slots that differ from the fitted kit."""


@dataclass(frozen=True)
class PairRule:
    """One rule of a drive and a driven build together.

    Attributes
    ----------
    name : str
    broken : callable
        Given the request and the offers of drive and driven builds, which pairs break it. It may only grow with what
        the driven build needs, and with cost and changes, and shrink with what the drive build gives: then the best
        offer of a group breaks it only if every build of the group does.
    sentence : callable
        Given a stage and one build of each side that break it.
    summary : str
        What is said of many.
    """

    name: str
    broken: Callable[[Request, Offer, Offer], Mask]
    sentence: Callable[[Stage, Offer, Offer], str]
    summary: str


def _too_fast(_: Request, drive: Offer, driven: Offer) -> Mask:
    fast = np.zeros(np.broadcast_shapes(drive.cost.shape, driven.cost.shape), bool)
    for position in range(driven.at_limit.shape[-1]):
        needed, given = driven.at_limit[..., position], drive.at_limit[..., position]
        if needed.max(initial=-np.inf) > given.min(initial=np.inf):  # at most positions nobody passes the limit
            fast |= needed > given
    return fast


def _too_fast_sentence(stage: Stage, drive: Offer, driven: Offer) -> str:
    drivetrain = stage.drivetrain
    given, needed = drive.at_limit[0], driven.at_limit[0]
    worst = int(np.argmax(needed - given))
    holds = f"{needed[worst]:.0f} N would hold it" if np.isfinite(needed[worst]) else "and the belt slides bodily"
    return (
        f"the engine passes {show(float(drivetrain.speed_limit), 'rad/s')} at shift position "
        f"{drivetrain.path.position[worst]:.2f}: the flyweights give {given[worst]:.0f} N there, {holds}"
    )


def _too_dear(request: Request, drive: Offer, driven: Offer) -> Mask:
    if request.budget is None:
        return np.zeros(np.broadcast(drive.cost, driven.cost).shape, bool)
    return (np.round(drive.cost + driven.cost, 2) > request.budget) | drive.unpriced | driven.unpriced


def _too_dear_sentence(stage: Stage, drive: Offer, driven: Offer) -> str:
    if drive.unpriced[0] or driven.unpriced[0]:
        return "a new part states no price, so the budget cannot be kept"
    return f"new parts cost {float(drive.cost[0] + driven.cost[0]):.2f}, the budget is {stage.request.budget:.2f}"


def _too_many(request: Request, drive: Offer, driven: Offer) -> Mask:
    changes = drive.changes + driven.changes
    return np.asarray(changes > (np.inf if request.max_changes is None else request.max_changes))


def _too_many_sentence(stage: Stage, drive: Offer, driven: Offer) -> str:
    changes = int(drive.changes[0] + driven.changes[0])
    return f"{changes} slots differ from the fitted kit, {stage.request.max_changes} may"


PAIR_RULES: tuple[PairRule, ...] = (
    PairRule(
        "speed_limit", _too_fast, _too_fast_sentence, "the engine would pass its speed limit somewhere in the shift"
    ),
    PairRule("budget", _too_dear, _too_dear_sentence, "the new parts cost more than the budget, or state no price"),
    PairRule("max_changes", _too_many, _too_many_sentence, "more slots differ from the fitted kit than wanted"),
)
RULE_NAMES = (
    *rule_names((*BELT_RULES, *DRIVE_RULES, *DRIVEN_RULES)),
    *(rule.name for rule in PAIR_RULES),
)
