"""Lower bounds of the flatness: what no drive build of a group can better with a driven build.

The engine speed w of a pair at a duty point solves A w^2 = F1 + K, with flyweight thrust A w^2, drive spring K and
needed thrust F1; r is its error. In logarithms the halves part: with p = 1/2 ln A of the drive build and, of driven
build and spring,

    q = 1/2 ln max(F1 + K, e) - ln w    at the usual error r0 of the duty point,

r^2 >= c0 + c1 t + c2 t^2 with t = q - p, for every balance between `LOWEST` and the limit (`slopes`, `parabolas`).
Summed over the duty this is a squared distance between a point of the drive build and one of the driven build, plus a
constant. The points of drive builds that share a spring lie close to a few directions, along which the distances are
taken: a driven build far from all of them is settled at once. DEVELOPERS.md holds the proof, line by line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from search.builds import DriveBuilds, DrivenBuilds
from search.exact.parabolas import parabolas
from search.exact.slopes import Slopes, make_slopes
from search.points import DutyPoints
from search.workers import parallel
from solver.balance import DrivenSide
from solver.drivetrain import Drivetrain
from solver.points import BACKSHIFT, UPSHIFT

__all__ = ["Bounds", "Group", "Part", "make_bounds", "percent"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_OFF_AXES = 5e-5  # how far a drive build's point may lie off the directions kept: 0.005 % of band
_VALUES = 60_000  # duty points of driven builds placed at once; about what stays in cache
_ROUNDING = 1e-9  # relative, far above what doubles lose here
_CANCELLED = 1e-14  # of the squares whose differences are taken: far above what doubles lose there
_LOST = 1e-12  # of thrusts: ten times what the solver leaves unsolved of them, and far above what doubles lose
_SETTLED = 2e-9  # of the peak-power speed: twice the step at which the solver stops
_SHARE = 1e-6  # of the squared band given up for that step


@dataclass(frozen=True)
class Group:
    """What bounds the drive builds with one spring.

    Attributes
    ----------
    spring : ndarray, shape (j,) [N]
        K at the duty points.
    origin : ndarray, shape (j,)
        What is added to 1/2 ln max(F1 + K, e) to measure from the middle of the group.
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
    cut : ndarray, shape (j,) [N]
        e, the least F1 + K of a balance in that range.
    lost : float
        What the squared distance may lack by rounding.
    """

    spring: Array = field(repr=False)
    origin: Array = field(repr=False)
    axes: Array = field(repr=False)
    scale: Array = field(repr=False)
    off_axes: float
    constant: float
    lowest: Array = field(repr=False)
    cut: Array = field(repr=False)
    lost: float

    def place(self, needed: Array) -> tuple[Array, Array]:
        """Driven builds along the axes, shape (m, k), and their squared distance from them, shape (m,).

        The distance holds the constant, and is minus infinity where no bound is known.
        """
        away = np.log(np.maximum(needed + self.spring, self.cut))
        away *= 0.5
        away += self.origin
        away *= self.scale
        along = away @ self.axes
        length = np.einsum("mj,mj->m", away, away)
        off = length - np.einsum("mk,mk->m", along, along) - _CANCELLED * length
        off = np.maximum(np.sqrt(np.maximum(off, 0.0)) - self.off_axes, 0.0) ** 2 + self.constant
        off -= _CANCELLED * length + self.lost
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
    drivetrain: Drivetrain,
    duty: DutyPoints,
    drive: DriveBuilds,
    driven: DrivenBuilds,
    members: Sequence[Sequence[Index]],
    usual: Array,
) -> Bounds:
    """Work out the bounds of both sides of a space.

    Parameters
    ----------
    drivetrain : Drivetrain
    duty : DutyPoints
    drive : DriveBuilds
    driven : DrivenBuilds
    members : sequence of sequences of ndarray of int
        Drive builds of each part of each group, at least one; a group has one spring.
    usual : ndarray, shape (j,) [-]
        Speed errors about which the bounds are tight. Any will do.

    Returns
    -------
    Bounds
    """
    needed = duty.needed(driven.side, duty.pull(duty.target * (1 + usual)))
    slopes, slower = make_slopes(drivetrain, duty, driven.side, usual), _slower_backshift(driven.side)
    space = _Space(drivetrain, duty, slopes, needed.min(axis=0), needed.max(axis=0), slower)
    side = drive.side

    def group(number: int) -> tuple[Part, ...]:
        rows = np.sort(np.concatenate(members[number]))
        thrust = side.thrust_per_speed2[rows[:, None], duty.pushes[0], duty.pushes[1]]
        bounding, points = _group(space, side.spring[rows[0]], 0.5 * np.log(thrust))
        return tuple(Part(bounding, part, points[np.searchsorted(rows, part)]) for part in members[number])

    return Bounds(tuple(parallel(group, len(members))), needed)


@dataclass(frozen=True)
class _Space:
    """What all groups share.

    Attributes
    ----------
    least, most : ndarray, shape (j,) [N]
        Thrust that driven builds need at the usual speed errors, at least and at most.
    slower_backshift : bool
        Whether no driven build pushes harder on the backshift.
    """

    drivetrain: Drivetrain
    duty: DutyPoints
    slopes: Slopes
    least: Array
    most: Array
    slower_backshift: bool

    def slower_arms(self, light: Array) -> bool:
        """Whether no drive build pushes less on the backshift than on the upshift of the same position."""
        branch, position = self.duty.pushes
        up, back = (np.flatnonzero(branch == one) for one in (UPSHIFT, BACKSHIFT))
        both, at_up, at_back = np.intersect1d(position[up], position[back], return_indices=True)
        alone = len(both) < len(back)
        return not alone and bool((light[:, back[at_back]] >= light[:, up[at_up]]).all())


def _slower_backshift(side: DrivenSide) -> bool:
    """Whether every driven build holds no less thrust on the upshift than on the backshift, at any pull."""
    return all(bool((each[:, UPSHIFT] >= each[:, BACKSHIFT]).all()) for each in (side.fixed, side.per_pull))


def _group(space: _Space, load: Array, light: Array) -> tuple[Group, Array]:
    """One group, and its builds along its axes, from spring load, shape (positions,) [N], and p, (n, pushes).

    Points of different torque share p: a push is a branch and position at which there are points.
    """
    duty, slopes = space.duty, space.slopes
    push = duty.push
    spring = load[duty.points.position]
    turning = np.log(duty.target) + np.log1p(slopes.usual)
    slowest, fastest = light.max(axis=0)[push], light.min(axis=0)[push]
    cut = np.exp(2 * (fastest + np.log(duty.target) + np.log1p(slopes.lowest))) * (1 - _LOST)
    spans = slopes.spans(spring, cut)
    least, most = (0.5 * np.log(np.maximum(thrust + spring, cut)) - turning for thrust in (space.least, space.most))
    settled = _SETTLED * space.drivetrain.engine.peak_power_speed / duty.target
    unsure = _LOST * (slopes.largest + spring) / cut
    c0, c1, c2 = parabolas(slopes, spans.widened(unsure, settled), least - slowest, most - fastest)
    c0, c1, c2 = (1 - _SHARE) * c0 - settled**2 / _SHARE, (1 - _SHARE) * c1, (1 - _SHARE) * c2
    if not (space.slower_backshift and space.slower_arms(light)):
        backshift = duty.points.branch == BACKSHIFT  # which may then pass the limit: no bound but zero
        c0, c1, c2 = (np.where(backshift, 0.0, each) for each in (c0, c1, c2))

    # Directions are found over the pushes, and spread over the torques.
    scale = np.sqrt(duty.weights * c2)
    together = np.sqrt(np.bincount(push, scale**2, minlength=light.shape[1]))
    middle = light.mean(axis=0)
    points = (light - middle) * together
    _, axes = np.linalg.eigh(points.T @ points)
    axes, left, kept = axes[:, ::-1], np.einsum("nj,nj->n", points, points), 0
    lost = _CANCELLED * float(left.max())
    while kept < len(together) and left.max() > _OFF_AXES**2:
        left = left - (points @ axes[:, kept]) ** 2
        kept += 1
    points, off_axes = points @ axes[:, :kept], float(np.sqrt(max(left.max(), 0.0) + lost))
    spread = axes[:, :kept] / np.where(together > 0, together, 1.0)[:, None]
    bend = np.where(c2 > 0, c2, 1.0)
    group = Group(
        spring=spring,
        origin=c1 / (2 * bend) - turning - middle[push],
        axes=spread[push] * scale[:, None],
        scale=scale,
        off_axes=off_axes,
        constant=float((duty.weights * (c0 - c1**2 / (4 * bend))).sum()),
        lowest=np.exp(2 * (spans.end + unsure + slowest + turning)) - spring,
        cut=cut,
        lost=lost,
    )
    return group, points
