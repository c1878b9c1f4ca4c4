"""Belt heat and wear, as figures relative to another kit only: never hours.

One lump of belt at one temperature, heated by the mean belt loss and cooled by the air the sheaves move; wear that
grows with a power of tension and doubles every 10 C.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number, per_draw
from solver.errors import require

__all__ = ["belt_temperature", "wear_rate"]

# Exponent of belt life against peak tension: Shigley Table 17-16 gives 10.9 to 12.6 for industrial belts (from memory).
TENSION_EXPONENT = 11.0
# Belt life halves for each 10 C of belt temperature: Shepherd, Hot and cold running belts, Power Transm. Design 1992.
HALVING = 10.0  # K
_MOST_HALVINGS = 500.0  # 5,000 K above: a belt that any model has burnt; keeps the wear a finite number


def belt_temperature(loss: ArrayLike, air_temperature: Number, conductance: Number) -> Array:
    """Steady temperature of the belt, air + loss / conductance.

    Source: derived here, one lump; the conductance stands for the air that cover, ducts and sheaves move at working
    speed, and is to be calibrated.

    Parameters
    ----------
    loss : array_like [W]
        Its first axis goes over the draws, if the others have them.
    air_temperature : float or ndarray, shape (d,) [K]
    conductance : float or ndarray, shape (d,) [W/K]

    Returns
    -------
    ndarray [K]

    Raises
    ------
    PhysicalRangeError
        If the loss is negative or the conductance not above zero.
    """
    power = np.asarray(loss, float)
    air, conducts = per_draw(air_temperature, power.ndim), per_draw(conductance, power.ndim)
    require(power >= 0, "loss", power, "W", ">= 0")
    require(conducts > 0, "conductance", conducts, "W/K", "> 0")
    return np.asarray(air + power / conducts)


def wear_rate(tight_tension: ArrayLike, belt_speed: ArrayLike, temperature: ArrayLike, rated_tension: Number) -> Array:
    """Wear of the belt per time, in units that only ratios have a meaning of.

    v (T1 / T_rated)^11 2^(t / 10 K). Source: Shigley Eq. 17-27 for the form and exponent (single tension peak; bending
    is left out), Shepherd (1992) for temperature.

    Parameters
    ----------
    tight_tension : array_like [N]
        Total tension T1, centrifugal part included; its first axis goes over the draws, if the rated one has them.
    belt_speed : array_like [m/s]
    temperature : array_like [K]
    rated_tension : float or ndarray, shape (d,) [N]

    Returns
    -------
    ndarray [m/s]

    Raises
    ------
    PhysicalRangeError
        If the rated tension is not above zero or a tension is negative.
    """
    tension = np.asarray(tight_tension, float)
    rated = per_draw(rated_tension, tension.ndim)
    require(rated > 0, "rated_tension", rated, "N", "> 0")
    require(tension >= 0, "tight_tension", tension, "N", ">= 0")
    hotter = (np.asarray(temperature, float) - 333.15) / HALVING  # than 60 C, a well-applied belt (Shepherd 1992)
    warmth = 2 ** np.minimum(hotter, _MOST_HALVINGS)
    return np.asarray(np.asarray(belt_speed, float) * (tension / rated) ** TENSION_EXPONENT * warmth)
