"""Screens at several widths: a number is shown whole or not at all, however narrow the terminal is."""

from __future__ import annotations

import re

import pytest
from rich.table import Table

from search.screen import page, plain_table


def shown(table: Table, width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> str:
    monkeypatch.setenv("COLUMNS", str(width))
    with page() as out:
        out.print(table)
    return capsys.readouterr().out


def table_of(columns: int) -> Table:
    table = plain_table("Kit", *("Quite a wide heading" for _ in range(columns)))
    table.add_row("first, with a name that may be folded", *(f"{1234.5 + n:,.1f}" for n in range(columns)))
    return table


@pytest.mark.invariant
@pytest.mark.parametrize("width", [20, 60, 80, 120, 400])
@pytest.mark.parametrize("columns", [1, 8, 20])
def test_no_number_of_a_table_loses_a_digit(
    width: int, columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(table_of(columns), width, monkeypatch, capsys)
    assert re.findall(r"\d,\d{3}\.\d", text) == [f"{1234.5 + n:,.1f}" for n in range(columns)]


@pytest.mark.invariant
def test_what_is_printed_after_a_wide_table_keeps_to_the_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    with page() as out:
        out.print(table_of(20))
        out.print("word " * 40)
    after = capsys.readouterr().out.splitlines()[2:]
    assert max(len(line) for line in after if "word" in line) <= 40
