"""Kits, slots and locks: which combinations a request speaks of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

import numpy as np

from catalog.errors import InputError, Problem, QuantityError
from catalog.job import Job
from catalog.jobfile import SLOT_FAMILIES
from catalog.parts import Helix, TuningMass
from catalog.quantities import show, to_si
from catalog.reading import Document
from catalog.stock import EMPTY, STATIONS

__all__ = [
    "DRIVEN_SLOTS",
    "DRIVE_SLOTS",
    "SLOTS",
    "Kit",
    "Space",
    "fitted_kit",
    "kit_from_texts",
    "make_space",
    "show_twist",
]

DRIVE_SLOTS = ("drive_spring", "flyweight", *STATIONS)
DRIVEN_SLOTS = ("driven_spring", "helix")
SLOTS = (*DRIVE_SLOTS, *DRIVEN_SLOTS, "twist")
_SAME_TWIST = np.radians(0.1)


@dataclass(frozen=True)
class Kit:
    """One choice for every slot.

    Attributes
    ----------
    parts : mapping of slot -> part id
        An empty station holds "empty".
    settings : mapping of "twist" -> float or None
        Twist of the driven spring [rad]; None if it is not wound.
    """

    parts: Mapping[str, str]
    settings: Mapping[str, float | None] = field(default_factory=lambda: {"twist": None})

    @property
    def order(self) -> tuple[Any, ...]:
        """Tie order: slot ids, then twist."""
        twist = self.settings["twist"]
        return (*(self.parts[slot] for slot in SLOT_FAMILIES), -1.0 if twist is None else twist)

    def changes(self, other: Kit) -> tuple[str, ...]:
        """Slots in which two kits differ."""
        slots = [slot for slot in SLOT_FAMILIES if self.parts[slot] != other.parts[slot]]
        mine, theirs = self.settings["twist"], other.settings["twist"]
        same = mine is theirs if mine is None or theirs is None else abs(mine - theirs) <= _SAME_TWIST
        return (*slots, *(() if same else ("twist",)))

    def words(self) -> dict[str, str]:
        """Slot -> text, twist included."""
        return {**self.parts, "twist": show_twist(self.settings["twist"])}


def show_twist(twist: float | None) -> str:
    """Twist as it is written in files and on the command line."""
    return "none" if twist is None else show(twist, "rad", 4)


@dataclass(frozen=True)
class Space:
    """The options of every slot, ids rising.

    Attributes
    ----------
    options : mapping of slot -> tuple of ids
    twists : tuple of (float or None)
    """

    options: Mapping[str, tuple[str, ...]]
    twists: tuple[float | None, ...]

    @staticmethod
    def of(kit: Kit) -> Space:
        """The space of one kit."""
        return Space({slot: (kit.parts[slot],) for slot in SLOT_FAMILIES}, (kit.settings["twist"],))

    def side_sizes(self) -> tuple[int, int]:
        """Number of drive builds and of driven builds."""
        drive = int(np.prod([len(self.options[s]) for s in DRIVE_SLOTS], dtype=object))
        driven = int(np.prod([len(self.options[s]) for s in DRIVEN_SLOTS], dtype=object)) * len(self.twists)
        return drive, driven

    @property
    def size(self) -> int:
        """Number of kits."""
        drive, driven = self.side_sizes()
        return drive * driven

    def of_slot(self, slot: str) -> tuple[Any, ...]:
        """The options of a slot, twist included."""
        return self.twists if slot == "twist" else self.options[slot]

    def kit(self, choice: Sequence[int]) -> Kit:
        """The kit of one option number for each of `SLOTS`."""
        *parts, twist = (self.of_slot(slot)[number] for slot, number in zip(SLOTS, choice, strict=True))
        return Kit(dict(zip(SLOT_FAMILIES, parts, strict=True)), {"twist": twist})

    def cut(self, slots: Sequence[str], most: int) -> list[Space]:
        """The space in parts with at most this many combinations of some slots; each part has runs of options."""
        counts = [len(self.of_slot(slot)) for slot in slots]
        if int(np.prod(counts, dtype=object)) <= most:
            return [self]
        slot = slots[int(np.argmax(counts))]
        options = self.of_slot(slot)
        halves = options[: len(options) // 2], options[len(options) // 2 :]
        parts = [
            replace(self, twists=half) if slot == "twist" else replace(self, options={**self.options, slot: half})
            for half in halves
        ]
        return [piece for part in parts for piece in part.cut(slots, most)]

    def numbers(self, part: Space) -> list[int]:
        """Number in this space of the first option of a part of it, for each of `SLOTS`."""
        return [self.of_slot(slot).index(part.of_slot(slot)[0]) for slot in SLOTS]


def fitted_kit(job: Job) -> Kit:
    """The kit that is in the machine now."""
    fitted = job.spec.fitted
    twist = None if fitted.twist == "none" else _canonical(job, float(fitted.twist))
    return Kit({slot: getattr(fitted, slot) for slot in SLOT_FAMILIES}, {"twist": twist})


def _canonical(job: Job, twist: float) -> float:
    """The twist of the search grid that a twist means, or the twist itself if none is near."""
    return next((t for t in job.twists if t is not None and abs(t - twist) <= _SAME_TWIST), round(twist, 9))


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
    several = [s for s in SLOT_FAMILIES if len(space.options[s]) != 1]
    if several or len(space.twists) != 1:
        slot = several[0] if several else "twist"
        source = _Source(where, document, "kit")
        raise InputError([source.problem(slot, "a kit holds one choice a slot", texts.get(slot, ""), "one")])
    return Kit({slot: space.options[slot][0] for slot in SLOT_FAMILIES}, {"twist": space.twists[0]})


def make_space(
    job: Job,
    locks: Mapping[str, str | Sequence[str]] | None = None,
    *,
    lock_fitted: bool = False,
    where: str = "--lock",
    document: Document | None = None,
) -> Space:
    """The space of kits that a job and its locks leave.

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
    options = {slot: options_of(job, slot) for slot in SLOT_FAMILIES}
    twists = job.twists

    def apply(source: _Source, stage: Mapping[str, Any]) -> None:
        nonlocal twists
        for slot, wanted in stage.items():
            words = [w.strip() for w in (wanted.split(",") if isinstance(wanted, str) else wanted)]
            if not any(words):
                problems.append(source.problem(slot, "nothing is chosen", repr(wanted), "an id, several, or any"))
            elif slot not in SLOTS:
                problems.append(source.problem(slot, "no such slot", repr(slot), ", ".join(SLOTS)))
            elif slot == "twist":
                twists = job.twists if words == ["any"] else _lock_twist(job, twists, words, source, problems)
            elif words == ["any"]:
                options[slot] = options_of(job, slot)
            else:
                options[slot] = _lock_parts(job, slot, words, source, problems)

    apply(_Source(str(job.file), job.document, "locks"), {str(slot): text for slot, text in job.spec.locks.items()})
    if lock_fitted:
        fitted = fitted_kit(job)
        kept = [slot for slot in SLOTS if slot not in (locks or {})]
        options |= {slot: (fitted.parts[slot],) for slot in SLOT_FAMILIES if slot in kept}
        twists = (fitted.settings["twist"],) if "twist" in kept else twists
    apply(_Source(where, document, "kit"), locks or {})
    if problems:
        raise InputError(problems)
    return Space(options, twists)


