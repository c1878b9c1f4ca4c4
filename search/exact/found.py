"""What a search has found out beside the kits that it keeps: counts that add up, and why it ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from search.builds import Builds
from search.pair_rules import RULE_NAMES
from search.space import Kit

__all__ = ["Found"]


@dataclass
class Found:
    """What a search has found out so far, beside the kits kept.

    Attributes
    ----------
    size : int
        Kits of the space.
    excluded : dict of rule -> int
        Kits left out, each under a rule that it breaks.
    reasons : dict of rule -> str
        One example of each rule of one side.
    bounded_away : int
        Kits proven not to matter.
    scored : int
        Kits balanced in full.
    bound : float
        No kit that should be kept and is not scores below this; infinite once every kit is settled.
    stopped : str
        Why the search ended early; empty if it did not.
    builds_excluded : tuple of two dicts of rule -> int
        Drive builds and driven builds left out.
    builds_left : list of two ints
        Drive builds and driven builds that no rule leaves out.
    example : Kit or None
        A kit that no rule of one side leaves out.
    """

    size: int
    excluded: dict[str, int] = field(default_factory=lambda: dict.fromkeys(RULE_NAMES, 0))
    reasons: dict[str, str] = field(default_factory=dict)
    bounded_away: int = 0
    scored: int = 0
    bound: float = 0.0
    stopped: str = ""
    builds_excluded: tuple[dict[str, int], dict[str, int]] = field(default_factory=lambda: ({}, {}))
    builds_left: list[int] = field(default_factory=lambda: [0, 0])
    example: Kit | None = None

    def leave_out(self, excluded: Mapping[str, int], kits_each: int) -> None:
        """Count what rules leave out, each of them so many kits."""
        for rule, count in excluded.items():
            self.excluded[rule] += count * kits_each

    def note(self, side: int, builds: Builds) -> None:
        """Remember which builds of a side were left out, and why."""
        for rule, count in builds.excluded.items():
            self.builds_excluded[side][rule] = self.builds_excluded[side].get(rule, 0) + count
        self.reasons = {**builds.reasons, **self.reasons}
        self.builds_left[side] += len(builds)

    @property
    def looked_at(self) -> int:
        """Kits left out by a rule or balanced."""
        return sum(self.excluded.values()) + self.scored

    @property
    def unsettled(self) -> int:
        """Kits that a search which was stopped had not come to."""
        return self.size - self.looked_at - self.bounded_away
