"""What a search is asked for beyond the space: weights, wanted margin, limits, budget, and the kit it starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf

from catalog.errors import InputError, Problem
from catalog.job import Job
from catalog.jobfile import MOST_WEIGHT, Weights
from search.space import Kit, fitted_kit
from solver.inputs import LimitInputs

__all__ = ["Request"]


@dataclass(frozen=True)
class Request:
    """What is asked of the kits of a space.

    Attributes
    ----------
    weights : mapping of term -> float
        Points of each scored term, see `search.terms`.
    wanted_margin : float [-]
        Belt margin of which what is missing costs points, and to which springs are as light as they can be.
    limits : LimitInputs
        What a kit must keep to be buildable.
    fitted : Kit
        What is in the machine now: its parts cost nothing and are no change.
    in_stock : bool
        Whether only parts in stock or fitted already may be used.
    budget : float or None
        Most that new parts may cost, in the catalogue's currency.
    max_changes : int or None
        Most slots that may differ from the fitted kit.

    Raises
    ------
    InputError
        For a weight that names no term, and numbers that are negative, too large or none; also from `replace`.
    """

    weights: Mapping[str, float]
    wanted_margin: float
    limits: LimitInputs
    fitted: Kit
    in_stock: bool = False
    budget: float | None = None
    max_changes: int | None = None

    def __post_init__(self) -> None:
        problems, terms = [], tuple(Weights.model_fields)
        for name, value in self.weights.items():
            if name not in terms:
                problems.append(Problem("weights", 0, 0, name, "no such term", repr(name), ", ".join(terms)))
            elif not 0 <= value <= MOST_WEIGHT:
                wanted = f"0 to {MOST_WEIGHT:g}"
                problems.append(Problem("weights", 0, 0, name, "weight out of range", str(value), wanted))
        numbers = {"wanted_margin": self.wanted_margin, "budget": self.budget, "max_changes": self.max_changes}
        problems += [
            Problem(name, 0, 0, "", "out of range", str(number), "0 or more")
            for name, number in numbers.items()
            if number is not None and not 0 <= number < inf
        ]
        if problems:
            raise InputError(problems)

    @staticmethod
    def of(job: Job) -> Request:
        """The request that the job file itself makes."""
        rule, limits = job.spec.score, job.spec.limits
        return Request(
            weights=rule.weights.model_dump(),
            wanted_margin=rule.wanted_margin,
            limits=job.inputs.limits,
            fitted=fitted_kit(job),
            in_stock=limits.in_stock,
            budget=limits.budget.amount if limits.budget else None,
        )

    def with_weights(self, changed: Mapping[str, float]) -> Request:
        """The same with some weights changed."""
        return replace(self, weights={**self.weights, **changed})
