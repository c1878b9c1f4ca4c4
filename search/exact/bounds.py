"""Lower bounds of the flatness: what no drive build of a group can better with a driven build.

The engine speed error r of a pair at a duty point solves A w0^2 (1 + r)^2 = F1(r) + K, with flyweight push A w^2,
drive spring K and needed thrust F1. In logarithms the halves part: with p = 1/2 ln A of the drive build and

    q(r) = 1/2 ln((F1(r) + K) / w0^2) - ln(1 + r)

of driven build and spring, the error is the r at which q(r) = p. About the usual error r0 of a duty point,
r^2 >= c0 + c1 t + c2 t^2 with t = q(r0) - p, where c0 is set so that this holds at every speed between `LOWEST` and
the limit, for every driven build, with the torque curve as tabulated (`_parabolas`). Summed over the duty this is a
squared distance between a point of the drive build and one of the driven build, plus a constant. The points of drive
builds that share a spring lie close to a few directions, along which the distances are taken: a driven build far
from all of them is settled at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from catalog.job import Job
from search.builds import Builds
from search.exact.points import Busy
from search.workers import parallel
from solver import balance
from solver.balance import LOWEST, DrivenSide, DriveSide

__all__ = ["Bounds", "Group", "Part", "make_bounds", "percent"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_CORNERS = 5  # thrusts and ramps, between the extremes of all driven builds, at which F1 over pull is taken
_PULLS = 7  # pulls at which its secants are taken
_WIDENING = 0.01  # how far these secants are widened for what lies between
_SPEEDS = 300  # at which parabolas are held against r^2, beside the nodes of the torque curve
_NEAR = 0.01  # speed errors on both sides of the usual one at which the slope of r over t is taken
_USUAL_SPREAD = 0.008  # t of a good kit, for which the parabolas are made tight
_BENDS = np.array([1.0, 0.95, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1])  # of the parabola, to choose from
_OFF_AXES = 5e-5  # how far a drive build's point may lie off the directions kept: 0.005 % of band
_VALUES = 60_000  # duty points of driven builds placed at once; about what stays in cache
_ROUNDING = 1e-9  # relative, far above what doubles lose here


@dataclass(frozen=True)
class Group:
    """What bounds the drive builds with one spring.

    Attributes
    ----------
    spring : ndarray, shape (j,) [N]
        K at the duty points.
    origin : ndarray, shape (j,)
        What is added to 1/2 ln(F1 + K) to measure from the middle of the group.
    axes : ndarray, shape (j, k)
        Directions kept.
    scale : ndarray, shape (j,)
        Square root of weight times c2.
    off_axes : float
        Largest distance of a drive build from the directions.
    constant : float
        What the squared band holds beyond the squared distance.
    lowest : ndarray, shape (j,) [N]
        Needed thrust below which a pair may leave the range of speeds that the parabolas hold for.
    """

    spring: Array = field(repr=False)
    origin: Array = field(repr=False)
    axes: Array = field(repr=False)
    scale: Array = field(repr=False)
    off_axes: float
    constant: float
    lowest: Array = field(repr=False)

    def place(self, needed: Array) -> tuple[Array, Array]:
        """Driven builds along the axes, shape (m, k), and their squared distance from them, shape (m,).

        The distance holds the constant, and is minus infinity where no bound is known.
        """
        away = np.log(np.maximum(needed + self.spring, 1e-9))
        away *= 0.5
        away += self.origin
        away *= self.scale
        along = away @ self.axes
        off = np.einsum("mj,mj->m", away, away) - np.einsum("mk,mk->m", along, along)
        off = np.maximum(np.sqrt(np.maximum(off, 0.0)) - self.off_axes, 0.0) ** 2 + self.constant
        off[(needed < self.lowest).any(axis=1)] = -np.inf
        return along, off


@dataclass(frozen=True)
class Part:
    """Some drive builds of a group.

    Attributes
    ----------
    group : Group
    rows : ndarray of int, shape (n,)
        The drive builds.
    points : ndarray, shape (n, k)
        The drive builds along the axes of the group.
    """

    group: Group
    rows: Index
    points: Array = field(repr=False)

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Least and largest of the points along each axis, shape (k,) each."""
        return self.points.min(axis=0), self.points.max(axis=0)

    def floor(self, along: Array, off: Array) -> Array:
        """Lower bound of the flatness [%] of placed driven builds with any drive build of the part, shape (m,)."""
        low, high = self.box
        outside = np.maximum(low - along, along - high)
        return percent(off + (np.maximum(outside, 0.0) ** 2).sum(axis=1))

    def squares(self, needed: Array) -> Array:
        """Lower bound of the squared flatness [-] of every drive build of the part with driven builds, (n, m)."""
        along, off = self.group.place(needed)
        total: Array = self.points @ (-2 * along.T)
        total += np.einsum("nk,nk->n", self.points, self.points)[:, None]
        total += np.einsum("mk,mk->m", along, along) + off
        return total


