"""The parabola below the squared speed error of each duty point: r^2 >= c0 + c1 t + c2 t^2."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from search.exact.slopes import Slopes, Spans

__all__ = ["least_quadratic", "parabolas"]

Array = NDArray[np.float64]

_NEAR = 0.01  # speed errors on both sides of the usual one at which the slope of r over t is taken
_USUAL_SPREAD = 0.008  # t of a good kit, for which the parabolas are made tight
_BENDS = np.array([1.0, 0.95, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1])  # of the parabola, to choose from


def parabolas(slopes: Slopes, spans: Spans, least: Array, most: Array) -> tuple[Array, Array, Array]:
    """Coefficients with which the parabola lies below r^2 wherever t is from `least` to `most`.

    Which c1 and c2 are taken decides how tight the parabola is; that it holds is c0's doing.

    Parameters
    ----------
    slopes : Slopes
    spans : Spans
    least, most : ndarray, shape (j,) [-]

    Returns
    -------
    c0, c1, c2 : ndarray, shape (j,) each
        c0 = 0 where no pair comes into the cells at all.
    """
    cells, usual = slopes.speeds, slopes.usual
    near, each = [np.abs(cells.base - usual - step).argmin(axis=0) for step in (-_NEAR, _NEAR)], np.arange(len(usual))
    middle = (spans.low + spans.high) / 2
    (start, end), (low, high) = ([table[at, each] for at in near] for table in (cells.base, middle))
    steepness = (high - low) / np.where(end > start, end - start, 1.0)
    slope = 1 / np.maximum(steepness, 0.2)

    # Within a cell t runs between the lines low + slowest x and high + fastest x of the way x, so it may pass through
    # what the pairs can reach even where it leaps over all of it.
    width = cells.width
    lowest = spans.low + np.minimum(spans.slowest * width, 0.0)
    highest = spans.high + np.maximum(spans.fastest * width, 0.0)
    reached = (highest >= least) & (lowest <= most)
    kept = reached.any(axis=1)
    reached, width, base, sign = reached[kept], width[kept], cells.base[kept], cells.sign[kept]
    lines = [(table[kept], rate[kept]) for table, rate in ((spans.low, spans.slowest), (spans.high, spans.fastest))]

    c0, c1, c2 = np.full(len(usual), -np.inf), 2 * usual * slope, np.zeros(len(usual))
    for bend in _BENDS:
        curve = bend * slope**2
        below = np.minimum(*(least_quadratic(base, sign, width, start, rate, c1, curve) for start, rate in lines))
        constant = np.min(np.where(reached, below, np.inf), axis=0, initial=np.inf)
        better = constant + curve * _USUAL_SPREAD**2 > c0 + c2 * _USUAL_SPREAD**2
        c0, c2 = np.where(better, constant, c0), np.where(better, curve, c2)
    unknown = ~(c0 > -np.inf)  # no parabola was found to hold: nothing below zero does no harm
    c0 = np.where(np.isfinite(c0), c0, 0.0)
    return c0, np.where(unknown, 0.0, c1), c2


def least_quadratic(base: Array, sign: Array, width: Array, start: Array, rate: Array, c1: Array, c2: Array) -> Array:
    """Least r^2 - c1 t - c2 t^2 on the way r = base + sign x, t = start + rate x, x from 0 to the width.

    A quadratic in x: least at an end, or at its vertex where it bends upwards.
    """
    first = base**2 - (c1 + c2 * start) * start
    climb = 2 * sign * base - (c1 + 2 * c2 * start) * rate
    bend = 1 - c2 * rate**2
    with np.errstate(divide="ignore", invalid="ignore"):
        vertex = np.where(bend > 0, np.clip(-climb / (2 * bend), 0.0, width), 0.0)
    return np.minimum(first + (climb + bend * vertex) * vertex, first + (climb + bend * width) * width)
