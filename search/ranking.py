"""`rank`: the buildable kits of a job in order, with the guarantee, the counts and what was assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from catalog.job import Job
from search.exact import Found, Report, Screen, make_screen, top_pairs
from search.kits import Kit, make_space, show_twist
from search.pareto import RESOLUTION, pareto_pairs
from search.score import PAIR_RULES, TERM_UNITS, Request, score_kit, score_shares
from solver.errors import InputError, Problem

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RankedKit", "Ranking", "rank", "request_of"]


@dataclass(frozen=True)
class RankedKit:
    """One line of a ranking; `unpriced` if a new part states no price, so that the cost is a lower bound."""

    rank: int
    score: float
    kit: Kit
    terms: Mapping[str, float]
    shares: Mapping[str, float]
    unpriced: bool = False

    @property
    def parts(self) -> Mapping[str, str]:
        """Slot -> part id."""
        return self.kit.parts

    @property
    def settings(self) -> Mapping[str, float | None]:
        """Settings in SI units."""
        return self.kit.settings

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "rank": self.rank,
            "score": self.score,
            "parts": dict(self.parts),
            "settings": {"twist": show_twist(self.settings["twist"])},
            "terms": dict(self.terms),
            "shares": dict(self.shares),
            "unpriced": self.unpriced,
        }


@dataclass(frozen=True)
class Ranking:
    """The result of `rank`.

    Attributes
    ----------
    kits : tuple of RankedKit
        Best first; empty if nothing can be built.
    counts : mapping of str -> int
        "space", then each rule's excluded kits, "bounded_away" and "scored"; all but "space" add up to it.
    guarantee : str
        What the order is worth, in words.
    inputs : mapping of str -> str
        Hashes of job, machine and catalogue, and the version.
    assumed : tuple of str
    reasons : mapping of rule -> str
        One example of what each rule left out.
    emptied_by : tuple of str
        Where nothing is left: the rules of the side that has nothing left, with counts and examples.
    """

    kits: tuple[RankedKit, ...]
    counts: Mapping[str, int]
    guarantee: str
    inputs: Mapping[str, str]
    assumed: tuple[str, ...]
    reasons: Mapping[str, str]
    emptied_by: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "guarantee": self.guarantee,
            "counts": dict(self.counts),
            "inputs": dict(self.inputs),
            "assumed": list(self.assumed),
            "units": dict(TERM_UNITS),
            "kits": [kit.to_dict() for kit in self.kits],
        }

    def to_frame(self) -> pd.DataFrame:
        """One row a kit: rank, score, a column a slot, twist, and a column a term."""
        import pandas as pd

        rows = [{"rank": k.rank, "score": k.score, **k.kit.words(), **k.terms} for k in self.kits]
        return pd.DataFrame(rows)


def request_of(
    job: Job,
    *,
    weights: Mapping[str, float] | None = None,
    budget: float | None = None,
    max_changes: int | None = None,
) -> Request:
    """The job's own request with what a caller changes.

    Raises
    ------
    InputError
        For a weight that names no term or is negative, or a negative budget or number of changes.
    """
    request = Request.of(job)
    problems = []
    for name, value in (weights or {}).items():
        if name not in request.weights:
            problems.append(Problem("--weight", 0, 0, name, "no such term", repr(name), ", ".join(request.weights)))
        elif not (0 <= value < np.inf):
            problems.append(Problem("--weight", 0, 0, name, "weight out of range", str(value), "0 or more"))
    for option, number in (("--budget", budget), ("--max-changes", max_changes)):
        if number is not None and not 0 <= number < np.inf:
            problems.append(Problem(option, 0, 0, "", "out of range", str(number), "0 or more"))
    if problems:
        raise InputError(problems)
    request = request.with_weights(weights or {})
    return replace(
        request,
        budget=request.budget if budget is None else budget,
        max_changes=max_changes if max_changes is not None else request.max_changes,
    )


def rank(
    job: Job,
    top: int = 20,
    locks: Mapping[str, str | Sequence[str]] | None = None,
    *,
    lock_fitted: bool = False,
    request: Request | None = None,
    in_stock: bool | None = None,
    pareto: bool = False,
    report: Report = lambda _: None,
) -> Ranking:
    """Rank every buildable kit of a job; exact over the stated space.

    Parameters
    ----------
    job : Job
    top : int
        Kits listed; ignored for the Pareto front.
    locks : mapping of slot -> text or ids, optional
        See `search.kits.make_space`.
    lock_fitted : bool
        Keep what is fitted in every slot that `locks` does not name.
    request : Request, optional
        Weights, wanted margin, budget and number of changes; as the job file says, if left out.
    in_stock : bool, optional
        Use only parts in stock or fitted already; as the job file says, if left out.
    pareto : bool
        List the Pareto front of the three scored terms instead.
    report : callable
        Told the share of the work done.

    Returns
    -------
    Ranking

    Raises
    ------
    InputError
        For locks that name no slot, part or setting, or top below 1.
    """
    if top < 1:
        raise InputError([Problem("--top", 0, 0, "", "out of range", str(top), "1 or more")])
    request = request or Request.of(job)
    if in_stock is not None:
        limits = job.spec.limits.model_copy(update={"in_stock": in_stock})
        job = replace(job, spec=job.spec.model_copy(update={"limits": limits}))
    space = make_space(job, locks, lock_fitted=lock_fitted)
    screen = make_screen(job, space, request)
    found = pareto_pairs(screen, report) if pareto else top_pairs(screen, top, report)
    shares = score_shares(request, found.terms)
    kits = tuple(
        RankedKit(
            rank=number + 1,
            score=float(found.scores[number]),
            kit=screen.kit(pair),
            terms={name: float(values[number]) for name, values in found.terms.items()},
            shares={name: float(values[number]) for name, values in shares.items()},
            unpriced=bool(screen.drive.unpriced[pair[0]] or screen.driven.unpriced[pair[1]]),
        )
        for number, pair in enumerate(found.pairs)
    )
    counts = {"space": space.size, **screen.side_counts(), **{rule: found.excluded[rule] for rule in PAIR_RULES}}
    counts |= {"bounded_away": found.bounded_away, "scored": found.scored}
    kits_in_words = f"{space.size:,} kit{'' if space.size == 1 else 's'}"
    guarantee = f"exact over {kits_in_words}"
    if pareto:
        steps = " %, ".join(f"{name} {10.0**-digits:g}" for name, digits in RESOLUTION.items())
        guarantee = f"exact Pareto front over {kits_in_words} at a resolution of {steps} %"
    return Ranking(
        kits=kits,
        counts=counts,
        guarantee=guarantee,
        inputs={**job.inputs, "version": version("kitwright")},
        assumed=job.assumed,
        reasons={**screen.drive.reasons, **screen.driven.reasons, **_PAIR_REASONS},
        emptied_by=() if kits else _emptied_by(screen, found),
    )


def _emptied_by(screen: Screen, found: Found) -> tuple[str, ...]:
    """The rules of the side that has no half left, or of pairs, the largest first."""
    if not len(screen.drive):
        side, counts, reasons = "drive halves", screen.drive.excluded, screen.drive.reasons
    elif not len(screen.driven):
        side, counts, reasons = "driven halves", screen.driven.excluded, screen.driven.reasons
    else:
        side, counts = "kits", dict(found.excluded)
        kit = screen.kit(np.zeros(2, np.intp))
        reasons = {**_PAIR_REASONS, **score_kit(screen.job, kit, screen.request).failures}
    rows = sorted(((n, rule) for rule, n in counts.items() if n), reverse=True)
    return tuple(f"{rule}: {n:,} {side}, for example: {reasons[rule]}" for n, rule in rows)


_PAIR_REASONS = {
    "speed_limit": "the engine would pass its speed limit somewhere in the shift",
    "budget": "the new parts cost more than the budget, or state no price",
    "max_changes": "more slots differ from the fitted kit than wanted",
}
