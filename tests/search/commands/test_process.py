"""Help, tables, streams and exit codes: what depends on the process itself."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
from command_line import (
    COMMANDS,
    JOB,
    START,
    STRAY,
    Answer,
    Run,
    edit,
    one_line,
    refused,
    shell,
)
from typer.testing import CliRunner

from search.commands import app
from search.screen import CAUTION

pytestmark = pytest.mark.invariant


@pytest.mark.parametrize("command", COMMANDS)
def test_help_holds_examples_that_run_as_printed(run: Run, shop: Path, command: str) -> None:
    answer = CliRunner().invoke(app, [command, "--help"])
    assert answer.exit_code == 0
    examples = [line for line in answer.stdout.splitlines() if line.strip().startswith(f"kitwright {command} ")]
    assert examples
    run("rank", JOB, "--save", "kits")
    if command == "init":
        shutil.rmtree(shop)
    for line in examples:
        done = run(*(word.strip('"') for word in re.findall(r'"[^"]*"|\S+', line)[1:]))
        assert done.code in (0, 1), done.err
        assert done.out


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_starts_light(command: str) -> None:
    heavy = {"numpy", "scipy", "pandas", "optuna", "matplotlib", "pint", "rich"}
    start = "import sys; from search.commands import app; app(standalone_mode=False); print(*sys.modules)"
    words = [sys.executable, "-c", start, *command.split(), "--help"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=True)
    assert "Usage" in done.stdout
    assert not heavy & set(done.stdout.splitlines()[-1].split())


def test_short_help_and_version(run: Run) -> None:
    assert run("--version") == Answer(0, version("kitwright") + "\n", "")
    for command in ([], *([command] for command in COMMANDS)):
        short, long = run(*command, "-h"), run(*command, "--help")
        assert (short.code, short.err, short.out) == (0, "", long.out)
        assert re.match(" ".join([r"Usage: .*kitwright", *command, ""]), short.out)


PIPED = {
    "rank": ["rank", JOB],
    "explain": ["explain", JOB, "fitted"],
    "compare": ["compare", JOB, "fitted", "helix=ramp-40", "helix=ramp-42,tip=tip-12-g", f"helix={STRAY}",
                "tip=empty,twist=20 deg"],
}  # fmt: skip


@pytest.mark.parametrize("command", PIPED)
def test_piped_tables_are_80_wide_and_hold_one_caution(run: Run, command: str) -> None:
    answer = shell(*PIPED[command])
    assert (answer.code, answer.err) == (0, "")
    assert max(len(line.rstrip()) for line in answer.out.splitlines()) <= 80
    assert one_line(answer.out).count(CAUTION) == 1
    assert "\x1b" not in answer.out
    few = ["--lock-fitted"] if command == "rank" else []  # the caution does not hang on the number of kits
    assert CAUTION[:20] not in run(*PIPED[command], *few, "--format", "json").out


def test_a_sign_that_the_console_lacks_is_replaced(run: Run) -> None:
    words = ("compare", JOB, "fitted", f"helix={STRAY}")
    full, narrow = run(*words), shell(*words, PYTHONIOENCODING="ascii")
    assert (narrow.code, narrow.err) == (0, "")
    assert "–" in full.out
    assert narrow.out == full.out.encode("ascii", "replace").decode()
    refused(shell("explain", JOB, "²", PYTHONIOENCODING="ascii"), "KIT: no such kit or file", "'?'")


@pytest.mark.skipif(not hasattr(signal, "SIGPIPE"), reason="a signal of POSIX systems")
def test_a_reader_that_leaves_ends_the_process_quietly() -> None:
    words = [sys.executable, "-c", START, "explain", JOB, "fitted", "--format", "json"]
    with subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout
        assert process.stderr
        process.stdout.close()
        told = process.stderr.read()
        assert (process.wait(timeout=60), told) == (-signal.SIGPIPE, b"")


def test_a_process_ends_with_its_code_and_keeps_its_streams_apart() -> None:
    refused(shell("explain", JOB, "helix=ramp-99"), "KIT: helix")
    answer = shell("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}", "--format", "json")
    assert (answer.code, answer.data["kits"]) == (1, [])
    assert "helix_fit" in answer.err


def test_an_interrupted_ranking_ends_with_130(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("search.ranking.rank", stop)
    answer = run("rank", JOB, "--save", "kits")
    said = "Interrupted before the search was finished: nothing is ranked or saved."
    assert (answer.code, answer.out, one_line(answer.err)) == (130, "", said)
    assert not Path("kits").exists()


def test_brackets_in_texts_are_shown_as_they_stand(run: Run, shop: Path) -> None:
    edit(JOB, 'description: "Year-round', 'description: "[bold]x[/min] [mm] :smile: Year-round')
    edit(JOB, '"graded road"', '"[/road]"')
    parts = shop / "parts" / "helices.yaml"
    parts.write_text(re.sub(r'"description": "[^"]*"', '"description": "[link=a]steep[/red]"', parts.read_text()))
    assert "[bold]x[/min] [mm] :smile: Year-round" in run("rank", JOB, "--lock-fitted", "--save", "k[b]").out
    explained = run("explain", JOB, "fitted").out
    assert "[/road]" in explained
    assert "[link=a]steep[/red]" in explained
    assert "B: k[b]/kit-1.yaml\n" in run("compare", JOB, "fitted", "k[b]/kit-1.yaml").out
    assert "k[b]/kit-1.yaml: kit" in run("check", "k[b]").out
    refused(run("explain", JOB, "helix=[/x]"), "'[/x]'")
    Path("[red].yaml").write_text("'[/b]': 1\n")
    refused(run("check", "[red].yaml"), "[red].yaml", "[/b]", out="[red].yaml: 1 problem\n")