def percent(squares: Array) -> Array:
    """Flatness [%] of its square [-], rounded down by more than was lost in reaching it."""
    return np.asarray(100 * np.sqrt(np.fmax(squares * (1 - _ROUNDING), 0.0)))  # not a number: no bound


@dataclass(frozen=True)
class Bounds:
    """Bounds of the flatness over the pairs of two sides.

    Attributes
    ----------
    groups : tuple of tuples of Part
        The parts of each group; no drive build is in two of them.
    needed : ndarray, shape (m, j) [N]
        Drive thrust each driven build needs at the usual speed errors.
    """

    groups: tuple[tuple[Part, ...], ...]
    needed: Array = field(repr=False)

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """The parts of all groups."""
        return tuple(part for parts in self.groups for part in parts)

    def floors(self, columns: Index, widest: Array | None = None) -> Array:
        """Lower bound of the flatness [%] of some driven builds with any drive build of each part, shape (parts, m).

        `widest`, of that shape, is what matters: where the constant of a group is above it in all its parts already,
        the constant is the bound, and no driven build need be placed for it.
        """
        first = np.cumsum([0, *(len(parts) for parts in self.groups)])
        size = max(1, _VALUES // self.needed.shape[1])

        def work(number: int) -> Array:
            parts, rows = self.groups[number], slice(first[number], first[number + 1])
            group, out = parts[0].group, np.empty((len(parts), len(columns)))
            constant = percent(np.array(group.constant))
            out[:] = constant
            for at in range(0, len(columns), size):
                here = np.arange(at, min(at + size, len(columns)))
                needed = self.needed[columns[here]]
                if widest is not None:
                    rest = (widest[rows, here] >= constant).any(axis=0) | (needed < group.lowest).any(axis=1)
                    here, needed = here[rest], needed[rest]
                along, off = group.place(needed)
                for row, part in enumerate(parts):
                    out[row, here] = part.floor(along, off)
            return out

        return np.concatenate(parallel(work, len(self.groups)))


def make_bounds(
    job: Job, duty: Busy, drive: Builds, driven: Builds, members: Sequence[Sequence[Index]], usual: Array
) -> Bounds:
    """Work out the bounds of both sides of a space.

    Parameters
    ----------
    job : Job
    duty : Busy
    drive, driven : Builds
    members : sequence of sequences of ndarray of int
        Drive builds of each part of each group, at least one; a group has one spring.
    usual : ndarray, shape (j,) [-]
        Speed errors about which the bounds are tight. Any will do.

    Returns
    -------
    Bounds
    """
    assert isinstance(drive.side, DriveSide)
    assert isinstance(driven.side, DrivenSide)
    needed = duty.needed(driven.side, duty.pull(duty.spread(job.engine.at(job.target_speed * (1 + usual)))))
    envelope = _envelope(job, duty, driven.side, usual)
    side = drive.side
    extremes = needed.min(axis=0), needed.max(axis=0)

    def group(number: int) -> tuple[Part, ...]:
        rows = np.sort(np.concatenate(members[number]))
        load, thrust = side.spring[rows[0], duty.positions], side.thrust_per_speed2[rows][..., duty.positions]
        bounding, points = _group(job, duty, load, 0.5 * np.log(thrust), extremes, envelope)
        return tuple(Part(bounding, part, points[np.searchsorted(rows, part)]) for part in members[number])

    return Bounds(tuple(parallel(group, len(members))), needed)


@dataclass(frozen=True)
class _Envelope:
    """How needed thrust moves with speed, through the belt pull, for every driven build at once.

    At a position F1 over pull depends on fixed thrust and ramp of the driven build alone; it is taken on a grid of
    both between their extremes.
    """

    errors: Array  # (g,) speed errors between which torque is linear, from LOWEST to the speed limit
    pulls: Array  # (g, j) belt pull there
    usual: Array  # (j,)
    usual_pull: Array  # (j,)
    usual_thrust: Array  # (corners, j) needed thrust
    grid: Array  # (pulls, j)
    thrust: Array  # (pulls, corners, j)

    def span(self, spring: Array) -> tuple[Array, Array]:
        """Least and largest t = q(usual) - q(r) over all driven builds at each speed error, (g, j) each."""
        usual = np.log(np.maximum(self.usual_thrust + spring, 1.0))
        rise = 0.5 * (usual - np.log(np.maximum(self.thrust + spring, 1.0)))
        step = (self.usual_pull - self.grid)[:, None]
        secant = np.where(step == 0, 0.0, rise / np.where(step == 0, 1.0, step))
        least, most = secant.min(axis=1), secant.max(axis=1)
        least, most = least - _WIDENING * np.abs(least), most + _WIDENING * np.abs(most)
        first, room = self.pulls.min(axis=0), np.ptp(self.pulls, axis=0)
        at = (self.pulls - first) / np.where(room > 0, room, 1.0) * (_PULLS - 1)
        cell = np.minimum(at.astype(np.intp), _PULLS - 2)
        share = at - cell

        def read(table: Array) -> Array:
            before, after = np.take_along_axis(table, cell, 0), np.take_along_axis(table, cell + 1, 0)
            return np.asarray((before + share * (after - before)) * (self.usual_pull - self.pulls))

        ends, inertia = (read(least), read(most)), np.log1p(self.errors)[:, None] - np.log1p(self.usual)
        return inertia + np.minimum(*ends), inertia + np.maximum(*ends)


def _envelope(job: Job, duty: Busy, side: DrivenSide, usual: Array) -> _Envelope:
    engine, target = job.engine, job.target_speed
    low, high = LOWEST * engine.peak_power_speed, job.speed_limit
    speeds = np.union1d(np.geomspace(low, high, _SPEEDS), engine.nodes(low, high))
    _, rung, position = np.nonzero(duty.used)
    arm = duty.levels[rung] / duty.shift.drive_radius[position]
    pulls, usual_pull = engine.at(speeds)[:, None] * arm, engine.at(target * (1 + usual)) * arm
    grid = pulls.min(axis=0) + np.linspace(0, 1, _PULLS)[:, None] * np.ptp(pulls, axis=0)
    near = np.abs(grid - usual_pull) < 0.01 * usual_pull  # too near for a difference; neighbours cover it
    grid = np.where(near, np.where(grid < usual_pull, 0.99, 1.01) * usual_pull, grid)

    share = np.linspace(0, 1, _CORNERS)[:, None, None]
    fixed, ramps = (
        (each.min(axis=0) + share * np.ptp(each, axis=0))[..., duty.positions] for each in (side.fixed, side.per_pull)
    )
    corners = DrivenSide(np.repeat(fixed, _CORNERS, axis=0), np.tile(ramps, (_CORNERS, 1, 1)))

    def thrust(pull: Array) -> Array:
        return balance.needed_drive_thrust(corners, duty.spread(pull), duty.grip)[:, duty.used]

    return _Envelope(
        errors=speeds / target - 1,
        pulls=pulls,
        usual=usual,
        usual_pull=usual_pull,
        usual_thrust=thrust(usual_pull),
        grid=grid,
        thrust=np.stack([thrust(pull) for pull in grid]),
    )


def _group(
    job: Job, duty: Busy, load: Array, light: Array, extremes: tuple[Array, Array], envelope: _Envelope
) -> tuple[Group, Array]:
    """One group, and its builds along its axes, from spring load, shape (positions,) [N], and p, (n, 2, positions)."""
    spring = duty.per_branch(np.broadcast_to(load, light.shape[1:]))
    turning = np.log(job.target_speed) + np.log1p(envelope.usual)
    slowest, fastest = (duty.per_branch(extreme) for extreme in (light.max(axis=0), light.min(axis=0)))
    least, most = (0.5 * np.log(np.maximum(thrust + spring, 1e-9)) - turning for thrust in extremes)
    low, high = envelope.span(spring)
    c0, c1, c2 = _parabolas(envelope, low, high, least - slowest, most - fastest)

    # Torque levels share p, so directions are found over branches and positions, and spread over the levels.
    scale = np.sqrt(duty.share * c2)
    together = np.sqrt((duty.spread(scale) ** 2).sum(axis=1)).ravel()  # branch and position
    middle = light.mean(axis=0)
    points = (light - middle).reshape(len(light), -1) * together
    _, axes = np.linalg.eigh(points.T @ points)
    axes, left, kept = axes[:, ::-1], np.einsum("nj,nj->n", points, points), 0
    while kept < len(together) and left.max() > _OFF_AXES**2:
        left = left - (points @ axes[:, kept]) ** 2
        kept += 1
    points, off_axes = points @ axes[:, :kept], float(np.sqrt(max(left.max(), 0.0)))
    spread = axes[:, :kept].T.reshape(kept, *middle.shape) / np.where(together > 0, together, 1.0).reshape(middle.shape)
    group = Group(
        spring=spring,
        origin=c1 / (2 * c2) - turning - duty.per_branch(middle),
        axes=duty.per_branch(spread).T * scale[:, None],
        scale=scale,
        off_axes=off_axes,
        constant=float((duty.share * (c0 - c1**2 / (4 * c2))).sum()),
        lowest=np.exp(2 * (high[0] + slowest + turning)) - spring,
    )
    return group, points


def _parabolas(envelope: _Envelope, low: Array, high: Array, least: Array, most: Array) -> tuple[Array, Array, Array]:
    """Coefficients with r^2 >= c0 + c1 t + c2 t^2 for all pairs whose t is from `least` to `most`, shape (j,) each."""
    errors, usual = envelope.errors, envelope.usual
    before, after = (
        np.clip(np.searchsorted(errors, usual + step), edge, len(errors) - 2 + edge)
        for step, edge in ((-_NEAR, 0), (_NEAR, 1))
    )
    after = np.maximum(after, before + 1)
    middle, each = (low + high) / 2, np.arange(len(usual))
    steepness = (middle[after, each] - middle[before, each]) / (errors[after] - errors[before])
    slope = 1 / np.maximum(steepness, 0.2)

    # Between two speeds t may pass through what the pairs can reach, even where it leaps over all of it; and r^2 less
    # the parabola may there lie below its values at both: by less than the squares of the steps of ln(1 + r) and t, in
    # proportion to the parabola's slope over t where that is above 1.
    reached = (np.maximum(high[1:], high[:-1]) >= least) & (np.minimum(low[1:], low[:-1]) <= most)
    steps = np.maximum(np.abs(np.diff(low, axis=0)), np.abs(np.diff(high, axis=0)))
    c1, far = 2 * usual * slope, np.maximum(np.abs(low), np.abs(high))
    steepest = np.maximum(np.abs(c1) + 2 * slope**2 * np.maximum(far[1:], far[:-1]), 1.0)
    dip = np.where(reached, steepest * (np.diff(np.log1p(errors))[:, None] ** 2 + steps**2), -np.inf)
    kept = np.flatnonzero(reached.any(axis=1))
    inside = slice(kept[0], kept[-1] + 2) if len(kept) else slice(0)
    dip = np.maximum(np.pad(dip, ((1, 0), (0, 0)), constant_values=-np.inf),
                     np.pad(dip, ((0, 1), (0, 0)), constant_values=-np.inf))[inside]  # fmt: skip
    square = errors[inside, None] ** 2 - dip  # infinite where no pair can be
    low, high = low[inside], high[inside]
    c0, c2 = np.full(len(usual), -np.inf), np.zeros(len(usual))
    for bend in _BENDS:
        curve = bend * slope**2
        value = np.maximum((c1 + curve * low) * low, (c1 + curve * high) * high)  # convex in t: largest at an end
        constant = np.min(square - value, axis=0, initial=np.inf)
        better = constant + curve * _USUAL_SPREAD**2 > c0 + c2 * _USUAL_SPREAD**2
        c0, c2 = np.where(better, constant, c0), np.where(better, curve, c2)
    return np.where(np.isfinite(c0), c0, 0.0), c1, c2
