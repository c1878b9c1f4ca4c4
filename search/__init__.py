"""What to build: kits, locks, score and the exact ranking."""

from __future__ import annotations

TYPE_CHECKING = False  # as in `typing`, which takes milliseconds in which a Ctrl-C would end in a traceback
if TYPE_CHECKING:
    from typing import Any

    from search.ranking import Ranking, rank
    from search.score import Score, score_kit
    from search.space import Kit

__all__ = ["Kit", "Ranking", "Score", "rank", "score_kit"]

_HOMES = {"Kit": "space", "Ranking": "ranking", "Score": "score", "rank": "ranking", "score_kit": "score"}


def __getattr__(name: str) -> Any:
    """Public names on first use: the command line asks for help without loading the numeric libraries."""
    if name not in _HOMES:
        raise AttributeError(f"module 'search' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"search.{_HOMES[name]}"), name)
