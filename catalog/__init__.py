"""What exists: parts, machines and jobs, read strictly and checked against each other."""

from __future__ import annotations

TYPE_CHECKING = False  # as in `typing`
if TYPE_CHECKING:
    from typing import Any

    from catalog.job import Job, load_job

__all__ = ["Job", "load_job"]


def __getattr__(name: str) -> Any:
    """Public names on first use: what says only that something is wrong loads no numeric library."""
    if name not in __all__:
        raise AttributeError(f"module 'catalog' has no attribute {name!r}")
    from catalog import job

    return getattr(job, name)
