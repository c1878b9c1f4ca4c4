"""Kits, spaces and locks: which combinations a request speaks of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

import numpy as np

from catalog.errors import InputError, Problem, QuantityError
from catalog.job import Job
from catalog.parts import Helix, TuningMass
from catalog.quantities import show, to_si
from catalog.reading import Document
from catalog.slots import BELT, EMPTY, SLOT_FAMILIES, SLOTS, TWIST, names_of

__all__ = [
    "DRIVEN_SLOTS",
    "DRIVE_SLOTS",
    "SLOT_NAMES",
    "Kit",
    "Space",
    "fitted_kit",
    "kit_from_texts",
    "make_space",
    "options_of",
    "show_twist",
]

SLOT_NAMES = tuple(SLOTS)
DRIVE_SLOTS, DRIVEN_SLOTS = names_of("drive"), names_of("driven")
_SAME_TWIST = np.radians(0.1)


@dataclass(frozen=True)
class Kit:
    """One choice for every slot.

    Attributes
    ----------
    parts : mapping of slot -> part id
        An empty slot holds "empty".
    settings : mapping of "twist" -> float or None
        Twist of the driven spring [rad]; None if it is not wound.
    """

    parts: Mapping[str, str]
    settings: Mapping[str, float | None] = field(default_factory=lambda: {TWIST: None})

    @property
    def order(self) -> tuple[Any, ...]:
        """Tie order: the choices in the order of the slots."""
        twist = self.settings[TWIST]
        return tuple((-1.0 if twist is None else twist) if slot == TWIST else self.parts[slot] for slot in SLOTS)

    def changes(self, other: Kit) -> tuple[str, ...]:
        """Slots in which two kits differ."""
        slots = [slot for slot in SLOT_FAMILIES if self.parts[slot] != other.parts[slot]]
        return (*slots, *(() if same_twist(self.settings[TWIST], other.settings[TWIST]) else (TWIST,)))

    def words(self) -> dict[str, str]:
        """Slot -> text, settings included."""
        return {slot: show_twist(self.settings[TWIST]) if slot == TWIST else self.parts[slot] for slot in SLOTS}


def same_twist(one: float | None, other: float | None) -> bool:
    """Whether two twists [rad] are one setting, within the 0.1 deg to which a twist is set."""
    return one is other if one is None or other is None else abs(one - other) <= _SAME_TWIST


def show_twist(twist: float | None) -> str:
    """Twist as it is written in files and on the command line."""
    return "none" if twist is None else show(twist, "rad", 4)


@dataclass(frozen=True)
class Space:
    """The options of every slot, rising: part ids, or twists [rad] with None for a spring that is not wound."""

    options: Mapping[str, tuple[Any, ...]]

    @staticmethod
    def of(kit: Kit) -> Space:
        """The space of one kit."""
        return Space({slot: ((kit.settings if slot == TWIST else kit.parts)[slot],) for slot in SLOTS})

    def count(self, slots: Sequence[str]) -> int:
        """Number of combinations of some slots; it may be far beyond what fits an integer of numpy."""
        return int(np.prod([len(self.options[slot]) for slot in slots], dtype=object))

    @property
    def size(self) -> int:
        """Number of kits."""
        return self.count(SLOT_NAMES)

    def only(self, slot: str, options: tuple[Any, ...]) -> Space:
        """The space with other options in one slot."""
        return replace(self, options={**self.options, slot: options})

    def kit(self, choice: Sequence[int]) -> Kit:
        """The kit of one option number for each slot."""
        chosen = {slot: self.options[slot][number] for slot, number in zip(SLOTS, choice, strict=True)}
        twist = chosen.pop(TWIST)
        return Kit(chosen, {TWIST: twist})

    def cut(self, slots: Sequence[str], most: int) -> list[Space]:
        """The space in parts with at most this many combinations of some slots; each part has runs of options."""
        if self.count(slots) <= most:
            return [self]
        slot = max(slots, key=lambda name: len(self.options[name]))
        options = self.options[slot]
        middle = len(options) // 2
        return [
            piece for run in (options[:middle], options[middle:]) for piece in self.only(slot, run).cut(slots, most)
        ]

    def numbers(self, part: Space) -> list[int]:
        """Number in this space of the first option of a part of it, for each slot."""
        return [self.options[slot].index(part.options[slot][0]) for slot in SLOTS]


def fitted_kit(job: Job) -> Kit:
    """The kit that is in the machine now."""
    twist = job.spec.fitted.twist
    return Kit(job.spec.fitted_parts, {TWIST: None if twist == "none" else _canonical(job, float(twist))})


def _canonical(job: Job, twist: float) -> float:
    """The twist of the search grid that a twist means, the nearest, or the twist itself if none is near."""
    near = [t for t in job.twists if t is not None and same_twist(t, twist)]
    return min(near, key=lambda t: abs(t - twist), default=round(twist, 9))


def kit_from_texts(job: Job, texts: Mapping[str, str], where: str, document: Document | None = None) -> Kit:
    """Read a kit from slot -> text, twist included; slots left out keep what is fitted.

    Parameters
    ----------
    job : Job
    texts : mapping of slot -> text
    where : str
        How problems name the source of the texts.
    document : Document, optional
        A kit file, in whose `kit` mapping problems are placed.

    Raises
    ------
    InputError
        For an unknown slot, part or setting.
    """
    space = make_space(job, texts, lock_fitted=True, where=where, document=document)
    problems = [
        _Source(where, document, "kit").problem(slot, "a kit holds one choice a slot", texts.get(slot, ""), "one")
        for slot in SLOTS
        if len(space.options[slot]) != 1
    ]
    if problems:
        raise InputError(problems)
    return space.kit([0] * len(SLOTS))


def make_space(
    job: Job,
    locks: Mapping[str, str | Sequence[str]] | None = None,
    *,
    lock_fitted: bool = False,
    where: str = "--lock",
    document: Document | None = None,
) -> Space:
    """The space of kits that a job and its locks leave. The belt is the fitted one unless a lock frees it.

    Parameters
    ----------
    job : Job
    locks : mapping of slot -> text or ids, optional
        "id", "id,id", "any"; for twist "20 deg", "10 deg,20 deg", "10 deg..30 deg", "none", "any". They come on
        top of the locks of the job file.
    lock_fitted : bool
        Keep what is fitted in every slot that `locks` does not name.
    where : str
        How problems name the source of the locks.
    document : Document, optional
        A kit file in whose `kit` mapping the locks stand.

    Returns
    -------
    Space

    Raises
    ------
    InputError
        For locks that name no slot, part or setting.
    """
    problems: list[Problem] = []
    options: dict[str, tuple[Any, ...]] = {slot: options_of(job, slot) for slot in SLOTS}
    options[BELT] = (job.spec.belt,)

    def apply(source: _Source, stage: Mapping[str, Any]) -> None:
        for slot, wanted in stage.items():
            words = [w.strip() for w in (wanted.split(",") if isinstance(wanted, str) else wanted)]
            if not any(words):
                problems.append(source.problem(slot, "nothing is chosen", repr(wanted), "an id, several, or any"))
            elif slot not in SLOTS:
                problems.append(source.problem(slot, "no such slot", repr(slot), ", ".join(SLOTS)))
            elif words == ["any"]:
                options[slot] = options_of(job, slot)
            elif slot == TWIST:
                options[slot] = _lock_twist(job, words, source, problems) or options[slot]
            else:
                options[slot] = _lock_parts(job, slot, words, source, problems)

    apply(_Source(str(job.file), job.document, "locks"), {str(slot): text for slot, text in job.spec.locks.items()})
    if lock_fitted:
        fitted = Space.of(fitted_kit(job)).options
        options |= {slot: fitted[slot] for slot in SLOTS if slot not in (locks or {})}
    apply(_Source(where, document, "kit"), locks or {})
    if problems:
        raise InputError(problems)
    return Space(options)


def options_of(job: Job, slot: str) -> tuple[Any, ...]:
    """All that a slot may hold, rising; "empty" is one of them where a slot may be empty."""
    if slot == TWIST:
        return job.twists
    parts = job.shelf.family(SLOT_FAMILIES[slot])
    fitting = (i for i, part in parts.items() if not isinstance(part, TuningMass) or slot in part.stations)
    return tuple(sorted([*fitting, *([EMPTY] if SLOTS[slot].may_be_empty else [])]))


@dataclass(frozen=True)
class _Source:
    """Where locks stand, so that a problem can be placed."""

    file: str
    document: Document | None
    key: str

    def problem(self, slot: str, message: str, got: str, expected: str, hint: str = "") -> Problem:
        line, column = self.document.place((self.key, slot)) if self.document else (0, 0)
        path = f"{self.key}.{slot}" if self.document else slot
        return Problem(self.file, line, column, path, message, got, expected, hint)


def _lock_parts(job: Job, slot: str, words: Sequence[str], source: _Source, problems: list[Problem]) -> tuple[str, ...]:
    """Ids that a lock leaves in a slot."""
    known = set(options_of(job, slot))
    family = SLOT_FAMILIES[slot].replace("_", " ")
    for word in words:
        if word not in known:
            near = get_close_matches(word, sorted(known), 1)
            hint = f"did you mean {near[0]!r}?" if near else "kitwright check --list shows the ids."
            problems.append(source.problem(slot, "no such part", repr(word), f"one of {len(known)} {family}", hint))
    return tuple(sorted(known & set(words)))


def _lock_twist(job: Job, words: Sequence[str], source: _Source, problems: list[Problem]) -> tuple[float | None, ...]:
    """Twists that a lock leaves; a single angle need not lie on the search grid if some helix can be set to it."""
    left: list[float | None] = []
    for word in words:
        try:
            if word == "none":
                left.append(None)
            elif ".." in word:
                low, high = (to_si(end.strip(), "rad") for end in word.split("..", 1))
                inside = [t for t in job.twists if t is not None and low - _SAME_TWIST <= t <= high + _SAME_TWIST]
                if not inside:
                    problems.append(source.problem(TWIST, "no setting lies in this range", repr(word), _offered(job)))
                left += inside
            else:
                angle = to_si(word, "rad")
                setting = _canonical(job, angle)
                if setting not in job.twists and not any(helix.takes_twist(angle) for helix in _helices(job)):
                    problems.append(source.problem(TWIST, "no helix takes this twist", repr(word), _offered(job)))
                left.append(setting)
        except QuantityError as error:
            problems.append(source.problem(TWIST, error.message, repr(word), error.expected, error.hint))
    return tuple(sorted(set(left), key=lambda t: -1.0 if t is None else t))


def _helices(job: Job) -> list[Helix]:
    return [helix for helix in job.shelf.family("helices").values() if isinstance(helix, Helix)]


def _offered(job: Job) -> str:
    angles = [twist for twist in job.twists if twist is not None]
    return f"{show(min(angles), 'rad')} to {show(max(angles), 'rad')}" if angles else "none: no helix has a twist"
