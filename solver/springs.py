"""Helical compression and torsion springs of round wire: rate, stress, length, buckling, energy.

Static design only; fatigue and surge are not covered.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array
from solver.errors import require

__all__ = [
    "LoadCurve",
    "bending_stress",
    "buckling_deflection",
    "helical_rate",
    "shear_stress",
    "solid_length",
    "stored_energy",
    "tensile_strength",
    "torsion_rate",
    "torsion_shear_stress",
]


def helical_rate(
    wire_diameter: ArrayLike, mean_diameter: ArrayLike, active_coils: ArrayLike, shear_modulus: ArrayLike
) -> Array:
    """Axial rate of a helical compression spring, k = G d^4 / (8 D^3 n).

    Source: EN 13906-1; Budynas and Nisbett, Shigley's Mechanical Engineering Design, Eq. 10-9.
    The direct-shear term 1 + 1/(2 C^2) is left out, as both sources do (0.7 % at C = 8).

    Parameters
    ----------
    wire_diameter, mean_diameter : array_like [m]
    active_coils : array_like [-]
    shear_modulus : array_like [Pa]

    Returns
    -------
    ndarray [N/m]

    Raises
    ------
    PhysicalRangeError
        If any input is not above zero or the coil index D/d is not above 1.

    Examples
    --------
    >>> print(round(float(helical_rate(5e-3, 34.6e-3, 9.5, 81.5e9)) / 1000, 3))  # EN 13906-1 print-out: 16.181
    16.181
    """
    d, mean, n, g = (np.asarray(v, float) for v in (wire_diameter, mean_diameter, active_coils, shear_modulus))
    _check_coil(d, mean)
    require(n > 0, "active_coils", n, "-", "> 0")
    require(g > 0, "shear_modulus", g, "Pa", "> 0")
    return np.asarray(g * d**4 / (8 * mean**3 * n))


def torsion_rate(
    wire_diameter: ArrayLike, mean_diameter: ArrayLike, active_coils: ArrayLike, youngs_modulus: ArrayLike
) -> Array:
    """Torsional rate of a helical spring wound about its axis, k_t = E d^4 / (64 D n) per radian.

    Source: EN 13906-3 and Bhandari, Design of Machine Elements, 10.21 (pure bending of the wire). Shop rules with the
    divisor 67.86 instead of 64 allow for coil friction and give 6 % less.

    Parameters
    ----------
    wire_diameter, mean_diameter : array_like [m]
    active_coils : array_like [-]
    youngs_modulus : array_like [Pa]

    Returns
    -------
    ndarray [N m/rad]

    Raises
    ------
    PhysicalRangeError
        If any input is not above zero or D/d is not above 1.

    Examples
    --------
    >>> round(float(torsion_rate(7e-3, 53e-3, 168, 206e9)), 3)  # EN 13906-3 worked print-out: 0.868
    0.868
    """
    d, mean, n, e = (np.asarray(v, float) for v in (wire_diameter, mean_diameter, active_coils, youngs_modulus))
    _check_coil(d, mean)
    require(n > 0, "active_coils", n, "-", "> 0")
    require(e > 0, "youngs_modulus", e, "Pa", "> 0")
    return np.asarray(e * d**4 / (64 * mean * n))


def shear_stress(force: ArrayLike, wire_diameter: ArrayLike, mean_diameter: ArrayLike) -> Array:
    """Corrected torsional shear stress in the wire under an axial force.

    tau = K 8 F D / (pi d^3), K = (C + 0.5) / (C - 0.75), C = D/d.
    Source: EN 13906-1; identical to Bergstraesser's (4C+2)/(4C-3), Shigley Eq. 10-5 ff.

    Parameters
    ----------
    force : array_like [N]
    wire_diameter, mean_diameter : array_like [m]

    Returns
    -------
    ndarray [Pa]

    Raises
    ------
    PhysicalRangeError
        If a diameter is not above zero or D/d is not above 1.

    Examples
    --------
    >>> round(float(shear_stress(620.0, 5e-3, 34.6e-3)) / 1e6, 1)  # derived here from the formula
    525.6
    """
    f, d, mean = (np.asarray(v, float) for v in (force, wire_diameter, mean_diameter))
    _check_coil(d, mean)
    index = mean / d
    return np.asarray((index + 0.5) / (index - 0.75) * 8 * f * mean / (np.pi * d**3))


def bending_stress(torque: ArrayLike, wire_diameter: ArrayLike, mean_diameter: ArrayLike) -> Array:
    """Bending stress at the inner fibre of a spring wound by a torque about its axis.

    sigma = K_i 32 M / (pi d^3), K_i = (4 C^2 - C - 1) / (4 C (C - 1)).
    Source: Shigley Eq. 10-43 ff. (Wahl's curved-beam factor).

    Parameters
    ----------
    torque : array_like [N m]
    wire_diameter, mean_diameter : array_like [m]

    Returns
    -------
    ndarray [Pa]

    Raises
    ------
    PhysicalRangeError
        If a diameter is not above zero or D/d is not above 1.
    """
    m, d, mean = (np.asarray(v, float) for v in (torque, wire_diameter, mean_diameter))
    _check_coil(d, mean)
    index = mean / d
    inner = (4 * index**2 - index - 1) / (4 * index * (index - 1))
    return np.asarray(inner * 32 * m / (np.pi * d**3))


def torsion_shear_stress(shear: ArrayLike, bending: ArrayLike) -> Array:
    """Largest shear stress of a wire that carries torsional shear and bending together.

    sqrt((sigma/2)^2 + tau^2). Source: Tresca's criterion (textbook, value from memory); no
    standard covers a spring loaded axially and in torsion at once.

    Parameters
    ----------
    shear, bending : array_like [Pa]

    Returns
    -------
    ndarray [Pa]
    """
    return np.asarray(np.hypot(np.asarray(bending, float) / 2, np.asarray(shear, float)))


def tensile_strength(wire_diameter: ArrayLike, intercept: ArrayLike, exponent: ArrayLike) -> Array:
    """Tensile strength of spring wire, S_ut = A / d^m with d in millimetres.

    Source: Shigley Table 10-4 (intercept A and exponent m by wire material).

    Parameters
    ----------
    wire_diameter : array_like [m]
    intercept : array_like [Pa]
        Strength of 1 mm wire.
    exponent : array_like [-]

    Returns
    -------
    ndarray [Pa]

    Raises
    ------
    PhysicalRangeError
        If a diameter is not above zero.
    """
    d = np.asarray(wire_diameter, float)
    require(d > 0, "wire_diameter", d, "m", "> 0")
    return np.asarray(np.asarray(intercept, float) / (d * 1e3) ** np.asarray(exponent, float))


def solid_length(wire_diameter: ArrayLike, total_coils: ArrayLike) -> Array:
    """Length of a spring with squared and ground ends when its coils touch, L_s = N_t d.

    Source: EN 13906-1; Shigley Table 10-1.

    Parameters
    ----------
    wire_diameter : array_like [m]
    total_coils : array_like [-]

    Returns
    -------
    ndarray [m]

    Raises
    ------
    PhysicalRangeError
        If an input is not above zero.
    """
    d, n = np.asarray(wire_diameter, float), np.asarray(total_coils, float)
    require(d > 0, "wire_diameter", d, "m", "> 0")
    require(n > 0, "total_coils", n, "-", "> 0")
    return np.asarray(n * d)


def buckling_deflection(
    free_length: ArrayLike,
    mean_diameter: ArrayLike,
    shear_modulus: ArrayLike,
    youngs_modulus: ArrayLike,
    end_factor: ArrayLike = 0.5,
) -> Array:
    """Deflection at which a compression spring buckles; infinite where it cannot.

    Source: EN 13906-1 clause 9.14 (formula from memory; algebraically the same as Shigley Eq. 10-10 to 10-12).

    Parameters
    ----------
    free_length, mean_diameter : array_like [m]
    shear_modulus, youngs_modulus : array_like [Pa]
    end_factor : array_like [-]
        0.5 for both ends on flat parallel seats, 1 for both ends free to pivot.

    Returns
    -------
    ndarray [m]

    Raises
    ------
    PhysicalRangeError
        If an input is not above zero.
    """
    names = ("free_length", "mean_diameter", "shear_modulus", "youngs_modulus", "end_factor")
    units = ("m", "m", "Pa", "Pa", "-")
    values = [np.asarray(v, float) for v in (free_length, mean_diameter, shear_modulus, youngs_modulus, end_factor)]
    for name, value, unit in zip(names, values, units, strict=True):
        require(value > 0, name, value, unit, "> 0")
    length, mean, g, e, nu = values
    ratio = g / e
    inside = 1 - (1 - ratio) / (0.5 + ratio) * (np.pi * mean / (nu * length)) ** 2
    buckled = length * 0.5 / (1 - ratio) * (1 - np.sqrt(np.maximum(inside, 0)))
    return np.asarray(np.where(inside >= 0, buckled, np.inf))


def stored_energy(rate: ArrayLike, deflection: ArrayLike) -> Array:
    """Energy held by a linear spring, U = k x^2 / 2.

    Source: Hooke's law (Wentzell, Engineering and machine design examples, 8.6).

    Parameters
    ----------
    rate : array_like [N/m]
    deflection : array_like [m]

    Returns
    -------
    ndarray [J]
    """
    return np.asarray(0.5 * np.asarray(rate, float) * np.asarray(deflection, float) ** 2)


@dataclass(frozen=True)
class LoadCurve:
    """Axial load of a spring against its length: the one model that every way of describing a spring ends in.

    Linear between the given points and, with the end slopes, beyond them; never below zero load.

    Attributes
    ----------
    length : ndarray, shape (n,) [m]
        Strictly decreasing.
    load : ndarray, shape (n,) [N]
        Strictly increasing.

    Raises
    ------
    PhysicalRangeError
        If lengths do not fall or loads do not rise.
    """

    length: Array
    load: Array

    def __post_init__(self) -> None:
        require(np.diff(self.length) < 0, "spring lengths", np.diff(self.length), "m", "strictly falling order")
        require(np.diff(self.load) > 0, "spring loads", np.diff(self.load), "N", "strictly rising order")

    def at(self, length: ArrayLike) -> Array:
        """Load at a length; 0 beyond the free length.

        Parameters
        ----------
        length : array_like [m]

        Returns
        -------
        ndarray [N]
        """
        asked = np.asarray(length, float)
        rates = -np.diff(self.load) / np.diff(self.length)
        piece = np.clip(np.searchsorted(-self.length, -asked, side="right") - 1, 0, len(rates) - 1)
        return np.asarray(np.maximum(self.load[piece] + rates[piece] * (self.length[piece] - asked), 0.0))

    @property
    def rate(self) -> float:
        """Mean rate over the described range [N/m]."""
        return float((self.load[-1] - self.load[0]) / (self.length[0] - self.length[-1]))

    @property
    def free_length(self) -> float:
        """Length at which the load reaches zero, by the first slope [m]."""
        slope = (self.load[1] - self.load[0]) / (self.length[0] - self.length[1])
        return float(self.length[0] + self.load[0] / slope)


def _check_coil(wire: Array, mean: Array) -> None:
    require(wire > 0, "wire_diameter", wire, "m", "> 0")
    require(mean > wire, "mean_diameter", mean, "m", "above the wire diameter")
