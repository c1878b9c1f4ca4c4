"""Both sides of every kit as arrays: drive side (spring, arms, masses) and driven side (spring, helix, twist).

A kit is one drive build and one driven build. Rules that belong to one side are judged here, once a
half; what is left goes on to the search as stacked arrays.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from catalog import fit
from catalog.job import Job
from catalog.parts import Flyweight, Helix, TuningMass
from catalog.quantities import show
from catalog.springs import DrivenSpring, Spring
from catalog.stock import STATIONS
from search.belt_terms import belt_terms, most_needed_at_limit
from search.rules import Sieve, bill, judge_stock, parts_of
from search.space import DRIVE_SLOTS, DRIVEN_SLOTS, Kit, Space
from solver.balance import UPSHIFT, DrivenSide, DriveSide
from solver.errors import PhysicalRangeError
from solver.flyweights import arm_motion, friction_gain, inertia_slope
from solver.helix import ramp

__all__ = [
    "DRIVEN_RULES",
    "DRIVE_RULES",
    "Builds",
    "arm_thrust",
    "drive_builds",
    "driven_builds",
    "unlimited_sides",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# Rules in the order in which a kit is counted under the first it breaks.
DRIVE_RULES = (
    "drive_spring_fit",
    "flyweight_fit",
    "mass_fit",
    "in_stock",
    "drive_coil_bind",
    "drive_spring_stress",
    "roller_contact",
    "idle_drag",
    "engagement",
)
DRIVEN_RULES = (
    "driven_spring_fit",
    "helix_fit",
    "twist_fit",
    "in_stock",
    "driven_coil_bind",
    "driven_spring_stress",
    "self_locking",
    "belt_holds",
)


@dataclass(frozen=True)
class Builds:
    """The buildable builds of one side, in the order of their slot options.

    Attributes
    ----------
    choice : ndarray, shape (n, slots)
        Index of each slot's option; for the driven side the last column is the twist.
    side : DriveSide or DrivenSide
        Stacked over the n builds.
    cost : ndarray, shape (n,)
        Price of the parts that are not fitted already.
    unpriced : ndarray of bool, shape (n,)
        Whether a new part states no price.
    changes : ndarray of int, shape (n,)
        Slots that differ from the fitted kit.
    loss : ndarray, shape (n,) [W]
        Spring loss of this build.
    margin : ndarray, shape (n,) [-]
        Belt margin (driven side; infinite on the drive side).
    engagement : ndarray, shape (n,) [rad/s]
        Drive side; zero on the driven side.
    at_limit : ndarray, shape (n, positions) [N]
        Drive thrust at the engine's speed limit on the upshift branch, the faster one: what the drive side gives, or
        the most that the driven side needs at any torque level. A pair passes the limit where it needs more than
        is given.
    excluded : dict of rule -> int
        Builds left out, each under the first rule it breaks.
    reasons : dict of rule -> str
        One example of each, in a sentence.
    """

    choice: Index
    side: DriveSide | DrivenSide
    cost: Array
    unpriced: NDArray[np.bool_]
    changes: NDArray[np.int64]
    loss: Array
    margin: Array
    engagement: Array
    at_limit: Array
    excluded: dict[str, int]
    reasons: dict[str, str]

    def __len__(self) -> int:
        return len(self.choice)

    def take(self, chosen: Index) -> Builds:
        """Some of the builds; what was left out stays counted."""
        arrays = [f.name for f in fields(self) if isinstance(getattr(self, f.name), np.ndarray)]
        return replace(self, side=self.side[chosen], **{name: getattr(self, name)[chosen] for name in arrays})


def drive_builds(job: Job, space: Space) -> Builds:
    """Every drive build of a space: rules, flyweight thrust on both branches, spring load.

    Parameters
    ----------
    job : Job
    space : Space

    Returns
    -------
    Builds
    """
    clutch, limits, shift = job.machine.drive_clutch, job.spec.limits, job.shift
    springs = cast(list[Spring], parts_of(job, space, "drive_spring"))
    arms = cast(list[Flyweight], parts_of(job, space, "flyweight"))
    masses = [cast(list[TuningMass | None], parts_of(job, space, station)) for station in STATIONS]
    installed, full = job.installed_lengths["drive_spring"]
    curves = [spring.curve(installed, full) for spring in springs]
    sieve = Sieve((len(springs), len(arms), *(len(m) for m in masses)), DRIVE_RULES)

    sieve.verdicts("drive_spring_fit", 0, (fit.spring_fits(s, clutch.spring, clutch.family, full) for s in springs))
    sieve.verdicts("flyweight_fit", 1, (fit.flyweight_fits(a, clutch) for a in arms))
    for number, arm in enumerate(arms):
        for axis, (station, options) in enumerate(zip(STATIONS, masses, strict=True)):
            for option, mass in enumerate(options):
                reason = fit.mass_fits(mass, station, arm)
                if reason is not None:
                    where: list[slice | int] = [slice(None), number, slice(None), slice(None), slice(None)]
                    where[2 + axis] = option
                    sieve.mark("mass_fit", tuple(where), reason)
    judge_stock(job, space, sieve, DRIVE_SLOTS)
    sieve.verdicts("drive_coil_bind", 0, (fit.coil_bind(s, full, limits.coil_clearance) for s in springs))
    sieve.verdicts(
        "drive_spring_stress",
        0,
        (fit.spring_stress(s, c, full, limits.spring_stress) for s, c in zip(springs, curves, strict=True)),
    )

    loads = np.stack([curve.at(installed - shift.drive_travel) for curve in curves])
    thrust = np.zeros((*sieve.code.shape[1:], 2, len(shift.position)))
    band = np.zeros((len(arms), len(shift.position)))  # 1/closing gain - 1/opening gain
    for number, arm in enumerate(arms):
        if (sieve.code[:, number] != 0).all() and not sieve.alone:
            continue
        try:
            bare, per_mass, gain = arm_thrust(job, arm)
        except PhysicalRangeError as error:
            sieve.mark("roller_contact", (slice(None), number), f"{arm.id}: {error}")
            continue
        band[number] = 1 / gain[0] - 1 / gain[1]
        total = bare
        for axis, (station, options) in enumerate(zip(STATIONS, masses, strict=True)):
            amount = np.array([mass.mass if mass else 0.0 for mass in options])
            shape = [1, 1, 1, 1]
            shape[axis] = len(options)
            total = total + amount.reshape(shape) * per_mass.get(station, np.zeros(len(bare)))
        thrust[number] = total[..., None, :] * gain
        unloaded = (total <= 0).any(axis=-1)
        if unloaded.any():
            sieve.mark(
                "roller_contact",
                (slice(None), number, unloaded),
                f"{arm.id} does not press its rollers over the whole travel",
            )

    first = thrust[None, ..., 0, 0]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # Arms that do not press at the start of their travel never close the sheaves.
        engagement = np.where(first > 0, np.sqrt(loads[:, None, None, None, None, 0] / first), np.inf)
    low, high = limits.engagement
    clear = job.machine.engine.idle_speed + limits.idle_clearance
    drags = engagement < clear
    outside = (engagement < low) | (engagement > high)
    sieve.mark(
        "idle_drag",
        drags,
        lambda at: (
            f"the clutch would drag at idle: it takes hold at {show(float(engagement[tuple(at)]), 'rad/s')} and must "
            f"stay open below {show(clear, 'rad/s')}"
        ),
    )
    sieve.mark(
        "engagement",
        outside,
        lambda at: (
            f"engagement at {_speed_words(float(engagement[tuple(at)]))} is outside "
            f"{show(low, 'rad/s')} to {show(high, 'rad/s')}"
        ),
    )

    choice = np.argwhere(sieve.code == 0)
    spring_of, rest = choice[:, 0], tuple(choice[:, 1:].T)
    side = DriveSide(thrust[rest], loads[spring_of])
    friction_work = (side.spring * band[choice[:, 1]]) @ job.duty.sweeps * float(shift.drive_travel[-1])
    cost, unpriced, changes = bill(job, space, DRIVE_SLOTS, choice)
    return Builds(
        choice=choice,
        side=side,
        cost=cost,
        unpriced=unpriced,
        changes=changes,
        loss=friction_work,
        margin=np.full(len(choice), np.inf),
        engagement=engagement[tuple(choice.T)],
        at_limit=side.thrust_per_speed2[:, UPSHIFT] * job.speed_limit**2 - side.spring,
        excluded=sieve.counts(),
        reasons=sieve.reasons,
    )


def _speed_words(speed: float) -> str:
    return show(speed, "rad/s") if np.isfinite(speed) else "no engine speed at all"


def arm_thrust(job: Job, arm: Flyweight) -> tuple[Array, dict[str, Array], Array]:
    """Thrust of a set of arms over the drive travel, per squared engine speed.

    Parameters
    ----------
    job : Job
    arm : Flyweight

    Returns
    -------
    (ndarray of shape (n,), dict of station -> ndarray of shape (n,), ndarray of shape (2, n))
        Bare set [N s^2], per tuning mass of one arm [N s^2/kg], friction gain on upshift and backshift [-].

    Raises
    ------
    PhysicalRangeError
        If the roller does not follow the face, or a thrust table ends early.
    """
    clutch, travel = job.machine.drive_clutch, job.shift.drive_travel
    if arm.thrust is not None:
        table = arm.thrust
        if table.travel[-1] < travel[-1] - 1e-6:
            raise PhysicalRangeError(
                f"thrust table ends at {show(table.travel[-1], 'm')}, the sheave travels {show(float(travel[-1]), 'm')}"
            )

        def at(values: list[float]) -> Array:
            return np.interp(travel, table.travel, values) / table.speed**2

        band = 2 * clutch.roller_friction if table.friction_band is None else table.friction_band
        gain = np.array([1 - band, 1 + band])[:, None] * np.ones(len(travel))
        return at(table.bare), {station: at(values) for station, values in table.per_mass.items()}, gain
    assert arm.body is not None
    assert arm.profile is not None
    motion = arm_motion(
        travel, arm.profile.metres, arm.roller_diameter / 2, clutch.roller_outboard, clutch.roller_height
    )

    def per_mass(along: float, across: float) -> Array:
        reach, lead = np.hypot(along, across), np.arctan2(across, along)
        return arm.count * 0.5 * inertia_slope(motion, clutch.pivot_radius, 1.0, reach, lead)

    gain = np.stack([friction_gain(motion, clutch.roller_friction, closing) for closing in (True, False)])
    bare = arm.body.mass * per_mass(arm.body.along, arm.body.across)
    return bare, {name: per_mass(seat.along, seat.across) for name, seat in arm.stations.items()}, gain


def unlimited_builds(job: Job, kit: Kit) -> tuple[Builds, Builds] | None:
    """Both sides of one kit with the job's limits set aside, so that an unbuildable kit can be looked at too.

    Parameters
    ----------
    job : Job
    kit : Kit

    Returns
    -------
    (Builds, Builds) or None
        One build each; None if parts do not fit each other or their thrust cannot be worked out.
    """
    limits = job.spec.limits.model_copy(
        update={"engagement": (0.0, np.inf), "idle_clearance": -np.inf, "belt_margin": -np.inf, "spring_stress": np.inf,
                "coil_clearance": -np.inf, "in_stock": False}
    )  # fmt: skip
    open_job = replace(job, spec=job.spec.model_copy(update={"limits": limits}))
    space = Space.of(kit)
    drive, driven = drive_builds(open_job, space), driven_builds(open_job, space)
    return (drive, driven) if len(drive) and len(driven) else None


def unlimited_sides(job: Job, kit: Kit) -> tuple[DriveSide, DrivenSide] | None:
    """The sides of `unlimited_builds`, without their leading axis."""
    builds = unlimited_builds(job, kit)
    return builds and (cast(DriveSide, builds[0].side[0]), cast(DrivenSide, builds[1].side[0]))


def driven_builds(job: Job, space: Space) -> Builds:
    """Every driven build of a space: rules, fixed and torque-sensing thrust, belt margin and spring loss.

    Belt margin and spring loss are taken at the torque of the target engine speed: the state the kit is
    meant to hold, and one that does not depend on the drive build.

    Parameters
    ----------
    job : Job
    space : Space

    Returns
    -------
    Builds
    """
    clutch, limits, shift = job.machine.driven_clutch, job.spec.limits, job.shift
    springs = cast(list[DrivenSpring], parts_of(job, space, "driven_spring"))
    helices = cast(list[Helix], parts_of(job, space, "helix"))
    twists = space.twists
    installed, full = job.installed_lengths["driven_spring"]
    curves = [spring.curve(installed, full) for spring in springs]
    sieve = Sieve((len(springs), len(helices), len(twists)), DRIVEN_RULES)
    travel = shift.driven_travel

    sieve.verdicts("driven_spring_fit", 0, (fit.spring_fits(s, clutch.spring, clutch.family, full) for s in springs))
    sieve.verdicts("helix_fit", 1, (fit.helix_fits(h, clutch, float(travel[-1])) for h in helices))
    for a, b, c in sieve.to_judge():
        reason = fit.twist_fits(springs[a], helices[b], twists[c], clutch.spring_tangs)
        if reason is not None:
            sieve.mark("twist_fit", (a, b, c), reason)
    judge_stock(job, space, sieve, DRIVEN_SLOTS)
    sieve.verdicts("driven_coil_bind", 0, (fit.coil_bind(s, full, limits.coil_clearance) for s in springs))

    per_torque = np.ones((len(helices), 2, len(travel)))
    rotation = np.zeros((len(helices), len(travel)))
    locked: dict[int, str] = {}
    for number, helix in enumerate(helices):
        at, angle = helix.points
        try:
            state = ramp(travel, at, angle, helix.radius, clutch.ramp_friction)
        except PhysicalRangeError as error:
            locked[number] = f"{helix.id}: {error}"
            continue
        per_torque[number], rotation[number] = state.thrust_per_torque, state.rotation
    for a, b, c in sieve.to_judge():
        wound = fit.full_twist(twists[c], rotation[b, -1])
        reason = fit.spring_stress(springs[a], curves[a], full, limits.spring_stress, wound)
        if reason is not None:
            sieve.mark("driven_spring_stress", (a, b, c), reason)
    for number, reason in locked.items():
        sieve.mark("self_locking", (slice(None), number), reason)

    choice = sieve.to_judge()
    choice = choice[~np.isin(choice[:, 1], list(locked))]
    loads = np.stack([curve.at(installed - travel) for curve in curves])
    rates = np.array([spring.winding_rate for spring in springs])
    angles = np.array([0.0 if twist is None else twist for twist in twists])
    spring_of, helix_of, twist_of = choice.T
    torque = rates[spring_of, None] * (angles[twist_of, None] + rotation[helix_of])
    slope = per_torque[helix_of]
    side = DrivenSide(
        fixed=slope * torque[:, None] + loads[spring_of][:, None],
        per_pull=clutch.torque_share * shift.driven_radius * slope,
    )
    loss, margin = belt_terms(job, side, clutch.torque_share * shift.driven_radius * per_torque, helix_of)
    loss += ((slope[:, 0] - slope[:, 1]) * torque * np.gradient(travel, shift.position)) @ job.duty.sweeps
    slips = margin < limits.belt_margin
    sieve.mark(
        "belt_holds",
        tuple(choice[slips].T),
        f"belt margin {100 * float(margin[slips].max(initial=-1)):.0f} % at best, "
        f"{100 * limits.belt_margin:.0f} % is the least",
    )
    held = sieve.code[tuple(choice.T)] == 0
    choice = choice[held]
    cost, unpriced, changes = bill(job, space, (*DRIVEN_SLOTS, "twist"), choice)
    return Builds(
        choice=choice,
        side=side[held],
        cost=cost,
        unpriced=unpriced,
        changes=changes,
        loss=loss[held],
        margin=margin[held],
        engagement=np.zeros(len(choice)),
        at_limit=most_needed_at_limit(job, side[held]),
        excluded=sieve.counts(),
        reasons=sieve.reasons,
    )
