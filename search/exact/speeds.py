"""Cells of engine speed at each duty point, fine about the speed error that is usual there.

Between two of its nodes tabulated torque is linear in speed. A cell holds one such piece, or part of one, or several
where a coarser view will do; what is kept of it are the extremes of torque and of its slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from solver.engine import EngineCurve

__all__ = ["SpeedCells", "speed_cells"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_FINE = 5e-4  # width of the cells about the usual speed error; pieces of the torque curve are as wide, or wider
_GROWTH = 0.12  # width of a cell for its distance from there


@dataclass(frozen=True)
class SpeedCells:
    """Cells that cover all speed errors between two ends, at each of j duty points, shape (c, j) each.

    A cell runs from its base, the end nearer to the usual speed error, to base + sign * width. Columns with fewer
    cells are filled up with cells of no width.

    Attributes
    ----------
    base, width : ndarray [-]
        Speed error, and how far it moves.
    sign : ndarray [-]
        1 for cells above the usual speed error, -1 for those below.
    base_torque, least_torque, most_torque : ndarray [N m]
    least_slope, most_slope : ndarray [N m]
        Slope of torque over speed error.
    """

    base: Array
    width: Array
    sign: Array
    base_torque: Array
    least_torque: Array
    most_torque: Array
    least_slope: Array
    most_slope: Array


def speed_cells(engine: EngineCurve, target: Array, low: float, high: float, usual: Array) -> SpeedCells:
    """Cut the speeds between two ends into cells.

    Parameters
    ----------
    engine : EngineCurve
    target : ndarray, shape (j,) [rad/s]
        From which speed errors are taken.
    low, high : float [rad/s]
        low < high.
    usual : ndarray, shape (j,) [-]
        Where cells begin; taken to the nearer end if outside.

    Returns
    -------
    SpeedCells
    """
    wanted = target[:, None]
    nodes = engine.nodes(low, high) / wanted - 1
    centre = np.clip(usual, nodes[:, 0], nodes[:, -1])
    points = np.sort(np.concatenate([nodes, centre[:, None]], axis=1))
    torque = engine.at(wanted * (1 + points))
    middle = (points[:, 1:] + points[:, :-1]) / 2
    slope = engine.torque_and_slope(wanted * (1 + middle))[1] * wanted
    least, most = np.minimum(torque[:, 1:], torque[:, :-1]), np.maximum(torque[:, 1:], torque[:, :-1])

    first, last, base, sign = _cuts(points, torque, centre)
    rows = np.arange(len(usual))[:, None]

    def extreme(pick: np.ufunc, values: Array) -> Array:
        """Over the pieces first to last - 1 of each row; of piece `first` where there are none."""
        flat = np.pad(values, ((0, 0), (0, 1)), mode="edge")
        start = rows * flat.shape[1]
        ends = np.stack([start + first, start + last], axis=-1)
        return np.asarray(pick.reduceat(flat.ravel(), ends.ravel())[::2].reshape(first.shape))

    return SpeedCells(
        base=points[rows, base].T,
        width=(points[rows, last] - points[rows, first]).T,
        sign=sign.T,
        base_torque=torque[rows, base].T,
        least_torque=extreme(np.minimum, least).T,
        most_torque=extreme(np.maximum, most).T,
        least_slope=extreme(np.minimum, slope).T,
        most_slope=extreme(np.maximum, slope).T,
    )


def _cuts(points: Array, torque: Array, centre: Array) -> tuple[Index, Index, Index, Array]:
    """First and last node of each cell, the one it begins at, and its sign; shape (j, c) each."""
    middle = (points[:, 1:] + points[:, :-1]) / 2
    room = np.maximum(_FINE, _GROWTH * np.abs(middle - centre[:, None]))
    moved = np.diff(np.log1p(points), axis=1) + 0.5 * np.abs(np.diff(np.log(torque), axis=1))
    length = np.pad(np.cumsum(moved / room, axis=1), ((0, 0), (1, 0)))
    rows = []
    for row, (nodes, along) in enumerate(zip(points, length, strict=True)):
        start = int(np.searchsorted(nodes, centre[row]))
        above, below = along[start:] - along[start], (along[start] - along[: start + 1])[::-1]
        up, down = (np.append(np.searchsorted(way, np.arange(way[-1])), len(way) - 1) for way in (above, below))
        up, down = start + np.unique(up), start - np.unique(down)
        first, last, base = (
            np.concatenate(ends) for ends in ((up[:-1], down[1:]), (up[1:], down[:-1]), (up[:-1], down[:-1]))
        )
        rows.append(np.stack([first, last, base, np.repeat([1, -1], [len(up) - 1, len(down) - 1])]))
    wide = max(cut.shape[1] for cut in rows)
    empty = [cut[[0, 0, 0, 3], -1:].repeat(wide - cut.shape[1], axis=1) for cut in rows]
    cuts = np.stack([np.hstack(both) for both in zip(rows, empty, strict=True)], axis=1)
    return cuts[0], cuts[1], cuts[2], cuts[3].astype(float)
