"""The terms of a kit, one row each: label, unit, digits, which way is better, and what it adds to the score."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from search.request import Request

__all__ = ["SCORED", "TERMS", "UNITS", "Term", "points_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Term:
    """One term of a kit.

    Attributes
    ----------
    name : str
    label : str
        As screens print it.
    unit : str
        Of values and of JSON; a cost is in the catalogue's currency.
    digits : int
        Decimals that a table shows.
    better : -1, 0 or 1
        Whether a smaller or a larger value is better; 0 if neither is.
    belongs_to : str
        "pair" if both sides must be balanced together, "sides" if it is a sum or a value of the sides alone.
    points : callable, optional
        Points before the weight of a scored term, of a value and the request; None if the term is not scored. Every
        scored term but those of a pair is known before any balance: the bounds of the search stand on that.
    """

    name: str
    label: str
    unit: str
    digits: int
    better: Literal[-1, 0, 1]
    belongs_to: Literal["pair", "sides"]
    points: Callable[[Array, Request], Array] | None = None


def _missing_margin(value: Array, request: Request) -> Array:
    return np.asarray(np.maximum(100 * request.wanted_margin - value, 0.0) / 10)


_ROWS = (
    Term("flatness", "flatness", "%", 2, -1, "pair", lambda value, _: value),
    Term("spring_loss", "spring loss", "%", 2, -1, "sides", lambda value, _: value),
    Term("belt_margin", "belt margin", "%", 1, 1, "sides", _missing_margin),
    Term("worst_high", "worst high", "rpm", 0, -1, "pair"),
    Term("worst_low", "worst low", "rpm", 0, 1, "pair"),
    Term("engagement", "engagement", "rpm", 0, 0, "sides"),
    Term("ground_power", "ground power", "%", 1, 1, "pair"),
    Term("belt_temperature", "belt temperature", "degC", 0, -1, "sides"),
    Term("belt_life", "belt life", "x fitted", 2, 1, "sides"),
    Term("unbalanced", "unbalanced", "duty points", 0, -1, "pair"),
    Term("cost", "cost", "", 2, -1, "sides"),
    Term("changes", "changes", "", 0, -1, "sides"),
)
TERMS: Mapping[str, Term] = {term.name: term for term in _ROWS}
UNITS = {term.name: term.unit for term in _ROWS}
SCORED = tuple(term.name for term in _ROWS if term.points is not None)


def points_of(name: str, value: Array, request: Request) -> Array:
    """Points that a scored term adds to the score.

    Parameters
    ----------
    name : str
        One of `SCORED`.
    value : ndarray
        In the unit of the term.
    request : Request

    Returns
    -------
    ndarray, shape of the value
    """
    points = TERMS[name].points
    assert points is not None
    return np.asarray(request.weights[name] * points(value, request))
