"""The engine at full throttle: torque curve, peak-power speed, and what thin or warm air takes from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator, PPoly

from solver.arrays import Array, Number, per_draw, plain
from solver.errors import require
from solver.ground import GRAVITY

__all__ = ["EngineCurve", "air_correction", "air_density", "standard_atmosphere", "torque_factor"]

# SAE J1349 (June 1990): reference dry air 99 kPa at 25 C; the factor assumes 85 % mechanical efficiency.
_REFERENCE_PRESSURE = 99_000.0  # Pa
_REFERENCE_TEMPERATURE = 298.0  # K
_CELSIUS = 273.0  # K, as the standard rounds it

# ICAO standard atmosphere, sea level and troposphere.
_SEA_LEVEL_PRESSURE = 101_325.0  # Pa
_SEA_LEVEL_TEMPERATURE = 288.15  # K
_LAPSE_RATE = 0.0065  # K/m
_GAS_CONSTANT = 287.05287  # J/(kg K), dry air


def air_correction(dry_pressure: ArrayLike, temperature: ArrayLike) -> Array:
    """Power available in given air divided by rated power, 1 / CF.

    CF = 1.180 (990 / p[mbar]) sqrt((t[C] + 273) / 298) - 0.18. Source: SAE J1349 (June 1990). The standard is meant for
    factors of about 0.93 to 1.07; beyond, at altitude, this is an extrapolation. For naturally aspirated engines;
    `torque_factor` serves boosted ones too.

    Parameters
    ----------
    dry_pressure : array_like [Pa]
    temperature : array_like [K]

    Returns
    -------
    ndarray [-]

    Raises
    ------
    PhysicalRangeError
        If pressure or temperature is not above zero.

    Examples
    --------
    >>> round(float(air_correction(89874.8, 281.65)), 3)  # ISA at 1000 m, computed from the standard: 0.923
    0.923
    """
    pressure, kelvin = np.asarray(dry_pressure, float), np.asarray(temperature, float)
    require(pressure > 0, "dry_pressure", pressure, "Pa", "> 0")
    require(kelvin > 0, "temperature", kelvin, "K", "> 0")
    celsius = kelvin - 273.15
    heat = np.sqrt((celsius + _CELSIUS) / _REFERENCE_TEMPERATURE)
    return np.asarray(1 / (1.180 * (_REFERENCE_PRESSURE / pressure) * heat - 0.18))


def standard_atmosphere(altitude: ArrayLike) -> tuple[Array, Array, Array]:
    """Pressure, temperature and density of the ICAO standard atmosphere.

    Source: ICAO Doc 7488 (1993), troposphere; geopotential altitude.

    Parameters
    ----------
    altitude : array_like [m]
        Between -500 and 11,000.

    Returns
    -------
    tuple of three ndarrays [Pa], [K], [kg/m^3]

    Raises
    ------
    PhysicalRangeError
        If the altitude is outside the range.

    Examples
    --------
    >>> pressure, temperature, density = standard_atmosphere(0.0)  # ICAO: 101325 Pa, 288.15 K, 1.225 kg/m^3
    >>> round(float(density), 3)
    1.225
    """
    height = np.asarray(altitude, float)
    require((height >= -500) & (height <= 11_000), "altitude", height, "m", "[-500, 11000]")
    temperature = _SEA_LEVEL_TEMPERATURE - _LAPSE_RATE * height
    exponent = GRAVITY / (_GAS_CONSTANT * _LAPSE_RATE)
    pressure = _SEA_LEVEL_PRESSURE * (temperature / _SEA_LEVEL_TEMPERATURE) ** exponent
    return np.asarray(pressure), np.asarray(temperature), air_density(pressure, temperature)


def air_density(pressure: ArrayLike, temperature: ArrayLike) -> Array:
    """Density of dry air, p / (R T).

    Source: ideal-gas law with the gas constant of ICAO Doc 7488.

    Parameters
    ----------
    pressure : array_like [Pa]
    temperature : array_like [K]

    Returns
    -------
    ndarray [kg/m^3]

    Examples
    --------
    >>> print(round(float(air_density(101325.0, 288.15)), 3))  # ICAO, sea level: 1.225
    1.225
    """
    return np.asarray(np.asarray(pressure, float) / (_GAS_CONSTANT * np.asarray(temperature, float)))


def torque_factor(pressure: ArrayLike, temperature: ArrayLike, holds_power_to: ArrayLike | None = None) -> Array:
    """Torque in the air of a site over torque as stated, at one engine speed.

    Source: SAE J1349 (June 1990) by way of `air_correction` for a naturally aspirated engine. Boosted, derived here:
    the waste gate closes as the air thins, and is shut at the altitude up to which the engine holds its power; from
    there on the pressure ratio stays, so that power falls as that of an engine without boost, counted from the
    standard air (ICAO Doc 7488) of that altitude. A boosted engine never gains from thick or cold air.

    Parameters
    ----------
    pressure : array_like [Pa]
        Dry air of the site.
    temperature : array_like [K]
    holds_power_to : array_like, optional [m]
        Altitude up to which a boosted engine gives its stated power; None: not boosted.

    Returns
    -------
    ndarray [-]
        For a boosted engine 1 at most.

    Raises
    ------
    PhysicalRangeError
        If pressure or temperature is not above zero, or the altitude outside -500 to 11,000 m.

    Examples
    --------
    >>> pressure, temperature, _ = standard_atmosphere([1500.0, 3000.0])
    >>> print(torque_factor(pressure, temperature, 2000.0).round(3))  # factors at 3000 and 2000 m: 0.7134 / 0.8119
    [1.    0.879]
    """
    here = air_correction(pressure, temperature)
    if holds_power_to is None:
        return here
    thin, cool, _ = standard_atmosphere(holds_power_to)
    return np.asarray(np.minimum(here / air_correction(thin, cool), 1.0))


@dataclass(frozen=True)
class EngineCurve:
    """Full-throttle torque against speed.

    A monotone cubic (PCHIP) joins the dyno points, so it adds no bumps of its own; it is tabulated once on a
    uniform grid of about 5 rpm, and read linearly from there. Outside the points the end torque holds. Draws share the
    shape of the curve and differ in its factor.

    Attributes
    ----------
    speed : ndarray, shape (n,) [rad/s]
        Rising, at least 4 points.
    torque : ndarray, shape (n,) [N m]
        Above zero.
    factor : float or ndarray, shape (d,) [-]
        Multiplies the torque at every speed: what the air leaves of it.

    Raises
    ------
    PhysicalRangeError
        For fewer than 4 points, falling speeds, or torque or factor not above zero.
    """

    speed: Array
    torque: Array
    factor: Number = 1.0

    def __post_init__(self) -> None:
        require(len(self.speed) >= 4, "number of dyno points", len(self.speed), "-", "4 or more")
        require(np.diff(self.speed) > 0, "step of dyno speed", np.diff(self.speed), "rad/s", "> 0 (rising order)")
        require(self.torque > 0, "torque", self.torque, "N m", "> 0")
        require(np.asarray(self.factor) > 0, "torque factor", self.factor, "-", "> 0")

    def scaled(self, factor: Number) -> EngineCurve:
        """The same engine with torque multiplied by `factor` [-] at every speed (air correction)."""
        return replace(self, factor=self.factor * factor)

    @cached_property
    def _table(self) -> tuple[float, float, Array, Array]:
        count = int((self.speed[-1] - self.speed[0]) / 0.5) + 2
        grid = np.linspace(self.speed[0], self.speed[-1], count)
        common = self.factor if np.ndim(self.factor) == 0 else 1.0  # tabulated, so that it costs nothing afterwards
        torque = PchipInterpolator(self.speed, self.torque * common)(grid)
        step = float(grid[1] - grid[0])
        return float(grid[0]), step, np.asarray(torque), np.append(np.diff(torque), 0.0)

    def at(self, speed: ArrayLike) -> Array:
        """Torque at a speed.

        Parameters
        ----------
        speed : array_like [rad/s]
            Its first axis goes over the draws, if the factor has them.

        Returns
        -------
        ndarray [N m]
        """
        return self.torque_and_slope(np.asarray(speed, float))[0]

    def torque_and_slope(self, speed: Array) -> tuple[Array, Array]:
        """Torque [N m] and its slope [N m s/rad] at an array of speeds [rad/s], draws first if the factor has them."""
        start, step, torque, rise = self._table
        asked = (speed - start) / step
        where = np.clip(asked, 0.0, len(torque) - 1.0)
        piece = where.astype(np.intp)
        slope = np.where(asked < 0, 0.0, rise[piece])
        level, change = torque[piece] + (where - piece) * slope, slope / step
        if np.ndim(self.factor) == 0:
            return level, change
        factor = per_draw(self.factor, speed.ndim)
        return factor * level, factor * change

    def nodes(self, low: float, high: float) -> Array:
        """Speeds of a range between which torque is linear [rad/s], both ends among them.

        Parameters
        ----------
        low, high : float [rad/s]

        Returns
        -------
        ndarray, shape (n,) [rad/s]
        """
        start, step, torque, _ = self._table
        nodes = start + step * np.arange(len(torque))
        return np.concatenate([[low], nodes[(nodes > low) & (nodes < high)], [high]])

    @cached_property
    def peak_power_speed(self) -> float:
        """Speed of greatest power between first and last point [rad/s], the same for all draws.

        Of the cubics themselves, not of their table: the best of the points and of the roots of d(w T)/dw.
        """
        torque = PchipInterpolator(self.speed, self.torque).c  # powers of the speed since a piece's beginning, falling
        flat = np.zeros((1, torque.shape[1]))
        power = PPoly(np.concatenate([flat, torque]) * self.speed[:-1] + np.concatenate([torque, flat]), self.speed)
        speeds = np.concatenate([self.speed, power.derivative().roots(discontinuity=False, extrapolate=False)])
        return float(speeds[np.argmax(power(speeds))])

    @cached_property
    def peak_power(self) -> Number:
        """Greatest power [W], shape (d,) where draws differ.

        Its torque is read as everywhere, from the table: below the cubic's by up to 1/8 step^2 of its curvature, some
        1e-6 of an engine's torque.
        """
        return plain(self.at(self.peak_power_speed) * self.peak_power_speed)
