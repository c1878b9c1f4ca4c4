"""How steeply the needed drive thrust can rise with belt pull, for a whole box of driven clutches at once.

The bounds of the exact search stand on this and on nothing else about the belt: a needed thrust that changes
(with another friction in it, say) needs a new `thrust_slopes` here and leaves their proof as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from solver.balance import DrivenSide
from solver.grip import Grip
from solver.side_load import side_load_slopes

__all__ = ["thrust_slopes"]

Array = NDArray[np.float64]

_LOST = 1e-12  # of tensions and angles: ten times what `slack_tension` leaves unsolved, and far more than doubles lose
_LEAST_TENSION = 1e-30  # N, keeps pull / slack defined at zero pull


def thrust_slopes(
    lower: DrivenSide, upper: DrivenSide, pulls: Array, least: Array, most: Array, belt: Grip
) -> tuple[Array, Array]:
    """Bounds of dF1/dD at fixed P and Q over cells of pull, for every driven clutch of a box.

    Tensions and thrusts are in proportion, so with z = D / T2' held thrust H and drive need N have slopes over T2' and
    over D that depend on z alone: dF1/dD = N_T (Q - H_D) / H_T + N_D. Each slope is a sum of functions of z that rise
    or fall throughout: 1/(1+z), ln(1+z) - z/(1+z), and the slopes of the side load (over T2' falling, over D rising);
    so the ends of z bound each, and interval arithmetic the whole. Where the belt slides z is held at 1 / least_slack,
    the slope of the tangents that both then follow. H / D = P / D + Q falls with z, so z falls with P and with Q, and
    is monotone in D: its largest value in a cell is that of the lower corner at one end, its least that of the upper
    corner. H_T and N_T are above zero (`grip` refuses other bushes). Source: derived here.

    Parameters
    ----------
    lower, upper : DrivenSide
        Least and largest fixed thrust and ramp of each box, at the points, shape (b, j).
    pulls : ndarray, shape (g, 1, j) or broadcastable [N]
        Not negative; a cell lies between each two neighbours along the first axis.
    least, most : ndarray, shape (g, b, j) [N]
        `slack_tension` of the lower and of the upper corners at these pulls.
    belt : Grip
        At the points.

    Returns
    -------
    tuple of two ndarrays, shape (g - 1, b, j) [-]
        Least and largest slope.
    """

    def per_slack(slack: Array, sign: int) -> Array:
        """Pull over slack tension, rounded down (sign 1) or up (sign -1)."""
        sure = slack + sign * _LOST * (np.abs(slack) + pulls)
        return np.asarray(pulls / np.maximum(np.maximum(sure, belt.least_slack * pulls), _LEAST_TENSION))

    loose, taut = per_slack(least, -1), per_slack(most, 1)
    loose, taut = np.maximum(loose[1:], loose[:-1]), np.minimum(taut[1:], taut[:-1])

    def ends(rising: tuple[Array, Array], factor: Array) -> tuple[Array, Array]:
        """Range of factor times a quantity between two values."""
        one, other = (factor * value for value in rising)
        return np.minimum(one, other), np.maximum(one, other)

    def loads(spread: Array) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
        """Slopes of a side load at both ends of z: over slack tension, over pull."""
        sides = [side_load_slopes(1.0, z, spread)[1:] for z in (taut, loose)]
        return (sides[0][0], sides[1][0]), (sides[0][1], sides[1][1])

    def summed(*ranges: tuple[Array, Array], of: Array) -> tuple[Array, Array]:
        lost = _LOST * of
        return sum(low for low, _ in ranges) - lost, sum(high for _, high in ranges) + lost

    e, a, one = belt.idle_thrust, belt.active, 1 / belt.tight_per_thrust
    driven_by_slack, driven_by_pull = loads(belt.driven_spread)
    drive_by_slack, drive_by_pull = loads(belt.drive_spread)
    size = e * (belt.wrap + a * (1 + np.log1p(loose))) + belt.pull_thrust + 1
    falling = [e * (belt.wrap - a * (np.log1p(z) - z / (1 + z))) for z in (loose, taut)]
    hold = summed((falling[0], falling[1]), ends(driven_by_slack, -belt.driven_bush), of=size)
    idle = -e * a / (1 + taut) + belt.pull_thrust, -e * a / (1 + loose) + belt.pull_thrust
    less = summed(idle, ends(driven_by_pull, -belt.driven_bush), of=size)
    need = summed((one, one), ends(drive_by_slack, belt.drive_bush), of=one)
    more = summed((one + belt.guide, one + belt.guide), ends(drive_by_pull, belt.drive_bush), of=one)
    lowest, highest = lower.per_pull - less[1], upper.per_pull - less[0]
    slowest = lowest * np.where(lowest > 0, need[0] / hold[1], need[1] / hold[0]) + more[0]
    fastest = highest * np.where(highest > 0, need[1] / hold[0], need[0] / hold[1]) + more[1]
    room = _LOST * (np.abs(slowest) + np.abs(fastest))
    return np.asarray(slowest - room), np.asarray(fastest + room)
