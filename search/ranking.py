"""`rank`: the buildable kits of a job in order, with the guarantee, the counts and what was assumed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from math import inf
from numbers import Integral
from typing import TYPE_CHECKING, Any

from catalog.errors import InputError, Problem
from catalog.job import Job
from catalog.slots import BELT
from search.exact.keepers import BestKits, Keeper
from search.exact.pareto import RESOLUTION, ParetoFront
from search.exact.search import MOST_DRIVE, MOST_DRIVEN, Found, Watch, search_space
from search.pair_rules import PAIR_RULES
from search.request import Request
from search.score import score_kit, shares_of
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, SLOT_NAMES, Kit, Space, make_space, show_twist
from search.terms import UNITS

if TYPE_CHECKING:
    import pandas as pd

    from search.workers import Executor

__all__ = ["RankedKit", "Ranking", "rank", "request_of"]


_MOST_PIECES = 25  # of a space with very many builds: a few minutes


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
        "space", then each rule's excluded kits, "bounded_away", "scored" and "unsettled"; all but "space" add up to
        it. Rules of pairs are counted only where no bound has settled a kit before.
    guarantee : str
        What the order is worth, in words.
    stopped : str
        Why the search ended before everything was settled; empty if it did not.
    bound : float or None
        No kit that should be listed and is not scores below this; None if all are settled.
    inputs : mapping of str -> str
        Hashes of job, machine and catalogue as they were read, and the version.
    assumed : tuple of str
        What the files leave open. Neither knows of a record of inputs that was replaced since.
    warnings : tuple of str
        What the files ask for and cannot have, with its place.
    reasons : mapping of rule -> str
        One example of what each rule left out.
    emptied_by : tuple of str
        Where nothing is left: the rules of the side that has nothing left, with counts and examples.
    """

    kits: tuple[RankedKit, ...]
    counts: Mapping[str, int]
    guarantee: str
    stopped: str
    bound: float | None
    inputs: Mapping[str, str]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]
    reasons: Mapping[str, str]
    emptied_by: tuple[str, ...] = ()

    @property
    def proven(self) -> bool:
        """Whether nothing better can have been missed."""
        return not self.stopped

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "guarantee": self.guarantee,
            "proven": self.proven,
            "bound": self.bound,
            "counts": dict(self.counts),
            "inputs": dict(self.inputs),
            "assumed": list(self.assumed),
            "warnings": list(self.warnings),
            "units": dict(UNITS),
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
        As `Request` does, and for weights that are all 0.
    """
    request = Request.of(job)
    request = replace(
        request,
        weights={**request.weights, **(weights or {})},
        budget=request.budget if budget is None else budget,
        max_changes=request.max_changes if max_changes is None else max_changes,
    )
    if not any(request.weights.values()):
        raise InputError([Problem("weights", 0, 0, "", "all weights are 0: there is nothing to rank by")])
    return request


def rank(
    job: Job,
    top: int = 20,
    locks: Mapping[str, str | Sequence[str]] | None = None,
    *,
    lock_fitted: bool = False,
    request: Request | None = None,
    in_stock: bool | None = None,
    pareto: bool = False,
    best_per: str | None = None,
    plain: bool = False,
    watch: Watch | None = None,
    executor: Executor | None = None,
) -> Ranking:
    """Rank every buildable kit of a job; exact over the stated space.

    Parameters
    ----------
    job : Job
    top : int
        Kits listed; ignored for the Pareto front and for the best of each option.
    locks : mapping of slot -> text or ids, optional
        See `search.space.make_space`.
    lock_fitted : bool
        Keep what is fitted in every slot that `locks` does not name.
    request : Request, optional
        Weights, wanted margin, budget and number of changes; as the job file says, if left out.
    in_stock : bool, optional
        Use only parts in stock or fitted already; as the job file says, if left out.
    pareto : bool
        List the Pareto front of the three scored terms instead.
    best_per : str, optional
        List the best kit for each option of this slot instead.
    plain : bool
        Balance every kit in full instead of bounding most away: the same answer, far more slowly.
    watch : Watch, optional
        Who is told of the progress, and how long the search may take. A search that is stopped, or interrupted from
        the keyboard, lists the best kits it has seen.
    executor : Executor, optional
        What does the shares of the work, of `concurrent.futures` or anything else with such a `map` that shares memory;
        threads of the search's own, if left out. Not one whose only thread is the caller's: it would wait for itself.

    Returns
    -------
    Ranking

    Raises
    ------
    InputError
        For locks that name no slot, part or setting, top below 1, no such slot, two lists asked for at once, or a space
        of more builds than a search works through, unless `watch` sets a time.
    """
    keeper_of = _check(top, pareto=pareto, best_per=best_per)
    request = request or Request.of(job)
    if in_stock is not None:
        request = replace(request, in_stock=in_stock)
    space = make_space(job, locks, lock_fitted=lock_fitted, where="locks")
    _check_size(space, watch)
    keeper = keeper_of(space)
    found = search_space(job, space, request, keeper, watch, plain=plain, executor=executor)
    counts = {"space": space.size, **found.excluded, "bounded_away": found.bounded_away, "scored": found.scored}
    kits = _listed(space, request, keeper)
    return Ranking(
        kits=kits,
        counts=counts | {"unsettled": found.unsettled},
        guarantee=_guarantee(space, found, kits, pareto=pareto, best_per=best_per),
        stopped=found.stopped,
        bound=found.bound if found.stopped else None,
        inputs={**job.hashes, "version": version("kitwright")},
        assumed=job.assumed,
        warnings=tuple(str(problem) for problem in job.warnings),
        reasons={**found.reasons, **_PAIR_REASONS},
        emptied_by=() if kits else _emptied_by(job, request, found),
    )


def _check(top: int, *, pareto: bool, best_per: str | None) -> Callable[[Space], Keeper]:
    """What keeps the answer asked for, once the space is known."""
    if not isinstance(top, Integral) or isinstance(top, bool):
        raise InputError([Problem("top", 0, 0, "", "not a whole number", repr(top), "1 or more")])
    if top < 1:
        raise InputError([Problem("top", 0, 0, "", "out of range", str(top), "1 or more")])
    if best_per is None:
        return lambda _: ParetoFront() if pareto else BestKits(top)
    if best_per not in SLOT_NAMES:
        raise InputError([Problem("best_per", 0, 0, "", "no such slot", repr(best_per), ", ".join(SLOT_NAMES))])
    if pareto:
        raise InputError([Problem("best_per", 0, 0, "", "two lists asked for", "pareto too", "one of the two")])
    return lambda space: BestKits(1, best_per, len(space.options[best_per]))


def _check_size(space: Space, watch: Watch | None) -> None:
    """Refuse what would take far longer than anybody waits, unless it is to end early anyway."""
    drive, driven = space.count(DRIVE_SLOTS), space.count(DRIVEN_SLOTS)
    pieces = -(-drive // MOST_DRIVE) * -(-driven // MOST_DRIVEN) * len(space.options[BELT])
    if pieces <= _MOST_PIECES or (watch is not None and watch.seconds < inf):
        return
    longest = max(space.options, key=lambda slot: len(space.options[slot]))
    got = f"{drive:,} drive builds with {driven:,} driven builds"
    most = f"at most {_MOST_PIECES} times {MOST_DRIVE:,} with {MOST_DRIVEN:,}"
    hint = f"lock some slots ({longest} has {len(space.options[longest]):,} options), or set a time limit."
    raise InputError([Problem("locks", 0, 0, "", "more kits than can be searched to the end", got, most, hint)])


def _listed(space: Space, request: Request, keeper: Keeper) -> tuple[RankedKit, ...]:
    kept = keeper.kept
    if kept is None:
        return ()
    shares = shares_of(request, kept.terms)
    return tuple(
        RankedKit(
            rank=number + 1,
            score=float(kept.scores[number]),
            kit=space.kit(choice),
            terms={name: float(values[number]) for name, values in kept.terms.items()},
            shares={name: float(values[number]) for name, values in shares.items()},
            unpriced=bool(kept.unpriced[number]),
        )
        for number, choice in enumerate(kept.choices)
    )


def _guarantee(space: Space, found: Found, kits: tuple[RankedKit, ...], *, pareto: bool, best_per: str | None) -> str:
    """What the list is worth, in words."""
    over = f"over {space.size:,} kit{'' if space.size == 1 else 's'}"
    if found.stopped:
        words = f"not proven {over} ({found.stopped}): {found.unsettled:,} are not settled"
        if pareto or best_per or not kits or found.bound <= 0:
            return words
        standing = sum(kit.score < found.bound - 1e-9 for kit in kits)
        gap = f"{kits[0].score - found.bound:.3f} below the best listed"
        if standing:
            gap = "so the first listed stands" if standing == 1 else f"so the first {standing} listed stand"
        return f"{words}, and none that is missed scores below {found.bound:.3f}, {gap}"
    if pareto:
        steps = ", ".join(f"{name} {10.0**-digits:g} %" for name, digits in RESOLUTION.items())
        return f"exact Pareto front {over} at a resolution of {steps}"
    return f"exact {over}" + (f", the best for each {best_per.replace('_', ' ')}" if best_per else "")


def _emptied_by(job: Job, request: Request, found: Found) -> tuple[str, ...]:
    """The rules of the side that has no build left, or of pairs, the largest first."""
    if found.stopped:
        return (f"nothing yet: {found.stopped}",)
    if found.example is not None:
        of, counts, reasons = "kits", {rule: found.excluded[rule] for rule in _PAIR_REASONS}, dict(_PAIR_REASONS)
        reasons |= score_kit(job, found.example, request).failures
    elif not any(map(bool, found.builds_excluded)) and not any(found.builds_left):  # no belt left to build for
        of, counts, reasons = "kits", found.excluded, found.reasons
    else:
        side = 0 if not found.builds_left[0] else 1
        of, counts, reasons = ("drive builds", "driven builds")[side], found.builds_excluded[side], found.reasons
    rows = sorted(((n, rule) for rule, n in counts.items() if n), reverse=True)
    return tuple(f"{rule}: {n:,} {of if n > 1 else of[:-1]}, for example: {reasons[rule]}" for n, rule in rows)


_PAIR_REASONS = {rule.name: rule.summary for rule in PAIR_RULES}
