"""The belt's coefficients over the shift, and what ties tensions to thrusts at operating points.

Friction of the moving sheaves in bushes and guides enters here: on the driven side beside the thrust of its parts, on
the drive side beside what the belt takes. Both grow in proportion with the tensions, so that thrusts of either side
are functions of slack tension and belt pull alone.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Index, Number, per_draw, per_position, plain
from solver.belt_grip import check_flanks, seat_of, slip_limit, theory_over_closed
from solver.belt_path import ShiftPath
from solver.errors import require
from solver.points import Points
from solver.side_load import NO_FRICTION, Bushes, side_load, side_load_slopes, spread_of

__all__ = ["Grip", "drive_need", "grip", "held_thrust", "slack_of_drive", "slack_tension"]

_RUNNING_SHARE = 2 / 3  # of ln(slip limit): where belts with a reserve of some 20 to 50 % run
_TOUCHED = (0.0, 0.7, 1.6, 4.0)  # D / T2' at which tangents of the logarithm touch it; belts run at 0.5 to 3
_STEPS = 3  # of Newton's method, after which next to all slack tensions have settled
_LAST_STEP = 3e-8  # of the slack tension: what a Newton step leaves is less than its square here, 1e-15
_ROUNDING = 1e-13  # of the tight tension: what doubles may leave
_LEAST_TENSION = 1e-30  # N, keeps pull / slack defined at zero tension
# Of pull: narrow grooves fill their wrap only at less than doubles can tell from none; every sheave has slipped by far.
_LEAST_SLACK = 1e-9


@dataclass(frozen=True)
class Grip:
    """The belt's coefficients at each shift position, shape (n,) or (2, n) over branches; (d, n), (d, 2, n) with draws.

    Signed coefficients are positive on the upshift and negative on the backshift: friction opposes the shift.

    Attributes
    ----------
    tight_per_thrust : ndarray, shape (n,) [-]
        T1' over the thrust that the belt takes of the drive sheave.
    wrap : ndarray, shape (n,) [rad]
        Driven wrap theta2.
    active : float or ndarray, shape (d,) [rad]
        sin b / mu, arc per unit of ln(T1'/T2').
    seat : float or ndarray, shape (d,) [-]
        2 tan(b + seating rho).
    idle_thrust : ndarray, shape (n,) [-]
        Driven thrust per slack tension and radian of idle arc, 1 / seat.
    pull_thrust : ndarray, shape (n,) [-]
        Driven thrust of the active arc per unit of belt pull, cos b / (2 mu).
    least_slack : ndarray, shape (n,) [-]
        T2' / pull at which the closed form's active arc fills the wrap; 1e-9 at least.
    drive_limit, driven_limit : ndarray, shape (n,) [-]
        Slip limits of the two sheaves.
    slip_thrust : ndarray, shape (2, n) [-]
        Driven thrust per unit of belt pull at the driven slip limit, bush friction included.
    drive_spread, driven_spread : ndarray, shape (n,) [-]
        Of `side_load.spread_of`.
    drive_bush, driven_bush : ndarray, shape (2, n) [-]
        Signed thrust lost in the bushes per side load of the pair: half its friction.
    guide : ndarray, shape (2, n) [-]
        Signed thrust lost in the guides per belt pull.
    """

    tight_per_thrust: Array
    wrap: Array
    active: Number
    seat: Number
    idle_thrust: Array
    pull_thrust: Array
    least_slack: Array
    drive_limit: Array
    driven_limit: Array
    slip_thrust: Array
    drive_spread: Array
    driven_spread: Array
    drive_bush: Array
    driven_bush: Array
    guide: Array

    def at(self, points: Points) -> Grip:
        """The coefficients at operating points [-], each of shape (j,) or (d, j); numbers () or (d, 1)."""
        return Grip(
            **{
                f.name: per_draw(value, 2)
                if f.name in _OF_BELT
                else value[..., points.branch, points.position]
                if f.name in _OF_BRANCH
                else value[..., points.position]
                for f, value in ((f, getattr(self, f.name)) for f in fields(self))
            }
        )

    def of(self, chosen: Index) -> Grip:
        """Coefficients at points, of some of the points, by number [-]."""
        each = {f.name: getattr(self, f.name) for f in fields(self)}
        return Grip(**{name: value if name in _OF_BELT else value[..., chosen] for name, value in each.items()})

    def aligned(self, ndim: int) -> Grip:
        """Coefficients at points, shaped to meet arrays of `ndim` [-] axes, draws first and points last."""
        return Grip(**{f.name: per_position(getattr(self, f.name), ndim) for f in fields(self)})


_OF_BELT = ("active", "seat")
_OF_BRANCH = ("slip_thrust", "drive_bush", "driven_bush", "guide")
_SIGNS = np.array([[1.0], [-1.0]])  # of friction, upshift and backshift


def grip(
    path: ShiftPath,
    half_angle: Number,
    friction: Number,
    seating: Number = 1.0,
    *,
    corrected: bool = False,
    bushes: Bushes = NO_FRICTION,
) -> Grip:
    """Collect the belt's coefficients over a shift path.

    Corrected coefficients scale the closed forms to the full sliding-angle theory at a running tension ratio, two
    thirds of the way (in the logarithm) to the driven slip limit; they need full seating and a belt within the theory's
    table. Source: derived here from `drive_thrust`, `driven_thrust`, `slip_limit` and `side_load`.

    Parameters
    ----------
    path : ShiftPath
    half_angle : float or ndarray, shape (d,) [rad]
    friction, seating : float or ndarray, shape (d,) [-]
    corrected : bool
        Scale the closed forms to the full theory.
    bushes : Bushes
        Friction of the moving sheaves on their shafts.

    Returns
    -------
    Grip

    Raises
    ------
    PhysicalRangeError
        For angles or friction out of range, bushes in which a sheave would stick, or a correction outside the table or
        with partial seating.
    """
    b, mu, share = (per_draw(v, 2) for v in (half_angle, friction, seating))
    check_flanks(path.driven_wrap, b, mu)
    seat, active = seat_of(b, mu, share), np.sin(b) / mu
    left = np.exp(-path.driven_wrap / active)  # of the tension, after a whole wrap of active arc
    limit = slip_limit(path.driven_wrap, b, mu)
    drive_factor, driven_factor = np.ones_like(limit), np.ones_like(limit)
    if corrected:
        require(share == 1, "seating", share, "-", "1, which the full theory implies")
        drive_factor, driven_factor = theory_over_closed(limit**_RUNNING_SHARE, path, half_angle, friction)
    idle_thrust = driven_factor / seat
    pull_thrust = driven_factor * np.cos(b) / (2 * mu)
    idle = np.maximum(path.driven_wrap - active * np.log(limit), 0.0)
    tight_per_thrust = seat / path.drive_wrap / drive_factor
    drive_spread, driven_spread = spread_of(path.drive_wrap), spread_of(path.driven_wrap)
    drive_bush, driven_bush, guide = (per_draw(v, 2) / 2 for v in (bushes.drive, bushes.driven, bushes.guide))
    turned = 2 * guide * per_draw(bushes.torque_share, 2) * path.drive_radius / per_draw(bushes.guide_radius, 2)
    _slides(drive_bush, 1 / tight_per_thrust, "drive")
    # On the driven side thrust rises with slack tension by e a (1 - exp(-theta / a)) at least, and stays convex in it
    # (`slack_tension`): with R = k (1 + z) + z^2 >= k (2 + z)^2 / 4, k (4 - k) / (4 R^(3/2)) is at most
    # (4 - k) / sqrt(k) over (1 + z)^2.
    steady = np.minimum(1 - left, 2 * np.sqrt(driven_spread) / (4 - driven_spread + 1e-9))
    _slides(driven_bush, active * idle_thrust * steady, "driven")
    at_limit = side_load(1 / (limit - 1), 1.0, driven_spread)
    return Grip(
        tight_per_thrust=np.asarray(tight_per_thrust),
        wrap=path.driven_wrap,
        active=_of_draw(active),
        seat=_of_draw(seat),
        idle_thrust=idle_thrust,
        pull_thrust=np.asarray(pull_thrust),
        least_slack=np.maximum(left / (1 - left), _LEAST_SLACK),
        drive_limit=slip_limit(path.drive_wrap, b, mu, "drive"),
        driven_limit=limit,
        slip_thrust=_by_branch(idle * idle_thrust / (limit - 1) + pull_thrust, -driven_bush * at_limit),
        drive_spread=drive_spread,
        driven_spread=driven_spread,
        drive_bush=_by_branch(0.0, drive_bush * np.ones_like(limit)),
        driven_bush=_by_branch(0.0, driven_bush * np.ones_like(limit)),
        guide=_by_branch(0.0, turned),
    )


def _by_branch(common: ArrayLike, signed: ArrayLike) -> Array:
    """Values of both branches, (2, n) or (d, 2, n), from what they share and what turns its sign."""
    shared, turning = (np.asarray(v, float) for v in (common, signed))
    return np.asarray((shared[..., None, :] if shared.ndim else shared) + _SIGNS * turning[..., None, :])


def _slides(bush: Array, most: Array, clutch: str) -> None:
    """Refuse bushes so rough that more tension would move a sheave the wrong way.

    Side load grows at most twice as fast as slack tension.
    """
    name, field = f"bush friction of the {clutch} clutch", f"{clutch}.bush_friction"
    limit = f"below {float(np.min(most)):.3g}, what lets the moving sheave slide on its shaft"
    require(2 * bush < most, name, 2 * bush, "-", limit, field=field)


def held_thrust(slack: Array, pull: Array, belt: Grip) -> tuple[Array, Array, Array]:
    """Thrust of the driven parts that holds a slack tension at a pull, and its slopes over both.

    T2' e (theta - a ln(1 + D/T2')) + c D - h S, with h S the bush friction: what the driven parts hold beside it.
    Below the slack tension at which the active arc fills the wrap the function is continued by its tangent; such states
    have a negative slip reserve. In proportion to the tensions: slopes depend on D / T2' alone. Source: derived here.

    Parameters
    ----------
    slack, pull : ndarray, shape (..., j) [N]
    belt : Grip
        At points, aligned to the tensions.

    Returns
    -------
    tuple of three ndarrays [N] [-] [-]
        Thrust, slope over slack tension at fixed pull, slope over pull at fixed slack tension.
    """
    held = np.maximum(np.maximum(slack, belt.least_slack * pull), _LEAST_TENSION)
    thrust, by_slack, load = _holds(held, pull, belt)
    rubbing = belt.driven_bush * (belt.driven_spread * held + 2 * pull) / (2 * load)
    by_pull = belt.pull_thrust - belt.idle_thrust * belt.active * held / (held + pull) - rubbing
    return thrust + by_slack * (slack - held), by_slack, by_pull


def _holds(slack: Array, pull: Array, belt: Grip) -> tuple[Array, Array, Array]:
    """Thrust that holds a slack tension above the sliding end, its slope over slack tension, and the side load."""
    tight = slack + pull
    idle = belt.idle_thrust * (belt.wrap - belt.active * np.log1p(pull / slack))
    load = side_load(slack, pull, belt.driven_spread)
    thrust = slack * idle + belt.pull_thrust * pull - belt.driven_bush * load
    rubbing = belt.driven_bush * belt.driven_spread / 2 * ((slack + tight) / load)
    return thrust, idle + belt.idle_thrust * belt.active * (pull / tight) - rubbing, load


def slack_tension(thrust: ArrayLike, pull: ArrayLike, belt: Grip) -> Array:
    """Net slack tension that a driven thrust holds at a belt pull: inverse of `held_thrust`.

    Newton's method from the right on a convex, rising function, so it cannot overshoot. Source: derived here.

    Parameters
    ----------
    thrust, pull : array_like, shape (..., j) [N]
        Last axis over the points; the first one over draws, if the belt has them.
    belt : Grip
        At the points.

    Returns
    -------
    ndarray [N]
    """
    thrust, pull = np.broadcast_arrays(np.asarray(thrust, float), np.asarray(pull, float))
    belt = belt.aligned(thrust.ndim)
    shape = np.broadcast_shapes(thrust.shape, belt.wrap.shape)
    thrust, pull = np.broadcast_to(thrust, shape), np.broadcast_to(pull, shape)
    least = np.maximum(belt.least_slack * pull, _LEAST_TENSION)
    slack = held = np.maximum(_most_slack(thrust, pull, belt), least)
    step = np.zeros(thrust.shape)
    for _ in range(_STEPS):  # as many for every state: what is solved beside one must not matter
        held = np.maximum(slack, least)
        value, by_slack, _ = _holds(held, pull, belt)
        step = slack - held + (value - thrust) / by_slack
        slack = slack - step
    small = np.abs(step) <= np.maximum(_LAST_STEP * slack, _ROUNDING * (slack + pull))
    creeps = ~(small | (held <= least))  # from there the tangent is exact
    if creeps.any():
        some = Grip(**{f.name: np.broadcast_to(getattr(belt, f.name), creeps.shape)[creeps] for f in fields(Grip)})
        slack[creeps] = _crept(slack[creeps], thrust[creeps], pull[creeps], some)
    return np.asarray(slack)


def _crept(slack: Array, thrust: Array, pull: Array, belt: Grip) -> Array:
    """Slack tensions of those states, as a row, that are slow to settle."""
    done = np.zeros(slack.shape, bool)
    for _ in range(60):
        value, by_slack, _ = held_thrust(slack, pull, belt)
        step = np.where(done, 0.0, (value - thrust) / by_slack)
        settled = np.maximum(_LAST_STEP * slack, _ROUNDING * (slack + pull))
        done |= (np.abs(step) <= settled) | (slack <= belt.least_slack * pull)  # from there the tangent is exact
        slack = slack - step
        if done.all():
            break
    return slack


def _most_slack(thrust: Array, pull: Array, belt: Grip) -> Array:
    """What the slack tension of a driven thrust cannot exceed, close to it: where Newton's method begins.

    ln(1 + z) lies below each of its tangents, and sqrt(k) (T2' + D/2) <= S <= sqrt(k) T2' + D.
    """
    root = np.sqrt(belt.driven_spread)
    beside = (belt.pull_thrust - np.where(belt.driven_bush > 0, belt.driven_bush, belt.driven_bush * root / 2)) * pull
    most = np.full(thrust.shape, np.inf)
    for z in _TOUCHED:
        rate = belt.idle_thrust * (belt.wrap - belt.active * (np.log1p(z) - z / (1 + z))) - belt.driven_bush * root
        here = (thrust - beside + belt.idle_thrust * belt.active / (1 + z) * pull) / np.where(rate > 0, rate, 1.0)
        most = np.where(rate > 0, np.minimum(most, here), most)
    return most


def drive_need(slack: Array, pull: Array, belt: Grip) -> tuple[Array, Array, Array]:
    """Thrust that the drive clutch must give for a slack tension at a pull, and its slopes over both.

    F1 = T1' theta1 / seat + h S + g D, with h S the friction of the bush and g D that of the guides. Continued by its
    tangent where `held_thrust` is. Source: derived here from `drive_thrust` and `side_load`.

    Parameters
    ----------
    slack, pull : ndarray, shape (..., j) [N]
    belt : Grip
        At points, aligned to the tensions.

    Returns
    -------
    tuple of three ndarrays [N] [-] [-]
        Thrust, slope over slack tension at fixed pull, slope over pull at fixed slack tension.
    """
    held = np.maximum(np.maximum(slack, belt.least_slack * pull), _LEAST_TENSION)
    load, by_held, by_pull = side_load_slopes(held, pull, belt.drive_spread)
    by_slack = 1 / belt.tight_per_thrust + belt.drive_bush * by_held
    thrust = (held + pull) / belt.tight_per_thrust + belt.drive_bush * load + belt.guide * pull
    return (
        thrust + by_slack * (slack - held),
        by_slack,
        1 / belt.tight_per_thrust + belt.drive_bush * by_pull + belt.guide,
    )


def slack_of_drive(thrust: Array, pull: Array, belt: Grip) -> tuple[Array, Array, Array]:
    """Net slack tension at which the drive clutch's thrust is what is needed: inverse of `drive_need`.

    (X - T1'/t)^2 = (h S)^2 with X = F1 - g D, t T1' per thrust, is a quadratic in T1'. Continued by its tangent where
    `held_thrust` is. Source: derived here.

    Parameters
    ----------
    thrust, pull : ndarray, shape (..., j) [N]
    belt : Grip
        At points, aligned to the tensions.

    Returns
    -------
    tuple of three ndarrays [N] [-] [-]
        Slack tension, its slope over thrust at fixed pull, its slope over pull at fixed thrust.
    """
    per_tight, bush, k, guide = 1 / belt.tight_per_thrust, belt.drive_bush, belt.drive_spread, belt.guide
    bent = bush * bush * k
    twice, cross, square = 4 * k, 2 * k * per_tight, 4 * per_tight * per_tight - bent * (4 - k)
    share = 1 / (2 * (per_tight * per_tight - bent))
    forward, sideways, rubbing = 2 * per_tight * share, 1 + bent * share, bush * share
    given = thrust - guide * pull
    ahead, beside = twice * given - cross * pull, square * pull - cross * given  # half the slopes of what is rooted
    root = np.sqrt(np.maximum(given * ahead + pull * beside, _LEAST_TENSION**2))
    slack = forward * given - sideways * pull - rubbing * root
    rubbing = rubbing / root
    by_given = forward - rubbing * ahead
    by_pull = -sideways - rubbing * beside - guide * by_given
    at_least, by_slack, _ = drive_need(belt.least_slack, np.ones_like(belt.least_slack), belt)
    slides = slack < belt.least_slack * pull
    if slides.any():
        tangent = belt.least_slack * pull + (thrust - at_least * pull) / by_slack
        slack = np.where(slides, tangent, slack)
        by_given = np.where(slides, 1 / by_slack, by_given)
        by_pull = np.where(slides, belt.least_slack - at_least / by_slack, by_pull)
    return slack, by_given, by_pull


def _of_draw(values: Array) -> Number:
    """A coefficient without positions, shape () or (d, 1), as a float or as shape (d,)."""
    return plain(values[:, 0] if values.ndim else values)
