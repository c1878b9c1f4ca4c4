"""Operating points: the branch, shift position and torque at which both clutches are balanced.

A point's belt pull is a share of what the engine's full torque pulls at its speed, plus what is held whatever the
engine speed (by tyres that slip). Everything that a balance needs is brought to the points first and has them as its
last axis, shape (..., j); draws, where inputs are varied, are the first axis of all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Index, per_position

__all__ = ["BACKSHIFT", "UPSHIFT", "Points", "along"]

UPSHIFT, BACKSHIFT = 0, 1


@dataclass(frozen=True)
class Points:
    """Operating points.

    Attributes
    ----------
    branch : ndarray of int, shape (j,)
        0 upshift (drive sheave closing), 1 backshift: friction parts them.
    position : ndarray of int, shape (j,)
        Number of the shift position.
    level : ndarray, shape (j,) or (d, j) [-]
        Torque as a share of the engine's full torque.
    held : ndarray, shape (j,) or (d, j) [N]
        Belt pull that does not depend on engine speed; beside it the level is 0.
    """

    branch: Index
    position: Index
    level: Array
    held: Array

    def __len__(self) -> int:
        return len(self.branch)

    def pull(self, torque: ArrayLike, drive_radius: Array) -> Array:
        """Belt pull at a full torque of the engine.

        Parameters
        ----------
        torque : array_like, shape () or (..., j) [N m]
        drive_radius : ndarray, shape (n,) or (d, n) [m]
            At each shift position.

        Returns
        -------
        ndarray, shape (..., j) [N]
        """
        arm, held = self.arm(drive_radius, np.ndim(torque)), per_position(self.held, np.ndim(torque))
        return np.asarray(arm * np.asarray(torque, float) + held)

    def arm(self, drive_radius: Array, ndim: int = 0) -> Array:
        """Belt pull per full torque of the engine [1/m], shaped to meet arrays of `ndim` [-] axes.

        The drive radius [m] is over the shift positions.
        """
        return per_position(self.level / drive_radius[..., self.position], ndim)


def along(positions: int, level: float = 1.0) -> Points:
    """The points of both branches at every shift position, at one share of full torque.

    Source: derived here.

    Parameters
    ----------
    positions : int [-]
    level : float [-]

    Returns
    -------
    Points
        First the upshift from position 0 on, then the backshift.
    """
    count = 2 * positions
    return Points(
        branch=np.repeat([UPSHIFT, BACKSHIFT], positions),
        position=np.tile(np.arange(positions), 2),
        level=np.full(count, level),
        held=np.zeros(count),
    )
