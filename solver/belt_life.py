"""Belt heat and wear, as figures relative to another kit only: never hours.

One lump of belt at one temperature, heated by the mean belt loss and cooled by the air the sheaves move. Two kinds of
wear: fatigue, which grows with a power of tension and doubles every 10 C, and the rubbing of flanks that slip.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number, per_draw
from solver.errors import require

__all__ = ["belt_temperature", "conductance", "fatigue_rate", "relative_life", "slip_wear_rate", "warmth"]

# Exponent of belt life against peak tension: Shigley Table 17-16 gives 10.9 to 12.6 for industrial belts (from memory).
TENSION_EXPONENT = 11.0
# Belt life halves for each 10 C of belt temperature: Shepherd, Hot and cold running belts, Power Transm. Design 1992.
HALVING = 10.0  # K
_WELL_APPLIED = 333.15  # K, the belt temperature of a drive that is well laid out (Shepherd 1992)
_MOST_HALVINGS = 500.0  # 5,000 K above: a belt that any model has burnt; keeps the wear a finite number
# Turbulent forced convection, Nu ~ Re^0.8: Dittus and Boelter, Univ. California Publ. Eng. 2 (1930) (from memory).
SPEED_EXPONENT = 0.8
_LEAST_RESERVE = 0.02  # below, creep is no longer a matter of reserve: keeps slip wear finite where a sheave slips


def conductance(belt_cooling: Number, speed: ArrayLike, stated_speed: Number | None = None) -> Array:
    """What the air takes from the belt per degree at an engine speed, belt_cooling (speed / stated_speed)^0.8.

    Source: Dittus and Boelter (1930) for the exponent, Nu ~ Re^0.8 of turbulent forced convection (from memory): the
    sheaves move the air in proportion to their speed. Derived here for the rest.

    Parameters
    ----------
    belt_cooling : float or ndarray, shape (d,) [W/K]
    speed : array_like [rad/s]
        Its first axis goes over the draws, if the others have them.
    stated_speed : float or ndarray, shape (d,), or None [rad/s]
        Engine speed that the cooling is stated for; None: it holds at every speed.

    Returns
    -------
    ndarray [W/K]

    Raises
    ------
    PhysicalRangeError
        If the cooling or a speed is not above zero.

    Examples
    --------
    >>> print(round(float(conductance(60.0, 800.0, 400.0)), 1))  # twice the speed: 2^0.8 = 1.741 times
    104.5
    """
    turning = np.asarray(speed, float)
    cooling = per_draw(belt_cooling, turning.ndim)
    stated = turning if stated_speed is None else per_draw(stated_speed, turning.ndim)
    require(cooling > 0, "belt_cooling", cooling, "W/K", "> 0")
    require(turning > 0, "speed", turning, "rad/s", "> 0")
    require(stated > 0, "stated_speed", stated, "rad/s", "> 0")
    return np.asarray(cooling * (turning / stated) ** SPEED_EXPONENT)


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


def warmth(temperature: ArrayLike) -> Array:
    """How much faster a warm belt ages, 2^((t - 60 C) / 10 K).

    Source: Shepherd (1992): life halves each 10 C above that of a well-applied belt, 60 C.

    Parameters
    ----------
    temperature : array_like [K]

    Returns
    -------
    ndarray [-]

    Examples
    --------
    >>> print(warmth([333.15, 353.15]))
    [1. 4.]
    """
    hotter = (np.asarray(temperature, float) - _WELL_APPLIED) / HALVING
    return np.asarray(2 ** np.minimum(hotter, _MOST_HALVINGS))


def fatigue_rate(tight_tension: ArrayLike, belt_speed: ArrayLike, rated_tension: Number) -> Array:
    """Fatigue of a belt at 60 C per time, in units that only ratios have a meaning of: v (T1 / T_rated)^11.

    `warmth` multiplies it. Source: Shigley Eq. 17-27 for the form and exponent (one tension peak; bending is left out).

    Parameters
    ----------
    tight_tension : array_like [N]
        Total tension T1, centrifugal part included; its first axis goes over the draws, if the rated one has them.
    belt_speed : array_like [m/s]
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
    return np.asarray(np.asarray(belt_speed, float) * (tension / rated) ** TENSION_EXPONENT)


def slip_wear_rate(slip_power: ArrayLike, reserve: ArrayLike) -> Array:
    """Rubbing of the belt's flanks per time, in units that only ratios have a meaning of: slip_power (1 + r) / r.

    Source: Archard, J. Appl. Phys. 24 (1953) (from memory): wear is proportional to friction power. Derived here: slip
    power as of a sheave far from its limit grows as the limit nears, because creep does, by (1 + r) / r, which is 1
    at a large reserve. A reserve below 0.02 counts as 0.02, so that the wear stays finite, and less reserve never
    wears less.

    Parameters
    ----------
    slip_power : array_like [W]
    reserve : array_like [-]
        Pull that the sheave nearer to its limit can carry over pull, less 1; may be infinite or negative.

    Returns
    -------
    ndarray [W]

    Raises
    ------
    PhysicalRangeError
        If the slip power is negative.

    Examples
    --------
    >>> print(slip_wear_rate(100.0, [4.0, 0.25, 0.0]))  # 5/4, 5 and 51 times
    [ 125.  500. 5100.]
    """
    power = np.asarray(slip_power, float)
    require(power >= 0, "slip_power", power, "W", ">= 0")
    return np.asarray(power * (1 + 1 / np.maximum(reserve, _LEAST_RESERVE)))


def relative_life(
    fatigue: ArrayLike, slip_wear: ArrayLike, reference_fatigue: Number, reference_slip_wear: Number
) -> Array:
    """Life of a kit's belt over that of a reference kit, 1 / (fatigue / (2 ref) + slip_wear / (2 ref)).

    Source: derived here: damages add up (Palmgren and Miner). That the reference kit's belt dies half of fatigue and
    half of slip is a convention, not a measurement. Where the reference has no wear of a kind at all, a kit without
    it is its equal in that half, and a kit with it has life 0. A kit without any wear, against a reference that has
    some, lives for ever (infinite). So the reference's own life is always 1, and none is undefined.

    Parameters
    ----------
    fatigue : array_like [m/s]
        Of `fatigue_rate`, mean over the duty; its first axis goes over the draws, if the reference has them.
    slip_wear : array_like [W]
        Of `slip_wear_rate`, likewise.
    reference_fatigue : float or ndarray, shape (d,) [m/s]
    reference_slip_wear : float or ndarray, shape (d,) [W]

    Returns
    -------
    ndarray [-]

    Raises
    ------
    PhysicalRangeError
        If a wear is negative.

    Examples
    --------
    >>> print(relative_life([2.0, 1.0, 4.0], [3.0, 3.0, 9.0], 2.0, 3.0))  # the same; half the fatigue; twice and thrice
    [1.         1.33333333 0.4       ]
    """
    halves = [
        _half(fatigue, reference_fatigue, "fatigue", "m/s"),
        _half(slip_wear, reference_slip_wear, "slip_wear", "W"),
    ]
    with np.errstate(divide="ignore"):
        return np.asarray(1 / (halves[0] + halves[1]))


def _half(wear: ArrayLike, reference: Number, name: str, unit: str) -> Array:
    """One kind of wear over twice that of the reference: half where neither has any, infinite where only the kit."""
    own = np.asarray(wear, float)
    theirs = per_draw(reference, own.ndim)
    require(own >= 0, name, own, unit, ">= 0")
    require(theirs >= 0, f"reference_{name}", theirs, unit, ">= 0")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where((own == 0) & (theirs == 0), 1.0, own / theirs) / 2)
