"""Fixtures of the command tests: a runner, and a small shop to work in."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import pytest
import yaml
from command_line import (
    CONFIGS,
    NAMED_IN_HELP,
    STRAY,
    Answer,
    Run,
)

from catalog.shelf import DEMO_PARTS
from search.commands import main


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command in this process as the shell would; the process keeps its own Ctrl-C."""
    monkeypatch.setattr("search.commands.process._take_interrupts", lambda: None)

    def call(*words: object) -> Answer:
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.setattr(sys, "argv", ["kitwright", *map(str, words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        seen = capsys.readouterr()
        return Answer(int(ended.value.code or 0), seen.out, seen.err)

    return call


@pytest.fixture(scope="session")
def _small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo with every sixth part beside the fitted ones and those that the help names."""
    folder = tmp_path_factory.mktemp("shops")
    (folder / "parts").mkdir()
    for name in ("machine.yaml", "engine.csv"):
        shutil.copy(CONFIGS / name, folder)
    text = re.sub(r'load_changes: "[^"]*"', 'load_changes: "1 /min"', (CONFIGS / "rescue.yaml").read_text())
    (folder / "job.yaml").write_text(text.replace('catalogue: ["demo"]', 'catalogue: ["parts"]'))
    spec = yaml.safe_load(text)
    kept = {spec["belt"], STRAY, *NAMED_IN_HELP, *spec["fitted"].values()}
    for file in DEMO_PARTS.glob("*.yaml"):
        content = yaml.safe_load(file.read_text())
        parts = [p for n, p in enumerate(content["parts"]) if p["id"] in kept or n % 6 == 0]
        (folder / "parts" / file.name).write_text(json.dumps(content | {"parts": parts}))
    return folder


@pytest.fixture(autouse=True)
def shop(_small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small shop to write to, at my-shop in the working directory."""
    shutil.copytree(_small, tmp_path / "my-shop")
    monkeypatch.chdir(tmp_path)
    return Path("my-shop")
