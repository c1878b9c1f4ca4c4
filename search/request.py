"""What a search is asked for beyond the space: weights, wanted margin, limits, budget, and the kit it starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from catalog.job import Job
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
    """

    weights: Mapping[str, float]
    wanted_margin: float
    limits: LimitInputs
    fitted: Kit
    in_stock: bool = False
    budget: float | None = None
    max_changes: int | None = None

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
