"""What goes out: whole answers or none, through any stream, with nothing in them that drives a terminal or a sheet."""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from math import inf, nan
from pathlib import Path
from typing import Any

import pytest
from command_line import FEW, JOB, STRAY, Answer, Run, edit, one_line, refused, shell

from catalog.errors import InputError
from search.commands.options import print_csv, print_json
from search.screen import console, number, page, plain_table, plot, signed, whole
from search.streams import tell
from solver.errors import PhysicalRangeError

pytestmark = pytest.mark.invariant

posix = pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
FORMS = ("table", "json", "csv")
HOSTILE = "\x1b]0;x\x07\x1b[2J\u202e\u2066\x9b31m\x7f\u200b\ufeff\r\b"


# ---- through any stream ----


@posix
@pytest.mark.parametrize("form", FORMS)
def test_a_closed_standard_output_is_quiet(form: str) -> None:
    words = ("rank", JOB, "--lock-fitted", "--save", "kits", "--format", form)
    assert shell(*words, streams=">&-") == Answer(0, "", "")
    assert os.listdir("kits") == ["kit-1.yaml"]


@posix
def test_a_closed_standard_error_never_ends_up_in_the_answer() -> None:
    assert shell("rank", "nothing.yaml", streams="2>&-") == Answer(2, "", "")
    assert shell("rank", "--nothing", streams="2>&- >&-") == Answer(2, "", "")


@posix
@pytest.mark.parametrize(
    "words",
    [*(("explain", JOB, "fitted", "--format", form) for form in FORMS), ("check", "my-shop"), ("init", "new"),
     ("--help",), ("--version",)],
)  # fmt: skip
def test_a_full_disk_behind_standard_output_is_one_line(words: tuple[str, ...]) -> None:
    said = "standard output: the answer cannot be written: No space left on device; make room, or send it elsewhere\n"
    assert shell(*words, streams=">/dev/full") == Answer(2, "", said)


@posix
def test_a_full_disk_behind_standard_error_leaves_the_exit_code() -> None:
    assert shell("rank", "nothing.yaml", streams="2>/dev/full") == Answer(2, "", "")
    assert shell("rank", "--nothing", streams="2>/dev/full >/dev/full") == Answer(2, "", "")
    nothing = ("rank", JOB, "--lock-fitted", "--lock", f"helix={STRAY}")
    assert shell(*nothing, streams="2>/dev/full") == Answer(1, "", "")
    assert shell("--version", streams="2>/dev/full").code == 0


# ---- whole or not at all ----


class Broken:
    """What no console can show."""

    def __rich_console__(self, *_: object) -> Iterator[object]:
        raise PhysicalRangeError("broken")


@pytest.mark.parametrize("words", ["rank JOB --lock-fitted", "explain JOB fitted", "compare JOB fitted fitted"])
def test_a_table_that_cannot_be_finished_is_not_begun(run: Run, monkeypatch: pytest.MonkeyPatch, words: str) -> None:
    monkeypatch.setattr("search.screen.CAUTION", Broken())  # which every answer ends with
    refused(run(*words.replace("JOB", JOB).split()), "broken\n")


@pytest.mark.parametrize("bad", [nan, inf, -inf])
@pytest.mark.parametrize("show", [print_json, lambda data: print_csv([data])])
def test_data_with_a_number_that_is_none_is_refused_with_its_place(
    show: Any, bad: float, capsys: pytest.CaptureFixture[str]
) -> None:
    data = {"fine": 1.0, "kits": [{"score": 2}, {"terms": {"loss": bad}}]}
    with pytest.raises(
        InputError, match=rf"^answer: (\[0\]\.)?kits\[1\]\.terms\.loss: not a finite number \(got {bad}\)"
    ):
        show(data)
    assert capsys.readouterr().out == ""


