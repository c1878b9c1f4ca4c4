"""Dyno curves from CSV: what is read, and each fault with its line and cell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog.dyno import read_dyno
from catalog.errors import InputError
from solver.engine import EngineCurve

CURVE = Path(__file__).parents[2] / "configs" / "engine.csv"
ROWS = ("2000,52", "3000,60", "4000,66", "5000,69", "6000,67", "7000,61")
HEADER = "speed (rpm),torque (N m)"


def read(tmp_path: Path, *lines: str) -> EngineCurve:
    file = tmp_path / "curve.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_dyno(file)


def faults(tmp_path: Path, *lines: str) -> list[str]:
    """Each problem as line:cell: words."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, *lines)
    assert {p.file for p in caught.value.problems} == {str(tmp_path / "curve.csv")}
    return [str(p).removeprefix(f"{tmp_path / 'curve.csv'}").lstrip(":") for p in caught.value.problems]


# ---- what is read ----


@pytest.mark.invariant
@pytest.mark.parametrize(
    ("header", "factor"),
    [(HEADER, 1.0), ("Speed (rpm), Torque [N m]", 1.0), ("speed (rpm),torque (lbf ft)", 4.4482216152605 * 0.3048)],
)
def test_torque_is_read_in_its_unit(header: str, factor: float, tmp_path: Path) -> None:
    curve = read(tmp_path, header, *ROWS)
    assert curve.speed == pytest.approx(np.array([2000, 3000, 4000, 5000, 6000, 7000]) * np.pi / 30)
    assert curve.torque == pytest.approx(np.array([52, 60, 66, 69, 67, 61]) * factor)


@pytest.mark.invariant
def test_power_becomes_torque_and_columns_may_stand_in_any_order(tmp_path: Path) -> None:
    speeds, powers = np.array([200.0, 300, 400, 500, 600]), np.array([10.0, 18, 26, 33, 38])
    rows = [f"{power},{speed}" for speed, power in zip(speeds, powers, strict=True)]
    curve = read(tmp_path, "power (kW),speed (rad/s)", *rows)
    assert curve.torque == pytest.approx(1000 * powers / speeds)


@pytest.mark.invariant
def test_empty_lines_comments_and_a_byte_order_mark_are_passed_over(tmp_path: Path) -> None:
    plain = read(tmp_path, HEADER, *ROWS)
    noted = read(tmp_path, "\ufeff# bench 2", "", HEADER, "# warm", *ROWS[:3], "", *ROWS[3:])
    assert (noted.speed.tolist(), noted.torque.tolist()) == (plain.speed.tolist(), plain.torque.tolist())


@pytest.mark.invariant
def test_the_demo_curve_is_read() -> None:
    rows = [line for line in CURVE.read_text().splitlines() if line[:1].isdigit()]
    assert len(read_dyno(CURVE).speed) == len(rows)


# ---- faults ----


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("speed,torque (N m)", "1:1: header: unknown column or no unit (got 'speed', expected speed (rpm), and torque"),
        ("speed (rpm),moment (N m)", "1:2: header: unknown column or no unit (got 'moment (N m)'"),
        ("speed (rpm)", "1:1: header: columns missing (got speed, expected speed and one of torque, power)"),
        ("speed (rpm),speed (rpm)", "1:1: header: columns missing (got speed, speed, "),
        ("speed (rpm),torque (N m),power (kW)", "1:1: header: columns missing (got speed, torque, power, "),
        ("2000,52", "1:1: header: unknown column or no unit (got '2000'"),
    ],
)
def test_a_bad_header_is_named(header: str, words: str, tmp_path: Path) -> None:
    assert faults(tmp_path, header, *ROWS)[0].startswith(words)


