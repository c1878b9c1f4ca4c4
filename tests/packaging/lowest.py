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
    """The lowest version of each requirement, as pins for pip; one without a lowest version is an error.

    >>> lowest(["numpy>=2.0", "optuna[optional] >= 5.0, <6"])
    ['numpy==2.0', 'optuna==5.0']
    """
    pins = []
    for requirement in requirements:
        found = _LOWEST.match(requirement)
        if found is None:
            raise ValueError(f"pyproject.toml: {requirement!r} states no lowest version; write name>=version first")
        pins.append(f"{found[1]}=={found[2]}")
    return pins


def declared(pyproject: Path = PYPROJECT) -> list[str]:
    """Every requirement at run time and of every extra but `check`, whose tools judge the code and do not run it."""
    project = tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]
    extras = (extra for name, extra in project["optional-dependencies"].items() if name != "check")
    return [*project["dependencies"], *(requirement for extra in extras for requirement in extra)]


if __name__ == "__main__":
    print("\n".join(lowest(declared())))  # noqa: T201
