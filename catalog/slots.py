"""The slots of a kit: one row each. Tables, locks, kit files, spaces and tie order all follow this one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["BELT", "EMPTY", "SLOTS", "SLOT_FAMILIES", "STATIONS", "TWIST", "Slot", "names_of"]

EMPTY = "empty"  # reserved id: nothing in this slot
Side = Literal["drive", "driven", "both"]


@dataclass(frozen=True)
class Slot:
    """A place for one part, or one setting.

    Attributes
    ----------
    name : str
    family : str
        Part family that it draws from; empty for a setting.
    side : str
        Clutch whose builds it belongs to; the belt belongs to both.
    may_be_empty : bool
        Whether "empty" is one of its options.
    """

    name: str
    family: str
    side: Side
    may_be_empty: bool = False

    @property
    def is_setting(self) -> bool:
        """Whether it is set by hand rather than filled with a part."""
        return not self.family


# In the order of every table and tie-break: the drive side, the driven side, what belongs to both.
_ROWS = (
    Slot("drive_spring", "drive_springs", "drive"),
    Slot("flyweight", "flyweights", "drive"),
    Slot("heel", "masses", "drive", may_be_empty=True),
    Slot("mid", "masses", "drive", may_be_empty=True),
    Slot("tip", "masses", "drive", may_be_empty=True),
    Slot("driven_spring", "driven_springs", "driven"),
    Slot("helix", "helices", "driven"),
    Slot("twist", "", "driven"),
    Slot("belt", "belts", "both"),
)
SLOTS: Mapping[str, Slot] = {slot.name: slot for slot in _ROWS}
SLOT_FAMILIES: Mapping[str, str] = {slot.name: slot.family for slot in _ROWS if not slot.is_setting}
STATIONS = tuple(slot.name for slot in _ROWS if slot.family == "masses")  # of an arm, where tuning masses sit
TWIST, BELT = "twist", "belt"


def names_of(side: Side) -> tuple[str, ...]:
    """Names of the slots of a side, in order."""
    return tuple(slot.name for slot in SLOTS.values() if slot.side == side)
