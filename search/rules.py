"""The rules that one side of a kit must keep: a table for each side, applied in one pass.

A rule looks at the options of some slots and says which break it, and of any that does, a sentence that says what to
do. A kit is counted under the first rule it breaks, in the order of the table.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catalog import fit
from catalog.quantities import show
from catalog.slots import STATIONS
from search.sides import BeltOptions, DrivenOptions, DriveOptions, Options
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS
from search.workers import check
from solver.errors import PhysicalRangeError

__all__ = [
    "BELT_RULES",
    "DRIVEN_RULES",
    "DRIVE_RULES",
    "Judged",
    "Rule",
    "judge",
    "rule_names",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]
At = tuple[int, ...]  # numbers of the options of the slots that a rule looks at


@dataclass(frozen=True)
class Verdict:
    """Which options break a rule, an axis for each slot looked at, and a sentence for any of them."""

    broken: Mask
    sentence: Callable[[At], str]


@dataclass(frozen=True)
class Rule:
    """One rule of one side.

    Attributes
    ----------
    name : str
    slots : tuple of str
        What it looks at, in the order of the slots.
    verdict : callable
        Given the options of the side, and the builds that no earlier rule has left out, shape (k, slots of the side).
    """

    name: str
    slots: tuple[str, ...]
    verdict: Callable[[Any, Index], Verdict]


@dataclass(frozen=True)
class Judged:
    """Builds of one side after all rules.

    Attributes
    ----------
    choice : ndarray, shape (n, slots)
        The builds that keep every rule.
    excluded : mapping of rule -> int
        Builds left out, each under the first rule it breaks.
    reasons : mapping of rule -> str
        A sentence about one build that breaks it; for a single build, every rule it breaks.
    """

    choice: Index
    excluded: Mapping[str, int]
    reasons: Mapping[str, str]


def judge(options: Options, rules: Sequence[Rule]) -> Judged:
    """Hold every build of a side against the rules, in one pass.

    Parameters
    ----------
    options : Options
    rules : sequence of Rule

    Returns
    -------
    Judged
    """
    names = rule_names(rules)
    first = np.zeros(options.shape, np.int8)  # number of the first rule broken, from 1
    reasons: dict[str, str] = {}
    alone = first.size == 1  # a single build is told every rule it breaks
    for rule in rules:
        check()  # a side may be large, and somebody may want to stop
        verdict = rule.verdict(options, np.argwhere((first == 0) | alone))
        wide = [len(options.space.options[s]) if s in rule.slots else 1 for s in options.slots]
        broken = np.broadcast_to(verdict.broken.reshape(wide), first.shape)
        telling = broken if alone else broken & (first == 0)
        if telling.any() and rule.name not in reasons:
            at = np.argwhere(telling)[0]
            reasons[rule.name] = verdict.sentence(tuple(int(at[options.slots.index(slot)]) for slot in rule.slots))
        first[broken & (first == 0)] = 1 + names.index(rule.name)
    excluded = {name: int(np.count_nonzero(first == number)) for number, name in enumerate(names, 1)}
    return Judged(np.argwhere(first == 0), excluded, reasons)


def rule_names(rules: Sequence[Rule]) -> tuple[str, ...]:
    """Names of rules, each once, in order."""
    return tuple(dict.fromkeys(rule.name for rule in rules))


def _by_part(name: str, slots: tuple[str, ...], says: Callable[..., str | None]) -> Rule:
    """A rule that answers for the parts of some slots with a sentence, or None where all is well."""

    def verdict(options: Any, _: Index) -> Verdict:
        answers = {
            at: says(options, *parts)
            for at, parts in zip(
                itertools.product(*(range(len(options.space.options[slot])) for slot in slots)),
                itertools.product(*(options.parts(slot) for slot in slots)),
                strict=True,
            )
        }
        shape = [len(options.space.options[slot]) for slot in slots]
        broken = np.fromiter((answer is not None for answer in answers.values()), bool, len(answers)).reshape(shape)
        return Verdict(broken, lambda at: str(answers[at]))

    return Rule(name, slots, verdict)


def _in_stock(slots: tuple[str, ...]) -> tuple[Rule, ...]:
    def says(slot: str) -> Callable[..., str | None]:
        def answer(options: Options, part: Any) -> str | None:
            request = options.stage.request
            if part is None or not request.in_stock:
                return None
            return fit.out_of_stock(part, part.id == request.fitted.parts[slot])

        return answer

    return tuple(_by_part("in_stock", (slot,), says(slot)) for slot in slots if slot != "twist")


def _spring_fits(slot: str) -> Callable[..., str | None]:
    def says(options: Options, spring: Any) -> str | None:
        forces = options.stage.forces
        machine = forces.machine
        family = (machine.drive_clutch if slot == "drive_spring" else machine.driven_clutch).family
        return fit.spring_fits(spring, forces.pocket(slot), family, forces.full_shift_length(slot))

    return says


def _coil_bind(slot: str) -> Callable[..., str | None]:
    def says(options: Options, spring: Any) -> str | None:
        clearance = options.stage.request.limits.coil_clearance
        return fit.coil_bind(spring, options.stage.forces.full_shift_length(slot), clearance)

    return says


def _drive_stress(options: DriveOptions, spring: Any) -> str | None:
    load = options.stage.forces.spring("drive_spring", spring).full_shift
    shear, allowed = fit.wire_shear(spring, load), fit.allowed_shear(spring, options.stage.request.limits.spring_stress)
    return fit.stress_sentence(spring, float(shear), allowed) if shear > allowed else None


def _arm_fits(options: DriveOptions, arm: Any) -> str | None:
    return fit.flyweight_fits(arm, options.stage.forces.machine.drive_clutch)


def _mass_fits(station: str) -> Callable[..., str | None]:
    return lambda _, arm, mass: fit.mass_fits(mass, station, arm)


def _arm_works(options: DriveOptions, arm: Any) -> str | None:
    return options.stage.forces.arm(arm).fault or None


def _rollers_loaded(options: DriveOptions, _: Index) -> Verdict:
    works = options.over(("flyweight",), lambda arm: not options.stage.forces.arm(arm).fault)
    broken = ((options.frictionless <= options.held).any(axis=-1) & works)[0]
    arms = options.space.options["flyweight"]
    return Verdict(broken, lambda at: f"{arms[at[0]]} does not press its rollers over the whole travel")


def _clear_of_idle(options: DriveOptions, _: Index) -> Verdict:
    engagement, stage = options.engagement, options.stage
    clear = float(stage.drivetrain.inputs.engine.idle_speed) + stage.request.limits.idle_clearance
    return Verdict(
        engagement < clear,
        lambda at: (
            f"the clutch would drag at idle: it takes hold at {show(float(engagement[at]), 'rad/s')} and must "
            f"stay open below {show(clear, 'rad/s')}"
        ),
    )


def _engages_in_window(options: DriveOptions, _: Index) -> Verdict:
    engagement, (low, high) = options.engagement, options.stage.request.limits.engagement
    return Verdict(
        (engagement < low) | (engagement > high),
        lambda at: (
            f"engagement at {show(float(engagement[at]), 'rad/s')} is outside "
            f"{show(low, 'rad/s')} to {show(high, 'rad/s')}"
        ),
    )


def _helix_fits(options: DrivenOptions, helix: Any) -> str | None:
    travel = float(options.stage.drivetrain.path.driven_travel[-1])
    return fit.helix_fits(helix, options.stage.forces.machine.driven_clutch, travel)


def _spring_takes_twist(options: DrivenOptions, spring: Any, twist: float | None) -> str | None:
    return fit.spring_takes_twist(spring, twist, options.stage.forces.machine.driven_clutch.spring_tangs)


def _helix_takes_twist(_: DrivenOptions, helix: Any, twist: float | None) -> str | None:
    return fit.helix_takes_twist(helix, twist)


def _driven_stress(options: DrivenOptions, _: Index) -> Verdict:
    springs, forces = options.parts("driven_spring"), options.stage.forces
    wound = np.where(options.over(("twist",), lambda twist: twist is not None),
                     options.angle + options.rotation[..., -1], 0.0)[0]  # fmt: skip
    shear = np.stack([fit.wire_shear(s, forces.spring("driven_spring", s).full_shift, wound) for s in springs])
    allowed = np.array([fit.allowed_shear(s, options.stage.request.limits.spring_stress) for s in springs])
    return Verdict(
        shear > allowed[:, None, None],
        lambda at: fit.stress_sentence(springs[at[0]], float(shear[at]), float(allowed[at[0]])),
    )


def _ramp_works(options: DrivenOptions, helix: Any) -> str | None:
    return options.stage.forces.ramp(helix).fault or None


def _belt_holds(options: DrivenOptions, open_builds: Index) -> Verdict:
    works = options.over(("helix",), lambda helix: not options.stage.forces.ramp(helix).fault)[0, :, 0]
    options.work_out_belt(open_builds[works[open_builds[:, DRIVEN_SLOTS.index("helix")]]])
    least = options.stage.request.limits.belt_margin
    slips = options.margin < least
    best = float(options.margin[slips].max(initial=-np.inf))
    sentence = f"belt margin {round(100 * best, 1) + 0.0:.1f} %, {100 * least:.0f} % is the least"
    return Verdict(slips, lambda _: sentence)


def _belt_too_hot(options: DrivenOptions, _: Index) -> Verdict:
    rated = options.stage.drivetrain.inputs.belt.max_temperature
    limit = options.stage.request.limits.belt_temperature
    most = float(limit if limit is not None else np.inf if rated is None else rated)
    hot = options.temperature > most
    coolest = float(options.temperature[hot].min(initial=np.inf))
    sentence = (
        f"the belt reaches {show(coolest, 'K')} on the hottest ground, {show(most, 'K')} is allowed; more belt "
        "cooling, a lower gear range there, less torque or lighter driven springs keep it cooler"
    )
    return Verdict(hot, lambda _: sentence)


def _belt_fits(options: BeltOptions, belt: Any) -> str | None:
    forces = options.stage.forces
    reason = fit.belt_fits(belt, forces.machine, float(forces.drivetrain.inputs.shift.half_angle))
    if reason is None:
        try:
            forces.with_belt(belt)
        except PhysicalRangeError as error:
            reason = f"{belt.id} does not run on these sheaves: {error}"
    return reason


BELT_RULES: tuple[Rule, ...] = (_by_part("belt_fit", ("belt",), _belt_fits), *_in_stock(("belt",)))
DRIVE_RULES: tuple[Rule, ...] = (
    _by_part("drive_spring_fit", ("drive_spring",), _spring_fits("drive_spring")),
    _by_part("flyweight_fit", ("flyweight",), _arm_fits),
    *(_by_part("mass_fit", ("flyweight", station), _mass_fits(station)) for station in STATIONS),
    *_in_stock(DRIVE_SLOTS),
    _by_part("drive_coil_bind", ("drive_spring",), _coil_bind("drive_spring")),
    _by_part("drive_spring_stress", ("drive_spring",), _drive_stress),
    _by_part("roller_contact", ("flyweight",), _arm_works),
    Rule("roller_contact", ("flyweight", *STATIONS), _rollers_loaded),
    Rule("idle_drag", DRIVE_SLOTS, _clear_of_idle),
    Rule("engagement", DRIVE_SLOTS, _engages_in_window),
)
DRIVEN_RULES: tuple[Rule, ...] = (
    _by_part("driven_spring_fit", ("driven_spring",), _spring_fits("driven_spring")),
    _by_part("helix_fit", ("helix",), _helix_fits),
    _by_part("twist_fit", ("driven_spring", "twist"), _spring_takes_twist),
    _by_part("twist_fit", ("helix", "twist"), _helix_takes_twist),
    *_in_stock(DRIVEN_SLOTS),
    _by_part("driven_coil_bind", ("driven_spring",), _coil_bind("driven_spring")),
    Rule("driven_spring_stress", DRIVEN_SLOTS, _driven_stress),
    _by_part("self_locking", ("helix",), _ramp_works),
    Rule("belt_holds", DRIVEN_SLOTS, _belt_holds),
    Rule("belt_temperature", DRIVEN_SLOTS, _belt_too_hot),
)
