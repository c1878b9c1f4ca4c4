"""Fixtures that every room of the tests shares: the demo job and the kit fitted in it."""

from pathlib import Path

import pytest
from hypothesis import settings

from catalog import load_job
from search.space import fitted_kit

settings.register_profile("steady", deadline=None)  # a busy machine is not a failure
settings.load_profile("steady")

DEMO = Path(__file__).parents[1] / "configs" / "rescue.yaml"


@pytest.fixture(scope="session")
def job():
    """The demo job. Its numbers may be tuned: ask it for signs and invariants, not for values."""
    return load_job(DEMO)


@pytest.fixture(scope="session")
def fitted(job):
    """The kit that is in the demo machine now."""
    return fitted_kit(job)
