"""Saving kits: what is replaced, what never is, and what is left after others, kill -9 and a full disk."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import yaml
from command_line import FEW, JOB, STRAY, Answer, Run, contents, edit, refused, shell

from search.saving import LEFT_BEHIND, MARK, claimed, is_ours, write_set

pytestmark = pytest.mark.invariant

SAVE = ("rank", JOB, *FEW, "--save", "kits", "--overwrite", "--top")
KITS = Path("kits")


def names(folder: Path) -> list[str]:
    return sorted(os.listdir(folder))


def save(run: Run, top: int) -> dict[str, bytes]:
    """The files of a folder with this many kits, made as they are when nothing goes wrong."""
    folder = Path(f"calm-{top}")
    assert run("rank", JOB, *FEW, "--save", folder, "--top", top).code == 0
    return contents(folder)


def test_a_kit_file_says_that_it_may_be_replaced(run: Run) -> None:
    save(run, 2)
    for file in Path("calm-2").iterdir():
        assert file.read_text().splitlines()[0] == MARK
        assert "--overwrite" in MARK


def test_overwriting_with_nothing_to_write_touches_nothing(run: Run) -> None:
    run(*SAVE, 4)
    before = contents(Path())
    answer = run("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}", "--save", "kits", "--overwrite")
    assert (answer.code, answer.out) == (1, "")
    assert run("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}", "--save", "new").code == 1
    assert contents(Path()) == before
    assert not Path("new").exists()


@pytest.mark.parametrize("name", ["kit-99.yaml", "kit-0.yaml", "kit-notes.yaml", "kit-1.yml", "kit--1.yaml"])
def test_overwriting_keeps_what_is_not_in_the_way(run: Run, name: str) -> None:
    run(*SAVE, 4)
    (KITS / name).write_text("mine\n")
    assert run(*SAVE, 2).code == 0
    assert names(KITS) == sorted(["kit-1.yaml", "kit-2.yaml", name])
    assert (KITS / name).read_text() == "mine\n"


def state() -> dict[str, tuple[int, int]]:
    """What stands in the folder, whatever it is, and whether it is still the same."""
    return {file.name: (file.lstat().st_ino, file.lstat().st_mtime_ns) for file in KITS.iterdir()}


def _text(file: Path) -> None:
    file.write_text("mine\n")


def _folder(file: Path) -> None:
    file.mkdir()
    (file / "mine").touch()


def _link(file: Path) -> None:
    target = Path("elsewhere.yaml")
    target.write_text(MARK + "\n")
    file.symlink_to(target.resolve())


def _nearly_marked(file: Path) -> None:
    file.write_text(f"{MARK} Not at all.\n")


def _pipe(file: Path) -> None:
    os.mkfifo(file)


@pytest.mark.parametrize("make", [_text, _folder, _link, _nearly_marked, _pipe])
@pytest.mark.parametrize("name", ["kit-2.yaml", "kit-002.yaml"])
def test_a_foreign_file_in_the_way_is_refused_by_name(
    run: Run, make: Callable[[Path], None], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(*SAVE, 3)
    (KITS / "kit-2.yaml").unlink()
    make(KITS / name)
    before = state()
    monkeypatch.setattr("search.ranking.rank", lambda *_, **__: pytest.fail("searched before it was refused"))
    answer = run(*SAVE, 2)
    refused(answer, f"kits/{name}: in the way of the kits to save, but kitwright rank did not write it; move it, or ")
    assert state() == before


def _job(_: Path) -> str:
    shutil.move(JOB, "kit-1.yaml")
    edit("kit-1.yaml", '"machine.yaml"', '"my-shop/machine.yaml"')
    edit("kit-1.yaml", '["parts"]', '["my-shop/parts"]')
    return "kit-1.yaml"


def _machine(shop: Path) -> str:
    shutil.move(shop / "machine.yaml", "kit-1.yaml")
    edit(JOB, '"machine.yaml"', '"../kit-1.yaml"')
    edit("kit-1.yaml", '"engine.csv"', '"my-shop/engine.csv"')
    return JOB


def _curve(shop: Path) -> str:
    shutil.move(shop / "engine.csv", "kit-1.yaml")
    edit(str(shop / "machine.yaml"), '"engine.csv"', '"../kit-1.yaml"')
    return JOB


def _parts(shop: Path) -> str:
    shutil.move(shop / "parts" / "helices.yaml", "kit-1.yaml")
    edit(JOB, '["parts"]', '["parts", "../kit-1.yaml"]')
    return JOB


@pytest.mark.parametrize("make", [_job, _machine, _curve, _parts])
@pytest.mark.parametrize("marked", [False, True])
def test_no_input_is_ever_replaced(run: Run, shop: Path, make: type[str], marked: bool) -> None:
    job = make(shop)
    if marked:  # by someone who began it as a copy of a kit file
        Path("kit-1.yaml").write_text(f"{MARK}\n{Path('kit-1.yaml').read_text()}")
    assert is_ours(Path("kit-1.yaml")) == marked
    before = contents(Path())
    words = ("rank", job, "--lock-fitted", "--save", ".", "--overwrite")
    refused(run(*words), "kit-1.yaml: in the way of the kits to save, but this job reads it; move it, or choose ")
    assert contents(Path()) == before


def test_a_job_that_is_not_in_the_way_stays_beside_the_kits(run: Run, shop: Path) -> None:
    shutil.move(_job(shop), "kit-7.yaml")
    text = f"{MARK}\n{Path('kit-7.yaml').read_text()}"
    Path("kit-7.yaml").write_text(text)
    for top in (3, 2):
        assert run("rank", "kit-7.yaml", *FEW, "--top", top, "--save", ".", "--overwrite").code == 0
    assert names(Path()) == ["kit-1.yaml", "kit-2.yaml", "kit-7.yaml", "my-shop"]
    assert Path("kit-7.yaml").read_text() == text


def test_a_file_that_comes_in_the_way_during_the_search_stays_and_the_answer_is_shown(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from search.ranking import rank

    def slow(*words: Any, **more: Any) -> object:
        (KITS / "kit-1.yaml").write_text("mine\n")
        return rank(*words, **more)

    KITS.mkdir()
    monkeypatch.setattr("search.ranking.rank", slow)
    for words in (SAVE, [word for word in SAVE if word != "--overwrite"]):
        answer = run(*words, 2)
        assert answer.code == 2
        assert len(answer.out.splitlines()) > 10
        assert "kit-1.yaml: in the way" in answer.err or "a kit file is here already" in answer.err
        assert contents(KITS) == {"kit-1.yaml": b"mine\n"}
        (KITS / "kit-1.yaml").unlink()


def test_processes_that_save_at_once_leave_one_whole_set(run: Run) -> None:
    sets = {top: save(run, top) for top in (1, 2, 3, 4)}
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda top: shell(*SAVE, top), sets))
    assert [(answer.code, answer.err) for answer in answers] == [(0, "")] * 4
    assert contents(KITS) in sets.values()


def test_of_processes_that_may_not_overwrite_the_first_wins(run: Run) -> None:
    sets = {top: save(run, top) for top in (1, 2)}
    words = [word for word in SAVE if word != "--overwrite"]
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(lambda top: shell(*words, top), sets))
    assert sorted(answer.code for answer in answers) == [0, 2]
    assert all("here already" in answer.err for answer in answers if answer.code == 2)
    (winner,) = [top for top, answer in zip(sets, answers, strict=True) if answer.code == 0]
    assert contents(KITS) == sets[winner]


KILL = """
import os, pathlib, signal
whole, calls = {owner}.{name}, []
def count(*words):
    calls.append(words)
    len(calls) == {at} and os.kill(os.getpid(), signal.SIGKILL)
    return whole(*words)
{owner}.{name} = count
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="a signal of POSIX systems")
@pytest.mark.parametrize(
    ("owner", "name", "at", "whole"),
    [
        ("os", "fsync", 2, False),  # in the middle of the new files
        ("os", "fsync", 5, False),  # all are there, and not yet ready
        ("pathlib.Path", "replace", 1, True),  # ready, none in place
        ("pathlib.Path", "replace", 3, True),
        ("pathlib.Path", "unlink", 2, True),  # one old file is gone, one is not
    ],
)
def test_kill_9_leaves_a_set_that_the_next_process_completes_or_drops(
    owner: str, name: str, at: int, whole: bool
) -> None:
    old = {f"kit-{n}.yaml": f"{MARK}\nold: {n}\n" for n in range(1, 6)}
    new = {f"kit-{n}.yaml": f"{MARK}\nnew: {n}\n" for n in range(1, 4)}
    KITS.mkdir()
    for file, text in (old | {"kit-9.yaml": "mine\n"}).items():
        (KITS / file).write_text(text)
    before = contents(KITS)
    killed = (
        f"{KILL.format(owner=owner, name=name, at=at)}\nfrom search.saving import claimed, write_set\n"
        f"with claimed(pathlib.Path('kits')):\n write_set(pathlib.Path('kits'), {new!r}, ['kit-4.yaml', 'kit-5.yaml'])"
    )
    done = subprocess.run([sys.executable, "-c", killed], timeout=60, check=False)
    assert done.returncode == -signal.SIGKILL
    assert {file for file in names(KITS) if file.startswith(LEFT_BEHIND)} > {f"{LEFT_BEHIND}lock"}
    if not whole:
        assert before.items() <= contents(KITS).items()
    with claimed(KITS):
        pass
    put = {file: text.encode() for file, text in new.items()} | {"kit-9.yaml": b"mine\n"}
    assert contents(KITS) == (put if whole else before)


