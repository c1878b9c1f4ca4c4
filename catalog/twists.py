"""The twist settings of a job: what its helices offer, counted before it is made."""

from __future__ import annotations

import math

from catalog.documents import Document, Loc, path_text
from catalog.errors import InputError, Problem
from catalog.jobfile import JobFile
from catalog.parts import Helix
from catalog.shelf import Shelf

__all__ = ["MOST_TWISTS", "twist_settings"]

MOST_TWISTS = 2_000  # settings of a job; every driven build is made at each


def twist_settings(shelf: Shelf, spec: JobFile, document: Document) -> tuple[float | None, ...]:
    """All twist settings any helix offers, stepless ranges at the grid's step, and None for springs not wound.

    Parameters
    ----------
    shelf : Shelf
    spec : JobFile
    document : Document
        The job file, for the place of a problem.

    Returns
    -------
    tuple of (float or None)
        Rising [rad], None first.

    Raises
    ------
    InputError
        If they are too many; counted before any of them is made.
    """
    step = spec.grid.twist_step
    helices = [helix for helix in shelf.family("helices").values() if isinstance(helix, Helix)]
    values = {round(value, 9) for helix in helices for value in helix.twist_steps or ()}
    spans = {helix.twist_range for helix in helices if helix.twist_range is not None}
    count = max((high - low for low, high in spans), default=0.0) / step
    if count <= MOST_TWISTS:
        reached = -1
        for first, last in sorted(
            (math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)) for low, high in spans
        ):
            values.update(round(multiple * step, 9) for multiple in range(max(first, reached + 1), last + 1))
            reached = max(reached, last)
        count = len(values)
    if count > MOST_TWISTS:
        by_step = bool(spans) and "twist_step" in spec.grid.model_fields_set
        loc: Loc = ("grid", "twist_step") if by_step else ("catalogue",)
        hint = "take a larger step." if by_step else "give the helices fewer twist_steps."
        got, want = f"{count:,.0f}" if count < 1e9 else f"{count:.2g}", f"at most {MOST_TWISTS:,}"
        problem = "the twist can be set in too many ways"
        raise InputError([Problem(str(document.path), *document.place(loc), path_text(loc), problem, got, want, hint)])
    return (None, *sorted(values))