def test_both_bad_columns_of_a_header_are_named(tmp_path: Path) -> None:
    assert [text[:4] for text in faults(tmp_path, "# x", "rev (rpm),torque", *ROWS)] == ["2:1:", "2:2:"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("4500,strong", "6:2: torque: not a torque (got 'strong', expected a torque)"),
        ("4500,", "6:2: torque: not a torque (got ''"),
        ("4500,67 kW", "6:2: torque: "),
        ("4500,0", "6:2: torque: must be above zero (got 0)"),
        ("4500,-67", "6:2: torque: must be above zero (got -67)"),
        ("4500,nan", "6:2: torque: not a finite number"),
        ('4500,"67,5"', "6:2: torque: comma in a number (got '67,5'"),
        ("4500,067", "6:2: torque: leading zero in a number"),
        ("fast,67", "6:1: speed: not a speed of rotation (got 'fast'"),
        ("4500", "6:1: row: wrong number of values (got 1, expected 2)"),
        ("4500,67,1", "6:1: row: wrong number of values (got 3, expected 2)"),
        ("4000,67", "6:1: speed: speeds must rise from line to line (got 4000, expected more than the line before)"),
        ("3500,67", "6:1: speed: speeds must rise from line to line (got 3500"),
    ],
)
def test_a_bad_row_is_named_with_its_line_and_cell(row: str, words: str, tmp_path: Path) -> None:
    (problem,) = faults(tmp_path, "# bench", HEADER, *ROWS[:3], row, *ROWS[3:])
    assert problem.startswith(words)


@pytest.mark.parametrize("count", [0, 1, 4])
def test_a_short_curve_is_refused(count: int, tmp_path: Path) -> None:
    (problem,) = faults(tmp_path, HEADER, *ROWS[:count])
    assert problem == f"{1 + count}:1: the curve is too short (got {count} points, expected 5 or more)"
    assert len(read(tmp_path, HEADER, *ROWS[:5]).speed) == 5


def test_all_faults_of_a_curve_are_named_at_once(tmp_path: Path) -> None:
    problems = faults(tmp_path, HEADER, "2000,52", "1000,strong", "3000,-1", "4000")
    assert [text.split(": ")[0] for text in problems] == ["3:1", "3:2", "4:2", "5:1", "5:1"]


@pytest.mark.parametrize("text", ["", "\n\n", "# only a note\n"])
def test_a_file_without_header_is_named(text: str, tmp_path: Path) -> None:
    assert faults(tmp_path, text) == ["1:1: the file holds no header (expected speed (rpm),torque (N m))"]


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot read the dyno curve"):
        read_dyno(tmp_path / "none.csv")
    (tmp_path / "latin.csv").write_bytes("speed (rpm),torque (N m) \xb0".encode("latin-1"))
    with pytest.raises(InputError, match="cannot read the dyno curve"):
        read_dyno(tmp_path / "latin.csv")


def test_an_overlong_cell_is_named(tmp_path: Path) -> None:
    faults(tmp_path, HEADER, *ROWS, '8000,"' + "5" * 140_000)


def test_lines_are_counted_as_an_editor_counts_them(tmp_path: Path) -> None:
    (problem,) = faults(tmp_path, '"speed\n(rpm)",torque (N m)', *ROWS[:4], "6000,strong", "7000,61")
    assert problem.startswith("7:2: torque")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("1e300,67", "6:1: speed: 9.5493e+300 rpm is not at most"),
        ("4500,1e30", "6:2: torque: 1e+30 N m is not at most 100000 N m (got 1e30, expected a torque at most"),
        ("4500,1e-30", "6:2: torque: 1e-30 N m is not at least 0.001 N m"),
    ],
)
def test_a_number_beyond_any_engine_is_refused_at_its_cell(row: str, words: str, tmp_path: Path) -> None:
    problems = faults(tmp_path, "# bench", "speed (rad/s),torque (N m)", *ROWS[:3], row, "4700,60", "4800,60")
    assert any(problem.startswith(words) for problem in problems)


def test_a_curve_of_more_points_than_any_bench_gives_is_refused_unread(tmp_path: Path) -> None:
    rows = [f"{1000 + n},nonsense" for n in range(5_001)]
    assert faults(tmp_path, "# logger", HEADER, *rows) == [
        "5003:1: the curve is too long (got 5,001 points, expected at most 5,000) average neighbouring points."
    ]
    rows = [f"{1000 + n},50" for n in range(5_000)]
    assert len(read(tmp_path, HEADER, *rows).speed) == 5_000


def test_a_curve_file_of_more_than_a_megabyte_is_refused(tmp_path: Path) -> None:
    (problem,) = faults(tmp_path, HEADER, "#" * 2**20)
    assert "file is larger than 1 MB" in problem