def test_ctrl_c_between_two_files_waits_for_the_set(monkeypatch: pytest.MonkeyPatch) -> None:
    replace, calls = Path.replace, []

    def stop(source: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return replace(source, target)

    KITS.mkdir()
    monkeypatch.setattr(Path, "replace", stop)
    with pytest.raises(KeyboardInterrupt), claimed(KITS):
        write_set(KITS, {"a": "1\n", "b": "2\n", "c/d": "3\n"})
    assert contents(KITS) == {"a": b"1\n", "b": b"2\n", "c/d": b"3\n"}


def test_another_process_that_does_not_end_is_told_of(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("search.saving._PATIENCE", 0.1)
    run(*SAVE, 2)
    before = contents(KITS)
    hold = (
        "import search.saving as s, pathlib, sys\nwith s.claimed(pathlib.Path('kits')):\n print(flush=True)\n input()"
    )
    with subprocess.Popen([sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout
        other.stdout.readline()
        refused(run(*SAVE, 3), "kits: another kitwright is writing here; try again when it has ended.\n")
        other.kill()
    assert run(*SAVE, 2).code == 0
    assert contents(KITS) == before


@pytest.mark.skipif(sys.platform == "win32", reason="a limit of POSIX systems")
def test_a_full_disk_leaves_the_old_files_and_shows_the_answer(run: Run) -> None:
    run(*SAVE, 2)
    before = contents(KITS)
    small = """
import atexit, resource
usual = resource.getrlimit(resource.RLIMIT_FSIZE)
atexit.register(resource.setrlimit, resource.RLIMIT_FSIZE, usual)  # whoever counts lines writes after us
resource.setrlimit(resource.RLIMIT_FSIZE, (300, usual[1]))
"""
    answer = shell(*SAVE, 3, "--format", "csv", before=small)
    assert answer.code == 2
    assert len(answer.rows) == 3
    assert answer.err == "kits: cannot be written: File too large; check space and permissions.\n"
    assert contents(KITS) == before


def _written(answer: Answer) -> None:
    refused(answer, ": cannot be written: ", "; check space and permissions.\n")


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="a folder to which nobody can write")
def test_a_folder_that_cannot_be_written_to_is_refused_before_the_search(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr("search.ranking.rank", lambda *_, **__: pytest.fail("searched before it was refused"))
        _written(run("rank", JOB, "--save", "/proc"))
    _written(run("init", "/proc/shop"))
    answer = run("rank", JOB, "--lock-fitted", "--save", "/proc/kits")
    assert answer.code == 2
    assert "/proc/kits: cannot be written: " in answer.err
    assert "Rank" in answer.out


@pytest.mark.parametrize("name", ["j\udcffob.yaml", "a\nkit: b.yaml", "\x1b[31m\u202ejob.yaml", "\u2028.yaml"])
def test_kits_of_a_job_with_any_name_can_be_read_back(run: Run, name: str) -> None:
    os.rename(JOB, f"my-shop/{name}")
    answer = run("rank", f"my-shop/{name}", "--lock-fitted", "--save", "kits", "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    (file,) = KITS.iterdir()
    assert all(line.isprintable() for line in file.read_text(encoding="utf-8").split("\n"))
    assert yaml.safe_load(file.read_text(encoding="utf-8"))["kit"].items() >= answer.data["kits"][0]["parts"].items()
    assert run("explain", f"my-shop/{name}", file, "--format", "json").data["score"]["buildable"]


def test_init_clears_away_what_a_killed_one_left(run: Run) -> None:
    answer = shell("init", "new", before=KILL.format(owner="os", name="fsync", at=3))
    assert answer.code == -signal.SIGKILL
    assert names(Path("new"))
    assert run("init", "new").code == 0
    assert names(Path("new")) == ["engine.csv", "job.yaml", "machine.yaml", "parts"]


def test_no_kit_is_saved_where_it_would_be_read_as_parts(run: Run, shop: Path) -> None:
    before = contents(Path())
    words = ("rank", JOB, *FEW, "--top", 3, "--save")
    refused(run(*words, shop / "parts"), f"{shop / 'parts'}: this job reads its catalogue from this folder")
    assert contents(Path()) == before
    assert run(*words, shop).code == 0
    assert run("check", JOB).code == 0
