"""Power lost in the belt: bending, wedging, slip. Windage of sheaves and belt is left out.

Structure: bending hysteresis ~ v (1/R1 + 1/R2) and wedging ~ v (T1' + T2') (both torque losses),
slip = stretch + difference of radial penetration (speed loss). Measured trends (Childs and
Cowburn, Proc. IMechE D 201, 1987): torque loss ~ 1/R, speed loss ~ 1/R^2. The coefficients belong
to a belt and can be calibrated.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from solver.arrays import Array, Number, per_draw, per_position
from solver.belt_path import ShiftPath
from solver.errors import require

__all__ = ["BeltLosses", "belt_loss", "loss_by_sheave", "slip_power", "speed_loss"]


@dataclass(frozen=True)
class BeltLosses:
    """Loss coefficients of one belt, each a float or of shape (d,) over draws.

    Attributes
    ----------
    bending [N m] : power per belt speed and curvature
    wedging [-] : share of each net tension lost while the belt wedges in and out
    stretch_stiffness [N] : E A of the cord
    wedge_stiffness [N/m^2] : radial compliance as k_z tan b: penetration x = T' / (2 R k tan(b + rho))

    Raises
    ------
    PhysicalRangeError
        If a coefficient is negative, a stiffness not above zero, or wedging 0.2 or more.
    """

    bending: Number
    wedging: Number
    stretch_stiffness: Number
    wedge_stiffness: Number

    def __post_init__(self) -> None:
        bending, wedging, stretch, wedge = (np.asarray(getattr(self, f.name), float) for f in fields(self))
        require(bending >= 0, "bending loss", bending, "N m", ">= 0")
        require((wedging >= 0) & (wedging < 0.2), "wedging loss", wedging, "-", "[0, 0.2)")
        require(stretch > 0, "stretch_stiffness", stretch, "N", "> 0")
        require(wedge > 0, "wedge_stiffness", wedge, "N/m^2", "> 0")


def speed_loss(tight_net: ArrayLike, slack_net: ArrayLike, path: ShiftPath, seat: Number, belt: BeltLosses) -> Array:
    """Share of speed lost between the sheaves below gross slip, s = (T1 - T2)/EA + x1/R1 - x2/R2.

    x/R = T' / (2 R^2 k tan(b + rho)). Source: derived here from the one-dimensional flexible belt, components as
    in Gerbert, Belt Slip - A Unified Approach, ASME J. Mech. Des. 118 (1996). Never below zero.

    Parameters
    ----------
    tight_net, slack_net : array_like, shape (..., n) [N]
        Last axis over shift position; the first one over draws, if path or belt have them.
    path : ShiftPath
    seat : float or ndarray, shape (d,) [-]
        2 tan(b + rho).
    belt : BeltLosses

    Returns
    -------
    ndarray [-]
    """
    tight, slack = np.asarray(tight_net, float), np.asarray(slack_net, float)
    drive, driven = (per_position(radius, tight.ndim) for radius in (path.drive_radius, path.driven_radius))
    stretch, wedge = per_draw(belt.stretch_stiffness, tight.ndim), per_draw(belt.wedge_stiffness, tight.ndim)
    sinking = tight / drive**2 - slack / driven**2
    loss = (tight - slack) / stretch + sinking / (wedge * per_draw(seat, tight.ndim))
    return np.asarray(np.maximum(loss, 0.0))


def slip_power(
    tight_net: ArrayLike,
    slack_net: ArrayLike,
    belt_speed: ArrayLike,
    path: ShiftPath,
    seat: Number,
    belt: BeltLosses,
) -> Array:
    """Power that slip below gross slip turns into heat: speed loss x pull x belt speed.

    Source: derived here; the speed loss is that of `speed_loss`.

    Parameters
    ----------
    tight_net, slack_net : array_like, shape (..., n) [N]
        Last axis over shift position; the first one over draws, if path or belt have them.
    belt_speed : array_like [m/s]
        Broadcasts against the tensions.
    path : ShiftPath
    seat : float or ndarray, shape (d,) [-]
    belt : BeltLosses

    Returns
    -------
    ndarray [W]
    """
    tight, slack, v = (np.asarray(a, float) for a in (tight_net, slack_net, belt_speed))
    return np.asarray(speed_loss(tight, slack, path, seat, belt) * (tight - slack) * v)


def loss_by_sheave(
    tight_net: ArrayLike,
    slack_net: ArrayLike,
    belt_speed: ArrayLike,
    path: ShiftPath,
    seat: Number,
    belt: BeltLosses,
) -> tuple[Array, Array]:
    """Power lost on the drive and on the driven sheave; together `belt_loss`.

    Source: derived here; structure and trends as in the head of this file. The belt bends to the radius of each
    sheave, and wedges into it with the tension it enters with: tight into the drive sheave, slack into the driven one.
    Half of the slip power each is a convention: the share of a sheave depends on how creep is spread over its wrap,
    which is not modelled.

    Parameters
    ----------
    tight_net, slack_net : array_like, shape (..., n) [N]
        Last axis over shift position; the first one over draws, if path or belt have them.
    belt_speed : array_like [m/s]
        Broadcasts against the tensions.
    path : ShiftPath
    seat : float or ndarray, shape (d,) [-]
    belt : BeltLosses

    Returns
    -------
    tuple of two ndarrays [W]
        Drive sheave, driven sheave.
    """
    tight, slack, v = (np.asarray(a, float) for a in (tight_net, slack_net, belt_speed))
    slipping = slip_power(tight, slack, v, path, seat, belt) / 2
    bending, wedging = per_draw(belt.bending, tight.ndim), per_draw(belt.wedging, tight.ndim)

    def lost(radius: Array, entering: Array) -> Array:
        return np.asarray(v * (bending / per_position(radius, tight.ndim) + wedging * entering) + slipping)

    return lost(path.drive_radius, tight), lost(path.driven_radius, slack)


def belt_loss(
    tight_net: ArrayLike,
    slack_net: ArrayLike,
    belt_speed: ArrayLike,
    path: ShiftPath,
    seat: Number,
    belt: BeltLosses,
) -> Array:
    """Power lost in the belt, on both sheaves.

    Source: derived here; the sum of `loss_by_sheave`.

    Parameters
    ----------
    tight_net, slack_net : array_like, shape (..., n) [N]
        Last axis over shift position; the first one over draws, if path or belt have them.
    belt_speed : array_like [m/s]
        Broadcasts against the tensions.
    path : ShiftPath
    seat : float or ndarray, shape (d,) [-]
    belt : BeltLosses

    Returns
    -------
    ndarray [W]
    """
    drive, driven = loss_by_sheave(tight_net, slack_net, belt_speed, path, seat, belt)
    return np.asarray(drive + driven)
