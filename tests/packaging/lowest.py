"""Prints `name==lowest` for every requirement in pyproject.toml that states a lowest version.

    python tests/packaging/lowest.py > lowest.txt && pip install -c lowest.txt '.[test]'

So the versions that CI tries are the declared ones: there is no second list. Later bounds (`<6`) are left to pip.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"
_LOWEST = re.compile(r"([A-Za-z0-9][A-Za-z0-9._-]*)(?:\[[^]]*\])?\s*>=\s*([^,;\s]+)")


def lowest(requirements: list[str]) -> list[str]:
    """The lowest version of each requirement, as pins for pip; one without a lowest version is an error."""
    pins = []
    for requirement in requirements:
        found = _LOWEST.match(requirement)
        if found is None:
            raise ValueError(f"pyproject.toml: {requirement!r} states no lowest version; write name>=version first")
        pins.append(f"{found[1]}=={found[2]}")
    return pins


def declared(pyproject: Path = PYPROJECT) -> list[str]:
    """Every requirement at run time and of the tests."""
    project = tomllib.loads(pyproject.read_text())["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["test"]]


if __name__ == "__main__":
    print("\n".join(lowest(declared())))  # noqa: T201
