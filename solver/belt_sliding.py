"""The full sliding-angle theory of a one-dimensional flexible V-belt: the reference of `belt_grip`.

The belt sinks into the groove and stretches; on each sheave it slides at an angle g to the inward radius (180 deg:
inward, 90 deg: along the groove). It enters at g = 180 deg with no slip and stays so over an idle arc of any length;
then an active arc carries the change of tension. Angle, thrust and sliding angle of the active arc depend on the
tension ratio, the groove, friction, and one number for the belt, `compliance`. Left out: bending stiffness, sheave
tilt, inertia beyond m v^2, shifting.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal, cast

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import brentq

from solver.arrays import Array, Index
from solver.errors import PhysicalRangeError, require

__all__ = ["ActiveArc", "active_arc", "slip_ratio", "table_arc", "table_range", "thrust_factor"]

Pulley = Literal["drive", "driven"]

_START = 1e-4  # rad of active arc bridged by the series at its beginning
_FINE, _COARSE = 400, 21  # nodes between which the table is inverted, and every which one is read first: 21 x 19 + 1
_TABLE_FILE = "sliding_table.csv"


@dataclass(frozen=True)
class ActiveArc:
    """The active arc up to a tension ratio, shape (n,) each.

    Attributes
    ----------
    arc [rad] : angle since the belt left the idle state
    ratio [-] : T1'/T2' across the arc
    thrust [-] : axial thrust of the arc over the net tension at entry
    sliding_angle [rad] : g
    """

    arc: Array
    ratio: Array
    thrust: Array
    sliding_angle: Array


def active_arc(
    ratio: ArrayLike,
    half_angle: float,
    friction: float,
    compliance: float = 1.0,
    pulley: Pulley = "driven",
    tolerance: float = 1e-9,
) -> ActiveArc:
    """Integrate the active arc to given tension ratios.

    Per radian, with tan bs = tan b cos g, D = sin b - mu cos bs cos g and G = (cos b + mu sin bs)/D:
    dT'/dtheta = +-T' mu cos bs sin g / D, dF/dtheta = T' G / 2, and d(T' G)/dtheta = -|slip| cot g with
    slip = compliance (T' - T'entry) + T' G - (T' G)entry. Near g = 180 deg the solution departs as
    g = 180 deg - m theta; m follows from the equations' second order. Source: derived here from element
    equilibrium, compliance and mass flow; the structure is Gerbert's, the entry state Sorge and Gerbert's (ASME J.
    Mech. Des. 124, 2002; abstract).

    Parameters
    ----------
    ratio : array_like, shape (n,) [-]
        Tension ratios, rising, above 1.
    half_angle : float [rad]
    friction : float [-]
    compliance : float [-]
        Longitudinal over radial compliance, 1/(c E A).
    pulley : "drive" or "driven"
    tolerance : float [-]
        Relative tolerance of the integration; between 1e-7 and 1e-11 arcs and thrusts agree to 1e-5.

    Returns
    -------
    ActiveArc

    Raises
    ------
    PhysicalRangeError
        For inputs out of range, or if a ratio is not reached within 1000 deg.

    Examples
    --------
    >>> a = active_arc([2.0], np.radians(13), 0.35)  # computed check table: 114.3 deg, thrust 2.385
    >>> print(round(float(np.degrees(a.arc[0])), 0), round(float(a.thrust[0]), 2))
    114.0 2.39
    """
    from scipy.integrate import solve_ivp  # here: only the making of the stored table integrates

    wanted = np.log(np.atleast_1d(np.asarray(ratio, float)))
    require((wanted > 0) & (wanted < np.log(1e4)), "ratio", np.exp(wanted), "-", "(1, 10000)")
    require(np.diff(wanted) > 0, "step of ratio", np.diff(wanted), "-", "> 0 (rising order)")
    require(0 < half_angle <= np.pi / 4, "half_angle", half_angle, "rad", "(0, 0.785]")
    require(0 < friction <= 1.5, "friction", friction, "-", "(0, 1.5]")
    require(0 < compliance <= 100, "compliance", compliance, "-", "(0, 100]")
    sign = 1.0 if pulley == "driven" else -1.0
    slope = np.tan(half_angle)

    def state(g: float) -> tuple[float, float, float]:
        """Thrust factor G, tension rate h, and dG/dg."""
        flank = np.arctan(slope * np.cos(g))
        flank_rate = -slope * np.sin(g) / (1 + (slope * np.cos(g)) ** 2)
        grip = np.sin(half_angle) - friction * np.cos(flank) * np.cos(g)
        grip_rate = friction * (np.sin(flank) * np.cos(g) * flank_rate + np.cos(flank) * np.sin(g))
        push = np.cos(half_angle) + friction * np.sin(flank)
        push_rate = friction * np.cos(flank) * flank_rate
        return (
            push / grip,
            friction * np.cos(flank) * np.sin(g) / grip,
            (push_rate * grip - push * grip_rate) / grip**2,
        )

    entry = state(np.pi)[0]
    # Second derivative of G at entry and first of h, by central differences of the exact first derivatives.
    step = 1e-5
    bend = -state(np.pi - step)[2] / step
    rate = state(np.pi - step)[1] / step
    # Departure g = pi - m theta: bend m^2 + (sign rate entry - bend/2) m - (compliance + entry) rate / 2 = 0.
    half = (sign * rate * entry - bend / 2) / (2 * bend)
    depart = -half + np.sqrt(half**2 + (compliance + entry) * rate / (2 * bend))

    def change(_: float, y: Array) -> list[float]:
        tension, g = np.exp(sign * y[0]), y[1]
        thrust, pull, thrust_rate = state(g)
        slip = compliance * (tension - 1) + tension * thrust - entry
        turn = (-abs(slip) / np.tan(g) - sign * tension * pull * thrust) / (tension * thrust_rate)
        return [pull, turn, tension * thrust / 2]

    def reached(_: float, y: Array) -> float:
        return float(y[0] - wanted[-1])

    reached.terminal = True  # type: ignore[attr-defined]
    start = [rate * depart * _START**2 / 2, np.pi - depart * _START, entry * _START / 2]
    run = solve_ivp(
        change,
        (_START, np.radians(1000)),
        start,
        method="LSODA",
        rtol=tolerance,
        atol=tolerance * 1e-2,
        events=reached,
        dense_output=True,
    )
    if run.status != 1:
        raise PhysicalRangeError(
            f"ratio = {np.exp(wanted[-1]):.4g} is not reached within 1000 deg of wrap at friction {friction:.3g}; "
            "change ratio, friction or half_angle"
        )
    track = cast(Callable[[ArrayLike], Array], run.sol)
    arcs = np.array([_crossing(track, run.t, run.y[0], value) for value in wanted])
    logs, angles, thrusts = track(arcs)
    return ActiveArc(arcs, np.exp(logs), thrusts, angles)


def _crossing(track: Callable[[ArrayLike], Array], times: Array, logs: Array, value: float) -> float:
    """Arc at which the log ratio reaches a value; it rises along the arc."""
    after = min(int(np.searchsorted(logs, value)), len(logs) - 1)
    if logs[after] <= value:
        return float(times[after])
    low = float(times[max(after - 1, 0)])
    return float(brentq(lambda arc: float(track(arc)[0]) - value, low, float(times[after]), xtol=1e-12))


def thrust_factor(
    ratio: ArrayLike,
    wrap: float,
    half_angle: float,
    friction: float,
    compliance: float = 1.0,
    pulley: Pulley = "driven",
) -> Array:
    """Axial thrust of a sheave over the net tension at its entry, full theory.

    Idle arc (wrap - active) / (2 tan(b + rho)) plus the active arc's thrust. Entry is the tight side on the drive
    sheave and the slack side on the driven sheave. Source: derived here from `active_arc`.

    Parameters
    ----------
    ratio : array_like, shape (n,) [-]
    wrap, half_angle : float [rad]
    friction, compliance : float [-]
    pulley : "drive" or "driven"

    Returns
    -------
    ndarray, shape (n,) [-]

    Raises
    ------
    PhysicalRangeError
        If the active arc passes the wrap: the sheave slips at that ratio.
    """
    active = active_arc(ratio, half_angle, friction, compliance, pulley)
    require(
        active.arc <= wrap,
        "active arc",
        active.arc,
        "rad",
        "at or below the wrap (the belt slides on all of it)",
        "tension ratio, wrap or friction",
    )
    seat = 2 * np.tan(half_angle + np.arctan(friction))
    return np.asarray((wrap - active.arc) / seat + active.thrust)


# ---- the table: arcs and thrusts over (log ratio, friction, half angle) ----


@dataclass(frozen=True)
class _Table:
    root_log: Array  # sqrt(ln ratio), in which the arc is smooth from 0
    friction: Array
    half_angle: Array
    arc: dict[str, RegularGridInterpolator]
    thrust: dict[str, RegularGridInterpolator]


@cache
def _table() -> _Table:
    file = resources.files("solver") / _TABLE_FILE
    rows = np.loadtxt(str(file), delimiter=",", skiprows=3)
    root, friction, half = (np.unique(rows[:, n]) for n in range(3))
    shape = (len(root), len(friction), len(half))
    cubes = rows[:, 3:].T.reshape(4, *shape)
    grid = (root, friction, half)

    def smooth(cube: Array) -> RegularGridInterpolator:
        return RegularGridInterpolator(grid, cube, method="cubic")

    return _Table(
        root, friction, half,
        {"drive": smooth(cubes[0]), "driven": smooth(cubes[2])},
        {"drive": smooth(cubes[1]), "driven": smooth(cubes[3])},
    )  # fmt: skip


def table_range() -> tuple[tuple[float, float], tuple[float, float], float]:
    """Extent of the stored table.

    Source: derived here; read from the table itself.

    Returns
    -------
    tuple [-], [rad], [-]
        Least and largest friction, least and largest half angle, largest tension ratio.
    """
    table = _table()
    return (
        (float(table.friction[0]), float(table.friction[-1])),
        (float(table.half_angle[0]), float(table.half_angle[-1])),
        float(np.exp(table.root_log[-1] ** 2)),
    )


def table_arc(
    ratio: ArrayLike, half_angle: ArrayLike, friction: ArrayLike, pulley: Pulley = "driven"
) -> tuple[Array, Array]:
    """Active arc and its thrust from the stored table (compliance 1), by cubic interpolation.

    Source: derived here; the table is written by tests/demo/sliding_table.py from `active_arc`.

    Parameters
    ----------
    ratio : array_like [-]
        From 1 to the table's largest.
    half_angle : array_like [rad]
    friction : array_like [-]
    pulley : "drive" or "driven"

    Returns
    -------
    tuple of two ndarrays [rad], [-]
        Active arc; thrust over the net tension at entry.

    Raises
    ------
    PhysicalRangeError
        Outside the table: friction 0.15 to 0.6, half angle 10 to 16 deg.
    """
    table = _table()
    (low_mu, high_mu), (low_b, high_b), most = table_range()
    values, b, mu = np.broadcast_arrays(*(np.asarray(v, float) for v in (ratio, half_angle, friction)))
    require((mu >= low_mu - 1e-9) & (mu <= high_mu + 1e-9), "friction", mu, "-", f"[{low_mu:g}, {high_mu:g}]")
    require((b >= low_b - 1e-9) & (b <= high_b + 1e-9), "half_angle", b, "rad", f"[{low_b:.4f}, {high_b:.4f}]")
    require((values >= 1) & (values <= most + 1e-9), "ratio", values, "-", f"[1, {most:.4g}]")
    root = np.minimum(np.sqrt(np.log(np.maximum(values, 1.0))), table.root_log[-1])
    points = np.stack([root, np.clip(mu, low_mu, high_mu), np.clip(b, low_b, high_b)], axis=-1)
    return table.arc[pulley](points), table.thrust[pulley](points)


def slip_ratio(wrap: ArrayLike, half_angle: ArrayLike, friction: ArrayLike, pulley: Pulley = "driven") -> Array:
    """Largest net tension ratio a sheave carries: the ratio whose active arc fills the wrap, from the table.

    Inverts `table_arc` by monotone interpolation on a fine grid of ratios, of which only the part that holds the wraps
    is read. Where the wrap holds more than the table's
    largest ratio, that ratio is given. Beyond the table's friction and half angle the logarithm at the nearest edge
    is scaled by sqrt(mu / sin b), an extrapolation. Source: derived here.

    Parameters
    ----------
    wrap, half_angle : array_like [rad]
    friction : array_like [-]
    pulley : "drive" or "driven"

    Returns
    -------
    ndarray [-]

    Raises
    ------
    PhysicalRangeError
        For a wrap outside (0, 360 deg].
    """
    theta = np.asarray(wrap, float)
    flanks = np.broadcast_arrays(np.asarray(half_angle, float), np.asarray(friction, float))
    require((theta > 0) & (theta <= 2 * np.pi), "wrap", theta, "rad", "(0, 6.283]")
    (low_mu, high_mu), (low_b, high_b), _ = table_range()
    (b, mu), group = np.unique(np.stack([f.ravel() for f in flanks]), axis=1, return_inverse=True)
    inner_b, inner_mu = np.clip(b, low_b, high_b), np.clip(mu, low_mu, high_mu)
    scale = np.sqrt(mu / inner_mu * np.sin(inner_b) / np.sin(b))
    theta, group = np.broadcast_arrays(theta, group.reshape(flanks[0].shape))
    root = _root_at(theta.ravel(), group.ravel(), inner_b, inner_mu, pulley).reshape(theta.shape)
    return np.asarray(np.exp(root**2 * scale[group]))


def _root_at(theta: Array, group: Index, half_angle: Array, friction: Array, pulley: Pulley) -> Array:
    """sqrt(ln ratio) whose active arc is theta, shape (k,); each belongs to a group with its own flanks, shape (g,)."""
    roots = np.linspace(0, _table().root_log[-1], _FINE)
    arc = _table().arc[pulley]

    def arcs(belt: Index, chosen: Array) -> Array:
        return np.asarray(arc(np.stack(np.broadcast_arrays(chosen, friction[belt], half_angle[belt]), axis=-1)))

    every = np.arange(len(friction))
    coarse = arcs(every[:, None], roots[::_COARSE])
    members = np.split(np.argsort(group, kind="stable"), np.cumsum(np.bincount(group))[:-1])
    near = []
    for here, passed in zip(members, coarse, strict=True):
        first = np.searchsorted(passed, theta[here].min(), side="right") - 1
        near.append(roots[first * _COARSE : np.searchsorted(passed, theta[here].max()) * _COARSE + 1])
    ends = np.cumsum([len(some) for some in near])
    fine = np.split(arcs(np.repeat(every, np.diff(ends, prepend=0)), np.concatenate(near)), ends[:-1])
    out = np.empty(len(theta))
    for here, passed, some in zip(members, fine, near, strict=True):
        out[here] = np.interp(theta[here], passed, some)
    return out