def test_a_ranking_with_a_number_that_is_none_is_refused(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("search.ranking.shares_of", lambda _, terms: {"flatness": terms["flatness"] * nan})
    answer = run("rank", JOB, "--lock-fitted", "--format", "json")
    refused(answer, "answer: kits[0].shares.flatness: not a finite number (got nan)", "--format table")


@pytest.mark.parametrize("bad", [nan, inf, -inf])
def test_no_screen_shows_a_number_that_is_none(bad: float) -> None:
    assert {number(bad), number(bad, 0), signed(bad), whole(bad)} == {"–"}
    drawn = plot([("u", [0.0, bad, 2.0, 3.0], [1.0, 2.0, bad, 4.0])], [(".", 2.0)], width=10, height=4)
    assert drawn == plot([("u", [0.0, 3.0], [1.0, 4.0])], [(".", 2.0)], width=10, height=4)
    assert plot([("u", [bad], [1.0])], []) == []


def test_explaining_a_kit_that_never_engages_prints_no_infinity(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    from search.explain import explain

    def odd(*words: Any) -> Any:
        facts = explain(*words)
        none: dict[str, Any] = {
            "take_up_rpm": nan,
            "lock_up_kmh": -inf,
            "seconds": inf,
            "slip_heat": nan,
            "grips_rpm": inf,
        }
        starts = tuple(replace(start, **none) for start in facts.starts)
        ranges = tuple(replace(ranged, full_kmh=nan, quarter_kmh=inf, shift_start_kmh=nan) for ranged in facts.ranges)
        return replace(facts, engagement_rpm=inf, starts=starts, ranges=ranges)

    monkeypatch.setattr("search.explain.explain", odd)
    out = one_line(run("explain", JOB, "fitted").out)
    assert "Engages at – rpm, – above idle; shifts from" in out
    assert not re.search(r"\b(inf|nan)\b", out)


# ---- inert in a terminal ----


def visible(text: str) -> bool:
    return all(line.isprintable() for line in text.split("\n"))


@pytest.fixture
def hostile(shop: Path) -> str:
    """A job whose name is hostile, beside a kit file, a folder and an empty file of such names."""
    name = str(shop / f"{HOSTILE}\udcff.yaml")
    shutil.move(JOB, name)
    Path(HOSTILE).mkdir()
    Path(f"{HOSTILE}/\n.yaml").touch()
    return name


@pytest.mark.parametrize(
    "words",
    [
        "rank|ABSENT",
        "rank|JOB|--lock-fitted|--save|kits",
        "rank|JOB|--lock-fitted|--save|JOB",
        "rank|JOB|--lock|BAD=BAD",
        "rank|JOB|--lock|BAD",
        "rank|JOB|--lock|helix=BAD",
        "rank|JOB|--lock|twist=BAD",
        "rank|JOB|--weight|BAD=1",
        "rank|JOB|--weight|flatness=BAD",
        "rank|JOB|--budget|BAD",
        "rank|JOB|--best-per|BAD",
        "rank|JOB|--top|BAD",
        "rank|JOB|--format|BAD",
        "rank|JOB|--BAD",
        "BAD",
        "explain|JOB|BAD",
        "explain|JOB|helix=BAD",
        "explain|JOB|BAD=BAD",
        "explain|JOB|BADDIR/\n.yaml",
        "compare|JOB|fitted|KIT",
        "compare|JOB|fitted|KIT|--format|csv",
        "compare|JOB|fitted|KIT|--format|json",
        "compare|JOB|fitted|BAD",
        "check|JOB|my-shop|BADDIR|ABSENT|.",
        "init|BADDIR",
        "init|BADDIR/new",
    ],
)
def test_nothing_from_outside_drives_the_terminal(run: Run, hostile: str, words: str) -> None:
    kit = f"{HOSTILE}kit.yaml"
    run("rank", hostile, "--lock-fitted", "--save", "made")
    shutil.copy("made/kit-1.yaml", kit)
    for word, text in {"JOB": hostile, "KIT": kit, "ABSENT": f"no{HOSTILE}", "BADDIR": HOSTILE, "BAD": HOSTILE}.items():
        words = words.replace(word, text)
    answer = run(*words.split("|"))
    assert answer.out + answer.err
    assert visible(answer.out), answer.out
    assert visible(answer.err), answer.err


def test_what_a_file_says_does_not_drive_the_terminal_either(run: Run) -> None:
    edit(JOB, '["parts"]', '["parts", "extra.yaml"]')
    price = HOSTILE.encode("unicode_escape").decode().replace("\\x", "\\u00")
    Path("my-shop/extra.yaml").write_text(
        f'family: "masses"\nparts:\n  - {{id: "new{price}", price: "1 {price}", "{price}": 1}}\n'
    )
    answer = run("rank", JOB)
    refused(answer, "my-shop/extra.yaml:")
    assert visible(answer.err), answer.err


def test_cells_and_lines_are_neutralised_by_the_console_itself(capsys: pytest.CaptureFixture[str]) -> None:
    table = plain_table(HOSTILE)
    table.add_row(HOSTILE)
    with page() as out:
        out.print(HOSTILE)
        out.print(table)
    console().print(HOSTILE)
    tell(HOSTILE)
    seen = capsys.readouterr()
    assert visible(seen.out)
    assert visible(seen.err)
    assert r"\x1b" in seen.out
    assert r"\u202e" in seen.err


# ---- inert in a spreadsheet ----


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t=", "\r=", " =", "\n=", "＝", "－"])
def test_names_in_csv_are_no_formulas(run: Run, sign: str) -> None:
    run("rank", JOB, *FEW, "--top", 1, "--save", "kits")
    name = f"{sign}cmd.yaml"
    shutil.copy("kits/kit-1.yaml", name)
    rows = run("compare", "--format", "csv", "--", JOB, "fitted", name).rows
    assert not rows[1]["kit"].lstrip().startswith(tuple("=+-@\t\r\n＝－"))
    assert run("compare", "--format", "json", "--", JOB, "fitted", name).data["kits"][1]["kit"] == name
    low = [float(row["worst_low"]) for row in rows]
    assert min(low) < 0


def test_names_in_csv_headings_are_no_formulas(run: Run) -> None:
    edit(JOB, '"graded road"', '"=1+1"')
    heading = next(csv.reader(io.StringIO(run("explain", JOB, "fitted", "--format", "csv").out)))
    assert "'=1+1 upshift_rpm" in heading
    assert not [cell for cell in heading if cell.startswith("=")]


def test_the_help_tells_of_the_mark_in_csv(run: Run) -> None:
    for command in ("rank", "explain", "compare"):
        assert "a ' before it" in " ".join(run(command, "--help").out.split())
