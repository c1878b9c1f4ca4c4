"""How the needed drive thrust moves with engine speed, bounded for every driven build at once.

With L = 1/2 ln max(F1 + K, e) and t = L(usual) - ln((1 + usual) / (1 + r)) - L(r), this module bounds t at the base of
each cell of speed, and its slope over r within the cell. F1 moves through the belt pull alone. Its slope over pull is
bounded for boxes of fixed thrust and ramp that hold all driven builds (`thrust_slopes`), in cells of pull that begin
at the usual pull, so that what is unknown of t grows with the way from there and vanishes at the usual speed.
Nothing here asks more of F1 than that it rises with fixed thrust and ramp and that those slopes hold. (The proof in
DEVELOPERS.md asks one thing more of it at the speed limit.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from search.exact.boxes import boxes
from search.exact.speeds import SpeedCells, speed_cells
from search.points import DutyPoints
from solver.balance import LOWEST, DrivenSide
from solver.drivetrain import Drivetrain
from solver.grip import drive_need, slack_tension
from solver.thrust_slope import thrust_slopes

__all__ = ["Slopes", "Spans", "make_slopes"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# Ends of the cells of pull: share of the way, in the logarithm, from the usual pull to the least and to the largest.
_WAYS = np.array([0.0, 0.02, 0.06, 0.13, 0.24, 0.4, 0.6, 0.8, 1.0])
_BOXES = 64  # at each branch and position, at most
_LEAST_BOXES, _ROOM = 16, 16_000  # fewer where there are many duty points: boxes times duty points


@dataclass(frozen=True)
class Spans:
    """Bounds of t and of its slope in the cells of speed, for all driven builds with one drive spring.

    Attributes
    ----------
    low, high : ndarray, shape (c, j)
        t at the base of each cell.
    slowest, fastest : ndarray, shape (c, j)
        Slope of t along the cell, away from the usual speed error.
    end : ndarray, shape (j,)
        Largest t at the lowest speed.
    """

    low: Array
    high: Array
    slowest: Array
    fastest: Array
    end: Array

    def widened(self, unsure: Array, settled: Array) -> Spans:
        """Bounds of t where t itself is known to `unsure` and the speed error to `settled`, shape (j,) each."""
        room = unsure + settled * np.maximum(np.abs(self.slowest), np.abs(self.fastest))
        return replace(self, low=self.low - room, high=self.high + room)


@dataclass(frozen=True)
class Slopes:
    """Slopes of the needed thrust over pull in cells of pull, and where the cells of speed lie among them.

    Attributes
    ----------
    usual : ndarray, shape (j,) [-]
    speeds : SpeedCells
    lowest : ndarray, shape (j,) [-]
        Speed error of the lowest speed.
    steps : ndarray, shape (g, 1, j) [N]
        Widths of the cells of pull, which rise through the usual pull.
    slowest, fastest : ndarray, shape (g, b, j) [-]
        Slope of F1 over pull in each box.
    least, most : ndarray, shape (g, b, j) [N]
        F1 in each cell and box.
    largest : ndarray, shape (j,) [N]
        F1 without regard to sign, at most.
    at_base, at_end : tuple of ndarrays, shapes (c, j) and (j,)
        Cell of pull at the base of the cells of speed and at the lowest speed, and the share of it that lies below.
    first, last : ndarray of int, shape (c, j)
        Cells of pull that a cell of speed passes through.
    pull_slopes : tuple of two ndarrays, shape (c, j) [N]
        Least and largest slope of pull over speed error in a cell of speed.
    """

    usual: Array
    speeds: SpeedCells
    lowest: Array
    steps: Array
    slowest: Array
    fastest: Array
    least: Array
    most: Array
    largest: Array
    at_base: tuple[Index, Array]
    at_end: tuple[Index, Array]
    first: Index
    last: Index
    pull_slopes: tuple[Array, Array]

    def spans(self, spring: Array, cut: Array) -> Spans:
        """Bounds of t with one drive spring.

        Parameters
        ----------
        spring, cut : ndarray, shape (j,) [N]
            K, and the thrust e below which F1 + K is cut.

        Returns
        -------
        Spans
        """
        least, most = self.least + spring, self.most + spring
        held = least < cut  # L stands still there
        np.maximum(least, cut, out=least)
        np.maximum(most, cut, out=most)
        slowest = 0.5 * self.slowest / np.where(self.slowest >= 0, most, least)
        fastest = 0.5 * self.fastest / np.where(self.fastest >= 0, least, most)
        slowest[held], fastest[held] = np.minimum(slowest[held], 0.0), np.maximum(fastest[held], 0.0)

        middle = len(_WAYS) - 1
        # L less its usual value at the ends of the cells of pull.
        low, high = np.zeros((2, 2 * middle + 1, len(spring)))
        little, much = slowest * self.steps, fastest * self.steps
        low[middle + 1 :] = np.cumsum(little[middle:], axis=0).min(axis=1)
        high[middle + 1 :] = np.cumsum(much[middle:], axis=0).max(axis=1)
        low[:middle] = -np.cumsum(much[:middle][::-1], axis=0)[::-1].max(axis=1)
        high[:middle] = -np.cumsum(little[:middle][::-1], axis=0)[::-1].min(axis=1)
        cell_low, cell_high = slowest.min(axis=1), fastest.max(axis=1)

        def risen(table: Array, at: tuple[Index, Array]) -> Array:
            cell, share = at
            cell = np.atleast_2d(cell)
            before, after = np.take_along_axis(table, cell, 0), np.take_along_axis(table, cell + 1, 0)
            return np.asarray((before + share * (after - before)).reshape(share.shape))

        cells, inertia = self.speeds, -np.log1p(self.usual)
        base, far = np.log1p(cells.base), cells.base + cells.sign * cells.width
        ends = [_through(pick, table, self.first, self.last)
                for pick, table in ((np.minimum, cell_low), (np.maximum, cell_high))]  # fmt: skip
        products = np.stack([slope * rise for slope in ends for rise in self.pull_slopes])
        turning = np.sort(np.stack([1 / (1 + cells.base), 1 / (1 + far)]), axis=0)
        least_slope, most_slope = turning[0] - products.max(axis=0), turning[1] - products.min(axis=0)
        above = cells.sign > 0
        return Spans(
            low=inertia + base - risen(high, self.at_base),
            high=inertia + base - risen(low, self.at_base),
            slowest=np.where(above, least_slope, -most_slope),
            fastest=np.where(above, most_slope, -least_slope),
            end=inertia + np.log1p(self.lowest) - risen(low, self.at_end),
        )


def make_slopes(drivetrain: Drivetrain, duty: DutyPoints, side: DrivenSide, usual: Array) -> Slopes:
    """Bound the slopes of the needed thrust of all driven builds.

    Parameters
    ----------
    drivetrain : Drivetrain
    duty : DutyPoints
    side : DrivenSide
        All driven builds, at all positions.
    usual : ndarray, shape (j,) [-]
        Speed errors at which nothing is to be left unknown.

    Returns
    -------
    Slopes
    """
    engine, target = drivetrain.engine, duty.target
    low, high = LOWEST * engine.peak_power_speed, float(drivetrain.speed_limit)
    speeds = speed_cells(engine, target, low, high, usual)
    arm, held = duty.points.level / duty.path.drive_radius, duty.points.held
    torques, lowest = engine.at(target * (1 + usual)), float(engine.at(low))
    least = np.minimum(np.minimum(speeds.least_torque.min(axis=0), lowest), torques)
    most = np.maximum(np.maximum(speeds.most_torque.max(axis=0), lowest), torques)
    ways = _WAYS[:, None]
    ends = np.concatenate([torques * (least / torques) ** ways[:0:-1], torques * (most / torques) ** ways])
    ends[0], ends[len(_WAYS) - 1], ends[-1] = least, torques, most

    pushing = side[(..., *duty.pushes)]
    lower, upper = (box[:, duty.push] for box in boxes(pushing, max(_LEAST_BOXES, min(_BOXES, _ROOM // len(usual)))))
    belt, pulls = duty.grip, (ends * arm + held)[:, None]
    loose, taut = (slack_tension(box.fixed + box.per_pull * pulls, pulls, belt) for box in (lower, upper))
    slowest, fastest = thrust_slopes(lower, upper, pulls, loose, taut, belt)
    below, above = (drive_need(slack, np.broadcast_to(pulls, slack.shape), belt)[0] for slack in (loose, taut))
    steps = np.diff(pulls, axis=0)
    # F1 in a cell lies above what the slopes allow from either end, and below it.
    falls, climbs = np.minimum(slowest * steps, 0.0), np.maximum(fastest * steps, 0.0)
    floor = np.maximum(below[:-1] + falls, below[1:] - climbs)
    roof = np.minimum(above[:-1] + climbs, above[1:] - falls)

    def locate(torque: Array) -> tuple[Index, Array]:
        cell = np.clip((torque >= ends[:, None]).sum(axis=0) - 1, 0, len(ends) - 2)
        before, width = np.take_along_axis(ends, cell, 0), np.take_along_axis(np.diff(ends, axis=0), cell, 0)
        return cell, np.clip((torque - before) / np.where(width > 0, width, 1.0), 0.0, 1.0)

    at_end = locate(np.full((1, len(usual)), lowest))
    return Slopes(
        usual=usual,
        speeds=speeds,
        lowest=low / target - 1,
        steps=steps,
        slowest=slowest,
        fastest=fastest,
        least=floor,
        most=roof,
        largest=np.maximum(np.abs(floor), np.abs(roof)).max(axis=(0, 1)),
        at_base=locate(speeds.base_torque),
        at_end=(at_end[0][0], at_end[1][0]),
        first=locate(speeds.least_torque)[0],
        last=locate(speeds.most_torque)[0],
        pull_slopes=(speeds.least_slope * arm, speeds.most_slope * arm),
    )


def _through(pick: np.ufunc, table: Array, first: Index, last: Index) -> Array:
    """Extreme of the rows first to last of each column of a table, shape (c, j)."""
    known = np.repeat(table[None], len(table), axis=0)  # from a row, to a row
    for at in range(len(table)):
        pick.accumulate(table[at:], axis=0, out=known[at, at:])
    return np.asarray(known[first, last, np.arange(table.shape[1])])
