"""Side load of the belt on the shafts, and the friction of moving sheaves in their bushes and guides.

Each half of a sheave pair takes half the vector sum of the net tensions (m v^2 only turns the belt round and does not
load the shaft). The moving half slides under that load, so friction opposes the shift; on the drive side it is also
turned through guides. All of it grows in proportion with the tensions: what is said here depends on slack tension and
pull alone. Coefficients are effective ones: engine vibration lets sheaves creep at a fraction of handbook friction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number
from solver.errors import require

__all__ = ["NO_FRICTION", "Bushes", "side_load", "side_load_slopes", "spread_of"]


@dataclass(frozen=True)
class Bushes:
    """Effective friction of the moving sheaves on their shafts, each number a float or of shape (d,) over draws.

    Attributes
    ----------
    drive, driven [-] : of the bushes
    guide [-] : of the guides that turn the moving drive sheave
    guide_radius [m]
    torque_share [-] : of the engine torque that goes through the guides

    Raises
    ------
    PhysicalRangeError
        If a friction is outside [0, 1] or the guide radius not above zero.
    """

    drive: Number
    driven: Number
    guide: Number
    guide_radius: Number
    torque_share: Number

    def __post_init__(self) -> None:
        for name in ("drive", "driven", "guide"):
            value = np.asarray(getattr(self, name), float)
            require((value >= 0) & (value <= 1), f"{name} friction", value, "-", "[0, 1]")
        radius = np.asarray(self.guide_radius, float)
        require(radius > 0, "guide_radius", radius, "m", "> 0")


NO_FRICTION = Bushes(0.0, 0.0, 0.0, 1.0, 0.5)


def spread_of(wrap: ArrayLike) -> Array:
    """What the wrap makes of the side load, 4 sin^2(theta / 2).

    Source: derived here, see `side_load`.

    Parameters
    ----------
    wrap : array_like [rad]

    Returns
    -------
    ndarray [-]
    """
    return np.asarray(4 * np.sin(np.asarray(wrap, float) / 2) ** 2)


def side_load(slack_net: ArrayLike, pull: ArrayLike, spread: ArrayLike) -> Array:
    """Force of the belt on the shaft of a sheave pair, the vector sum of the net tensions.

    The strands leave at the wrap theta: S^2 = T1'^2 + T2'^2 - 2 T1' T2' cos theta = k T2' (T2' + D) + D^2 with
    k = 4 sin^2(theta / 2). Source: statics of two forces (law of cosines).

    Parameters
    ----------
    slack_net, pull : array_like [N]
    spread : array_like [-]
        Of `spread_of`.

    Returns
    -------
    ndarray [N]

    Examples
    --------
    >>> round(float(side_load(300.0, 700.0, spread_of(np.pi))), 6)  # half a turn: T1' + T2' = 1000 + 300
    1300.0
    """
    slack, d = np.asarray(slack_net, float), np.asarray(pull, float)
    return np.asarray(np.sqrt(np.asarray(spread, float) * slack * (slack + d) + d * d))


def side_load_slopes(slack_net: ArrayLike, pull: ArrayLike, spread: ArrayLike) -> tuple[Array, Array, Array]:
    """Side load, and its slopes over slack tension at fixed pull and over pull at fixed slack tension.

    The slope over slack tension falls and the slope over pull rises with D / T2', both between 0 and 2. Source: derived
    here from `side_load`.

    Parameters
    ----------
    slack_net, pull : array_like [N]
        Not both zero.
    spread : array_like [-]

    Returns
    -------
    tuple of three ndarrays [N] [-] [-]
    """
    slack, d, k = np.asarray(slack_net, float), np.asarray(pull, float), np.asarray(spread, float)
    tight = slack + d
    load = np.sqrt(k * slack * tight + d * d)
    return load, np.asarray(k * (slack + tight) / (2 * load)), np.asarray((k * slack + 2 * d) / (2 * load))
