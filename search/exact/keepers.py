"""What a search keeps: the best kits, the best of each option of a slot; and how wide a flatness may still matter."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from search.exact.blocks import Ends
from search.exact.pairs import Pairs, Sides
from search.score import belt_life, pair_terms
from search.space import SLOT_NAMES

__all__ = ["BestKits", "Keeper", "Kept"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_ROUNDED, _RELATIVE = 2e-9, 1e-12  # scores are rounded to 1e-9: a bound this much above may still be a tie


@dataclass(frozen=True)
class Kept:
    """Kits balanced in full.

    Attributes
    ----------
    choices : ndarray of int, shape (k, slots)
        Number of each slot's option in the space; their order is the tie order.
    scores : ndarray, shape (k,)
    terms : mapping of term -> ndarray of shape (k,)
    unpriced : ndarray of bool, shape (k,)
        Whether a new part states no price.
    """

    choices: Index
    scores: Array
    terms: Mapping[str, Array] = field(repr=False)
    unpriced: NDArray[np.bool_] = field(repr=False)

    def __len__(self) -> int:
        return len(self.scores)

    @staticmethod
    def of(sides: Sides, pairs: Pairs) -> Kept:
        """Balance pairs of builds."""
        terms, scores = pair_terms(sides.stage, sides.drive, sides.driven, pairs)
        unpriced = sides.drive.unpriced[pairs[:, 0]] | sides.driven.unpriced[pairs[:, 1]]
        return Kept(sides.choices(pairs), scores, terms, unpriced)

    def take(self, chosen: Index) -> Kept:
        """Some of the kits."""
        terms = {name: values[chosen] for name, values in self.terms.items()}
        return Kept(self.choices[chosen], self.scores[chosen], terms, self.unpriced[chosen])

    def joined(self, other: Kept) -> Kept:
        """These kits and those."""
        return Kept(
            np.concatenate([self.choices, other.choices]),
            np.concatenate([self.scores, other.scores]),
            {name: np.concatenate([values, other.terms[name]]) for name, values in self.terms.items()},
            np.concatenate([self.unpriced, other.unpriced]),
        )

    def with_terms(self, terms: Mapping[str, Array]) -> Kept:
        """The same kits with further terms."""
        return replace(self, terms={**self.terms, **terms})

    def in_order(self) -> Index:
        """Numbers of the kits, best score first, equal scores by slot options."""
        order = np.argsort(self.scores, kind="stable")
        scores = self.scores[order]
        tied = np.concatenate([[False], scores[1:] == scores[:-1], [False]])
        again = np.flatnonzero(tied[1:] | tied[:-1])  # only these are told apart by their options: they are few
        among = order[again]
        order[again] = among[np.lexsort((*self.choices[among].T[::-1], self.scores[among]))]
        return order


class Keeper(ABC):
    """Keeps what is asked for of the kits it is shown, and says which kits need not be shown."""

    kept: Kept | None = None
    split: str | None = None  # slot whose options are looked at one by one

    def add(self, sides: Sides, pairs: Pairs) -> None:
        """Balance pairs, and keep what is asked for of them and of the kits kept so far."""
        fresh = Kept.of(sides, pairs)
        hopeful = np.flatnonzero(self.hopeful(fresh))
        if not len(hopeful):
            return
        fresh = fresh.take(hopeful).with_terms(belt_life(sides.stage, sides.driven, pairs[hopeful, 1]))
        together = fresh if self.kept is None else self.kept.joined(fresh)
        together = together.take(together.in_order())
        self.kept = together.take(self.choose(together))  # one step, so that an interruption leaves it whole

    @abstractmethod
    def choose(self, kits: Kept) -> Index:
        """Which kits to keep, given best score first; in that order."""

    @abstractmethod
    def hopeful(self, kits: Kept) -> NDArray[np.bool_]:
        """Which kits could be kept beside what is kept so far: at least all that should be."""

    @abstractmethod
    def widest(self, sides: Sides, ends: Ends, columns: Index) -> Array:
        """Widest flatness [%] with which each pair could still be kept; below 0 if none is narrow enough.

        Parameters
        ----------
        sides : Sides
        ends : Ends
            The drive side of k pairs.
        columns : ndarray of int, shape (k,)
            Their driven builds.
        """


class BestKits(Keeper):
    """The best kits of a space, or the best for each option of a slot.

    Parameters
    ----------
    count : int
        Kits kept, of each option if a slot is given.
    slot : str, optional
    options : int
        Number of the slot's options in the space.
    """

    def __init__(self, count: int, slot: str | None = None, options: int = 1) -> None:
        self.count, self.split, self.options = count, slot, options
        self._last: tuple[Kept | None, Array] = None, np.full(options, np.inf)

    def choose(self, kits: Kept) -> Index:
        option = self._option(kits.choices)
        order = np.argsort(option, kind="stable")
        first = np.searchsorted(option[order], option[order])  # where the run of each option starts
        return np.sort(order[np.arange(len(order)) - first < self.count])

    def hopeful(self, kits: Kept) -> NDArray[np.bool_]:
        return np.asarray(kits.scores <= self._limits()[self._option(kits.choices)])

    def widest(self, sides: Sides, ends: Ends, columns: Index) -> Array:
        limits = self._limits()
        of = limits[0] if self.split is None else limits[sides.option(ends, columns)]
        room: Array = of * (1 + _RELATIVE) + _ROUNDED - ends.points - sides.driven_points[columns]
        weight = sides.request.weights["flatness"]
        if weight == 0:
            return np.where(room >= 0, np.inf, -1.0)
        return np.where(room >= 0, room / weight, -1.0)

    def _limits(self) -> Array:
        """Score of the last kit kept of each option, once all places are taken; worked out once for what is kept."""
        kept, limits = self._last
        if kept is not self.kept:
            kept = self.kept
            assert kept is not None
            option = self._option(kept.choices)
            taken = np.bincount(option, minlength=self.options) >= self.count
            last = np.full(self.options, -np.inf)
            np.maximum.at(last, option, kept.scores)
            limits = np.where(taken, last, np.inf)
            self._last = kept, limits
        return limits

    def _option(self, choices: Index) -> Index:
        """Which option of the slot each kit has; 0 if there is no slot."""
        at = np.zeros(len(choices), np.intp) if self.split is None else choices[:, SLOT_NAMES.index(self.split)]
        return np.asarray(at)
