"""What a terminal shows: one console factory, the shared cautions, number formats and a small plot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import isfinite
from typing import Any

from rich.console import Console
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from catalog.wording import printable
from search.streams import deliver

__all__ = ["CAUTION", "console", "count", "number", "page", "plain_table", "plot", "signed", "whole"]

_WIDEST = 10_000  # cells of a table

CAUTION = (
    "Before changing parts: engine off, key out, sheaves and belt cold. Springs are loaded: use a proper compressor. "
    "Fit weights as matched sets. Put the cover back before running, and never run above the maker's rated speed. "
    "Follow the vehicle maker's manual and local rules; leave to licensed or trained people what those require."
)


class _Screen(Console):
    """A console on which no text, whoever wrote it, drives the terminal."""

    def render_str(self, text: str, **options: Any) -> Text:
        """Every text passes here, those of table cells when they are measured, too."""
        return super().render_str(printable(text), **options)

    def print(self, *objects: Any, **options: Any) -> None:
        """A table that does not fit is shown wider than the terminal: a number that lost a digit would be a lie."""
        narrow, wide = self.width, self.options.update(max_width=_WIDEST)
        needed = [Measurement.get(self, wide, each).minimum for each in objects if isinstance(each, Table)]
        try:
            self.width = max(narrow, *needed, 1)
            super().print(*objects, **options)
        finally:
            self.width = narrow


def console(*, stderr: bool = False) -> Console:
    """The console of this process: standard output for answers, standard error for everything else."""
    return _Screen(stderr=stderr, highlight=False, markup=False, emoji=False, soft_wrap=False)


@contextmanager
def page() -> Iterator[Console]:
    """A console whose answer is shown once it is whole, or not at all."""
    out = console()
    with out.capture() as answer:
        yield out
    deliver(answer.get())


def plain_table(*headings: str, left: Sequence[int] = (0,)) -> Table:
    """A table without frames; columns are right-aligned but those in `left`."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold", show_edge=False)
    for position, heading in enumerate(headings):
        folds = position in left
        table.add_column(heading, justify="left" if folds else "right", overflow="fold", no_wrap=not folds)
    return table


def count(amount: int, noun: str) -> str:
    """An amount with its noun in the right number."""
    return f"{amount:,} {noun}" + ("" if amount == 1 else "s")


def number(value: float, digits: int = 2) -> str:
    """A number for a table; '–' where there is none."""
    if not isfinite(value):
        return "–"
    text = f"{value:,.{digits}f}"
    return text.lstrip("-") if float(text.replace(",", "")) == 0 else text


def whole(value: float) -> str:
    """A number for a narrow column: no decimals, no groups; '–' where there is none."""
    return f"{value:.0f}" if isfinite(value) else "–"


def signed(value: float, digits: int = 2) -> str:
    """A difference with its sign; '–' where there is none."""
    if not isfinite(value):
        return "–"
    text = f"{value:+,.{digits}f}"
    return text.lstrip("+-") if float(text.replace(",", "")) == 0 else text


def plot(
    lines: Sequence[tuple[str, Sequence[float], Sequence[float]]],
    levels: Sequence[tuple[str, float]],
    *,
    width: int = 60,
    height: int = 12,
    across: str = "",
    up: str = "",
) -> list[str]:
    """A plot in text.

    Parameters
    ----------
    lines : sequence of (sign, x values, y values)
        Points are joined by straight lines; those that are not finite are left out.
    levels : sequence of (sign, y)
        Horizontal lines, drawn first.
    width, height : int
        Cells inside the axes.
    across, up : str
        What the axes show.

    Returns
    -------
    list of str
    """
    lines = [(sign, *_finite(line_x, line_y)) for sign, line_x, line_y in lines]
    xs = [x for _, line, _ in lines for x in line]
    ys = [y for _, _, line in lines for y in line] + [y for _, y in levels]
    if not xs:
        return []
    left, right = min(xs), max(xs)
    low, high = min(ys), max(ys)
    margin = (high - low) * 0.06 or 1.0
    low, high = low - margin, high + margin
    cells = [[" "] * width for _ in range(height)]

    def put(x: float, y: float, sign: str) -> None:
        column = round((x - left) / (right - left or 1.0) * (width - 1))
        row = round((high - y) / (high - low) * (height - 1))
        cells[row][column] = sign

    for sign, y in levels:
        for column in range(width):
            put(left + (right - left) * column / (width - 1), y, sign)
    for sign, line_x, line_y in lines:
        for x0, y0, x1, y1 in zip(line_x, line_y, line_x[1:], line_y[1:], strict=False):
            steps = max(2, 2 * width)
            for step in range(steps + 1):
                put(x0 + (x1 - x0) * step / steps, y0 + (y1 - y0) * step / steps, sign)
    labels = {0: f"{high:,.0f}", height // 2: f"{(high + low) / 2:,.0f}", height - 1: f"{low:,.0f}"}
    room = max(len(label) for label in labels.values())
    out = [f"{up:>{room}}"] if up else []
    out += [f"{labels.get(row, ''):>{room}} │{''.join(line)}" for row, line in enumerate(cells)]
    out.append(f"{'':>{room}} └{'─' * width}")
    ends = f"{left:.0f}", f"{right:.0f}"
    gap = width - len(ends[0]) - len(ends[1])
    out.append(f"{'':>{room}}  {ends[0]}{across:^{max(gap, 0)}}{ends[1]}")
    return out


def _finite(xs: Sequence[float], ys: Sequence[float]) -> tuple[list[float], list[float]]:
    points = [(x, y) for x, y in zip(xs, ys, strict=True) if isfinite(x) and isfinite(y)]
    return [x for x, _ in points], [y for _, y in points]
