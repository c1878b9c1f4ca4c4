"""Judging builds by rules: which rule each breaks first, what new parts cost, what is in stock."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

from catalog import fit
from catalog.errors import InputError, Problem
from catalog.job import Job
from catalog.jobfile import SLOT_FAMILIES
from catalog.stock import EMPTY, STATIONS, Part
from search.space import Kit, Space, fitted_kit

__all__ = ["Sieve", "bill", "judge_stock", "parts_of"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class Sieve:
    """Marks builds by the first rule they break, and keeps one sentence a rule."""

    def __init__(self, shape: tuple[int, ...], rules: tuple[str, ...]) -> None:
        self.rules = rules
        self.code = np.zeros(shape, np.int8)
        self.reasons: dict[str, str] = {}
        self.alone = self.code.size == 1

    def to_judge(self) -> Index:
        """Builds that later rules still have to look at."""
        return np.argwhere((self.code == 0) | self.alone)

    def verdicts(self, rule: str, axis: int, answers: Iterable[str | None]) -> None:
        """Apply a rule that looks at one slot: one answer for each option along an axis."""
        for number, reason in enumerate(answers):
            if reason is not None:
                here = [slice(None)] * self.code.ndim
                here[axis] = slice(number, number + 1)
                self.mark(rule, tuple(here), reason)

    def mark(self, rule: str, where: object, reason: str | Callable[[Index], str]) -> None:
        """Mark builds that no earlier rule has marked; `where` is an index or a mask."""
        broken = np.zeros(self.code.shape, bool)
        broken[where] = True  # type: ignore[call-overload]
        chosen = broken & (self.code == 0)
        self.code[chosen] = self.rules.index(rule) + 1
        telling = broken if self.alone else chosen  # a single build is told every rule it breaks
        if telling.any():
            self.reasons.setdefault(rule, reason if isinstance(reason, str) else reason(np.argwhere(telling)[0]))

    def counts(self) -> dict[str, int]:
        return {rule: int(np.count_nonzero(self.code == n)) for n, rule in enumerate(self.rules, 1)}


def parts_of(job: Job, space: Space, slot: str) -> list[Part | None]:
    shelf = job.shelf.family(SLOT_FAMILIES[slot])
    known = {EMPTY, *shelf} if slot in STATIONS else set(shelf)
    missing = [name for name in space.options[slot] if name not in known]
    if missing:
        raise InputError([Problem("kit", 0, 0, slot, "no such part", repr(name), f"one of {slot}") for name in missing])
    return [None if name == EMPTY and slot in STATIONS else shelf[name] for name in space.options[slot]]


def judge_stock(job: Job, space: Space, sieve: Sieve, slots: tuple[str, ...]) -> None:
    if not job.spec.limits.in_stock:
        return
    fitted = fitted_kit(job)
    for axis, slot in enumerate(slots):
        sieve.verdicts(
            "in_stock",
            axis,
            (
                None if p is None else fit.out_of_stock(p, p.id == fitted.parts[slot])
                for p in parts_of(job, space, slot)
            ),
        )


def bill(
    job: Job, space: Space, slots: tuple[str, ...], choice: Index
) -> tuple[Array, NDArray[np.bool_], NDArray[np.int64]]:
    """Cost of new parts, whether one lacks a price, and the number of changed slots, of each build."""
    fitted = fitted_kit(job)
    cost = np.zeros(len(choice))
    unpriced = np.zeros(len(choice), bool)
    changes = np.zeros(len(choice), np.int64)
    for column, slot in enumerate(slots):
        if slot == "twist":
            probes = [Kit(fitted.parts, {"twist": twist}) for twist in space.twists]
            changed = np.array(["twist" in probe.changes(fitted) for probe in probes])
            changes += changed[choice[:, column]]
            continue
        parts = parts_of(job, space, slot)
        changed = np.array([(p.id if p else EMPTY) != fitted.parts[slot] for p in parts])
        price = np.array([p.price.amount if p and p.price else 0.0 for p in parts])
        missing = np.array([p is not None and p.price is None for p in parts])
        pick = choice[:, column]
        changes += changed[pick]
        cost += np.where(changed, price, 0.0)[pick]
        unpriced |= (changed & missing)[pick]
    return cost, unpriced, changes
