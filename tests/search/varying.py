"""Jobs with something about them changed: by replacement of what the SI record says, as searches do it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from catalog import Job
from catalog.slots import SLOT_FAMILIES
from search.builds import sides_of_kit
from search.request import Request
from search.score import make_stage
from search.space import Kit
from search.stage import Stage
from solver.balance import DrivenSide, DriveSide

__all__ = ["sides", "stage_of", "varied", "with_part"]


def varied(job: Job, **parts: dict[str, Any]) -> Job:
    """A job with fields of its record changed: `varied(job, limits={"belt_margin": -0.5}, engine={...})`."""
    changed = {name: replace(getattr(job.inputs, name), **fields) for name, fields in parts.items()}
    return replace(job, inputs=replace(job.inputs, **changed))


def with_part(job: Job, slot: str, part: Any) -> Job:
    """A job whose catalogue holds one part more."""
    family = SLOT_FAMILIES[slot]
    parts = {**job.shelf.family(family), part.id: part}
    return replace(job, shelf=replace(job.shelf, parts={**job.shelf.parts, family: parts}))


def stage_of(job: Job, request: Request | None = None) -> Stage:
    """The job's own request, or another, put to its machine with the fitted belt."""
    return make_stage(job, request or Request.of(job), job.spec.belt)


def sides(job: Job, kit: Kit) -> tuple[DriveSide, DrivenSide]:
    """Both sides of a kit, its limits set aside."""
    found = sides_of_kit(stage_of(job), kit)
    assert found is not None
    return found
