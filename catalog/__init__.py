"""What exists: parts, machines and jobs, read strictly and checked against each other."""

from catalog.job import Job, load_job

__all__ = ["Job", "load_job"]
