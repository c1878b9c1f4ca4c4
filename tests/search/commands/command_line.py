"""What the command tests share: running commands, their answers, and editing files."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

CONFIGS = Path(__file__).parents[3] / "configs"
COMMANDS = ("rank", "explain", "compare", "check", "init")
STRAY = "ramp-40-loam"  # made for another clutch
NAMED_IN_HELP = {"ramp-40", "ramp-42", "tip-12-g"}
JOB = "my-shop/job.yaml"
NARROWED = "These ranks are of this request alone: use --save, or name a kit by its parts, to explain one."
FEW = ("--lock-fitted", "--lock", "helix=any", "--lock", "tip=any")  # a ranking of more than ten kits, soon done
START = "from search.commands import main; main()"


@dataclass(frozen=True)
class Answer:
    """What one command left."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        return json.loads(self.out, parse_constant=pytest.fail)  # NaN and Infinity are not JSON

    @property
    def rows(self) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.out)))


Run = Callable[..., Answer]


def shell(*words: object, before: str = "", streams: str = "", **variables: str) -> Answer:
    """Runs a command in a process of its own, nothing a terminal.

    `before` is what its Python does first; `streams` is what a shell does with them, such as ">&-".
    """
    env = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES", "PYTHONUNBUFFERED")}
    line = [sys.executable, "-c", f"{before}\n{START}", *map(str, words)]
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {streams}', "sh", *line] if streams else line,
        stdin=subprocess.DEVNULL, capture_output=True, text=True, env=env | variables, timeout=120, check=False,
    )  # fmt: skip
    return Answer(done.returncode, done.stdout, done.stderr)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}


def edit(file: str, old: str, new: str) -> None:
    text = Path(file).read_text()
    assert text.count(old) == 1, old
    Path(file).write_text(text.replace(old, new))


def slots_of(kit: dict[str, Any]) -> dict[str, str]:
    return {**kit["parts"], **kit["settings"]}


def one_line(text: str) -> str:
    return " ".join(text.split())


def refused(answer: Answer, *facts: str, out: str = "") -> None:
    """Bad input: exit code 2, nothing (or what `check` counts) on stdout, the facts on stderr and no traceback."""
    assert (answer.code, answer.out) == (2, out), answer
    for fact in facts:
        assert fact in answer.err, answer.err
    assert "Traceback" not in answer.err
