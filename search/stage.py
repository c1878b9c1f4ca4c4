"""A request put to one machine with one belt: what sides, rules and terms are worked out from."""

from __future__ import annotations

from dataclasses import dataclass

from catalog.forces import Forces
from search.request import Request
from solver.drivetrain import Drivetrain

__all__ = ["Stage"]


@dataclass(frozen=True)
class Stage:
    """One machine with one belt, and what is asked of its kits.

    Attributes
    ----------
    forces : Forces
        The parts in this machine.
    request : Request
    fitted_wear : tuple of two floats, or None
        Belt fatigue and slip wear of the fitted kit, against which belt life is told; None if it cannot be worked out.
    """

    forces: Forces
    request: Request
    fitted_wear: tuple[float, float] | None = None

    @property
    def drivetrain(self) -> Drivetrain:
        """The derived arrays of machine and belt."""
        return self.forces.drivetrain