def options_of(job: Job, slot: str) -> tuple[str, ...]:
    """All ids that a slot may hold, rising; "empty" is one of a station's."""
    parts = job.shelf.family(SLOT_FAMILIES[slot])
    if slot not in STATIONS:
        return tuple(sorted(parts))
    return tuple(sorted([EMPTY, *(i for i, p in parts.items() if isinstance(p, TuningMass) and slot in p.stations)]))


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


def _lock_twist(
    job: Job, before: tuple[float | None, ...], words: Sequence[str], source: _Source, problems: list[Problem]
) -> tuple[float | None, ...]:
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
                    problems.append(source.problem("twist", "no setting lies in this range", repr(word), _offered(job)))
                left += inside
            else:
                angle = to_si(word, "rad")
                setting = _canonical(job, angle)
                if setting not in job.twists and not any(helix.takes_twist(angle) for helix in _helices(job)):
                    problems.append(source.problem("twist", "no helix takes this twist", repr(word), _offered(job)))
                left.append(setting)
        except QuantityError as error:
            problems.append(source.problem("twist", error.message, repr(word), error.expected, error.hint))
    return tuple(sorted(set(left), key=lambda t: -1.0 if t is None else t)) or before


def _helices(job: Job) -> list[Helix]:
    return [helix for helix in job.shelf.family("helices").values() if isinstance(helix, Helix)]


def _offered(job: Job) -> str:
    angles = [twist for twist in job.twists if twist is not None]
    return f"{show(min(angles), 'rad')} to {show(max(angles), 'rad')}" if angles else "none: no helix has a twist"
