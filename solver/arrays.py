"""Array types that all of the solver shares, and how arrays of draws meet arrays of kits.

A varied input is an array of shape (d,), one value a draw; what is derived from it has that one leading axis d. Arrays
of kits that meet it carry the same axis first, of size d or 1: a belt coefficient of shape (d, n) meets kits of shape
(d, k, 2, m, n) as (d, 1, 1, 1, n). Without draws every array keeps the shape it has.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Array", "Index", "Mask", "Number", "per_draw", "per_position", "plain"]

Array: TypeAlias = NDArray[np.float64]
Index: TypeAlias = NDArray[np.intp]
Mask: TypeAlias = NDArray[np.bool_]
Number: TypeAlias = float | Array  # one value, or one a draw: shape (d,)


def per_draw(values: ArrayLike, ndim: int) -> Array:
    """Values of each draw, shaped to meet arrays of `ndim` axes whose first is the draws.

    Parameters
    ----------
    values : array_like, shape () or (d,)
    ndim : int

    Returns
    -------
    ndarray, shape () or (d, 1, ..., 1)

    Examples
    --------
    >>> per_draw([0.3, 0.4], 3).shape, per_draw(0.3, 3).shape
    ((2, 1, 1), ())
    """
    array = np.asarray(values, float)
    return array.reshape(len(array), *(1,) * (ndim - 1)) if array.ndim == 1 else array


def per_position(values: ArrayLike, ndim: int) -> Array:
    """Values over draws and positions, shaped to meet arrays of `ndim` axes: draws first, positions last.

    Parameters
    ----------
    values : array_like, shape (n,) or (d, n)
    ndim : int

    Returns
    -------
    ndarray, shape (n,) or (d, 1, ..., 1, n)

    Examples
    --------
    >>> per_position([[1.0, 2, 3], [4, 5, 6]], 4).shape, per_position([1.0, 2, 3], 4).shape
    ((2, 1, 1, 3), (3,))
    """
    array = np.asarray(values, float)
    return array.reshape(len(array), *(1,) * (ndim - 2), array.shape[1]) if array.ndim == 2 else array


def plain(values: ArrayLike) -> Number:
    """A value that all draws share as a float; anything else as it is.

    Parameters
    ----------
    values : array_like, shape () or (d,)

    Returns
    -------
    float or ndarray, shape (d,)

    Examples
    --------
    >>> plain(np.asarray(0.5)), plain([0.5, 0.6])
    (0.5, array([0.5, 0.6]))
    """
    array = np.asarray(values, float)
    return array if array.ndim else float(array)
