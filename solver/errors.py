"""What the physics refuses. It stands in the lowest package; what is wrong with files stands in `catalog.errors`.

KitwrightError
└── PhysicalRangeError   a number no machine can have: value, unit, limit, input to change
"""

from __future__ import annotations

from typing import Any

__all__ = ["KitwrightError", "PhysicalRangeError", "require"]


class KitwrightError(Exception):
    """Base of every error that kitwright raises on purpose."""


class PhysicalRangeError(KitwrightError, ValueError):
    """An input outside what the physics allows."""


def require(ok: Any, name: str, value: Any, unit: str, limit: str, change: str = "") -> None:
    """Raise PhysicalRangeError unless `ok` holds everywhere.

    Parameters
    ----------
    ok : bool or array of bool
        The condition, any shape.
    name, unit, limit : str
        What is out of range, its unit, and the limit in words ("> 0").
    value : float or array
        The value tested; the first offender is printed.
    change : str
        The inputs to change, where that is not `name` itself.

    Raises
    ------
    PhysicalRangeError
        Naming input, value, unit and limit.
    """
    import numpy as np  # here, so that asking for help loads no numeric library

    fine = np.asarray(ok)
    if fine.all():
        return
    values, fine = np.broadcast_arrays(np.asarray(value), fine)
    worst = values[~fine].flat[0]
    raise PhysicalRangeError(f"{name} = {worst:.6g} {unit} is outside {limit}; change {change or name}")
