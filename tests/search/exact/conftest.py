"""Spaces small enough for a test would be balanced plainly: here they are bounded all the same."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def bounded_however_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bounds for every space; a test of the choice itself sets its own sizes."""
    monkeypatch.setattr("search.exact.search._SMALL", 0)
    monkeypatch.setattr("search.exact.pairs._THIN", 0)
