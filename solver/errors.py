"""What the physics refuses. It stands in the lowest package; what is wrong with files stands in `catalog.errors`.

KitwrightError
└── PhysicalRangeError   a number no machine can have: value, unit, limit, input to change
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

__all__ = ["KitwrightError", "PhysicalRangeError", "blame", "refuse", "require"]


class KitwrightError(Exception):
    """Base of every error that kitwright raises on purpose."""


class PhysicalRangeError(KitwrightError, ValueError):
    """An input outside what the physics allows.

    Attributes
    ----------
    field : str
        The field of the record of inputs that is to blame, as "belt.friction" or "grounds[2]"; empty where the
        function that refuses knows no record.
    also : tuple of PhysicalRangeError
        What else is wrong with the same inputs.
    """

    def __init__(self, message: str, field: str = "", also: Sequence[PhysicalRangeError] = ()) -> None:
        super().__init__(message)
        self.field = field
        self.also = tuple(also)


@contextmanager
def blame(field: str, refusals: list[PhysicalRangeError] | None = None) -> Iterator[None]:
    """Say which field of the inputs is to blame for what is refused inside.

    Parameters
    ----------
    field : str
        Set on errors that name no field of their own.
    refusals : list of PhysicalRangeError, optional
        Where the error is kept instead of being raised, so that independent inputs are all judged.

    Raises
    ------
    PhysicalRangeError
        What was raised inside, its field set.
    """
    try:
        yield
    except PhysicalRangeError as error:
        error.field = error.field or field
        if refusals is None:
            raise
        refusals.append(error)


def refuse(refusals: Sequence[PhysicalRangeError]) -> None:
    """Raise the first of several refusals, with the others beside it; nothing if there is none.

    Parameters
    ----------
    refusals : sequence of PhysicalRangeError

    Raises
    ------
    PhysicalRangeError
        The first; `also` holds the rest.
    """
    every = [one for refusal in refusals for one in (refusal, *refusal.also)]
    if every:
        every[0].also = tuple(every[1:])
        raise every[0]


def require(ok: Any, name: str, value: Any, unit: str, limit: str, change: str = "", field: str = "") -> None:
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
    field : str
        The field of the record of inputs that is to blame.

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
    raise PhysicalRangeError(f"{name} = {worst:.6g} {unit} is outside {limit}; change {change or name}", field)
