"""How steeply the needed drive thrust can rise with belt pull, for a whole box of driven clutches at once.

The bounds of the exact search stand on this and on nothing else about the belt: a needed thrust that changes
(with more friction in it, say) needs a new `thrust_slopes` here and leaves their proof as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from solver.balance import DrivenSide
from solver.belt_grip import Grip

__all__ = ["thrust_slopes"]

Array = NDArray[np.float64]

_LOST = 1e-12  # of tensions and angles: ten times what `slack_tension` leaves unsolved, and far more than doubles lose
_LEAST_TENSION = 1e-30  # N, keeps pull / slack defined at zero pull


def thrust_slopes(
    lower: DrivenSide, upper: DrivenSide, pulls: Array, least: Array, most: Array, belt: Grip
) -> tuple[Array, Array]:
    """Bounds of dF1/dD at fixed P and Q over cells of pull, for every driven clutch of a box.

    With z = D / T2', a arc per ln, e idle thrust, c pull thrust, theta wrap:
    dF1/dD = ((theta + a - a ln(1 + z) - (c - Q) / e) / (theta - a ln(1 + z) + a z / (1 + z))) / tight_per_thrust.
    Where the belt slides z is held at 1 / least_slack, which is the slope of the tangent that `slack_tension` then
    follows. Numerator and denominator fall with z and the numerator rises with Q, so their ends over the box follow
    from the ends of z. (theta - a ln(1 + z)) / z = (P / D + Q - c) / e falls with z, so z falls with P and with Q, and
    is monotone in D: its largest value in a cell is that of the lower corner at one end, its least that of the upper
    corner. The denominator is above zero up to 1 / least_slack. Source: derived here from `needed_drive_thrust`.

    Parameters
    ----------
    lower, upper : DrivenSide
        Least and largest fixed thrust and ramp of each box, shape (b, 2, n).
    pulls : ndarray, shape (g, 1, 2, m, n) or broadcastable [N]
        Not negative; a cell lies between each two neighbours along the first axis.
    least, most : ndarray, shape (g, b, 2, m, n) [N]
        `needed_drive_thrust` of the lower and of the upper corners at these pulls.
    belt : Grip

    Returns
    -------
    tuple of two ndarrays, shape (g - 1, b, 2, m, n) [-]
        Least and largest slope.
    """

    def per_slack(thrust: Array, sign: int) -> Array:
        """Pull over slack tension, rounded down (sign 1) or up (sign -1)."""
        tight = thrust * belt.tight_per_thrust
        slack = tight - pulls + sign * _LOST * (np.abs(tight) + pulls)
        return np.asarray(pulls / np.maximum(np.maximum(slack, belt.least_slack * pulls), _LEAST_TENSION))

    loose, taut = per_slack(least, -1), per_slack(most, 1)
    loose, taut = np.maximum(loose[1:], loose[:-1]), np.minimum(taut[1:], taut[:-1])

    def parts(z: Array, ramp: Array, sign: int) -> tuple[Array, Array]:
        arc = belt.active * np.log1p(z)
        idle = belt.wrap - arc
        lacking = (belt.pull_thrust - ramp[..., :, None, :]) / belt.idle_thrust
        above = idle + belt.active - lacking + sign * _LOST * (belt.wrap + arc + np.abs(lacking))
        return above, idle + belt.active * z / (1 + z)

    lowest, steep = parts(loose, lower.per_pull, -1)
    highest, flat = parts(taut, upper.per_pull, 1)
    slowest = lowest / np.where(lowest > 0, flat * (1 + _LOST), steep * (1 - _LOST))
    fastest = highest / np.where(highest > 0, steep * (1 - _LOST), flat * (1 + _LOST))
    return np.asarray(slowest / belt.tight_per_thrust), np.asarray(fastest / belt.tight_per_thrust)
