"""Every number of every file at the ends of its range and just beyond: refused at its place, or finite results."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from extreme_job import Number, documents, leaves, numbers, write

from catalog import load_job
from catalog.errors import InputError
from catalog.machine import Machine
from catalog.reading import read_document, validate
from catalog.shelf import read_parts
from search import rank, score_kit
from search.explain import explain
from search.space import fitted_kit

FILES, PLAIN = documents(), documents(plain=True)
NUMBERS = {f"{number.file}:{'.'.join(number.keys)}": number for number in numbers()}
ENDLESS = ("grid.twist_step",)  # too fine a step is refused by the number of settings that it makes


def home(number: Number) -> dict[str, Any]:
    """The files in which a number stands."""
    return next((files for files in (FILES, PLAIN) if list(leaves(files[number.file], number.keys))), FILES)


def changed(number: Number, value: float) -> dict[str, Any]:
    files = deepcopy(home(number))
    for container, key in leaves(files[number.file], number.keys):
        container[key] = number.text(value)
    return files


def not_finite(result: object, path: str = "") -> Iterator[str]:
    """Where a result holds a number that is none."""
    if isinstance(result, float) and not math.isfinite(result):
        yield path
    elif isinstance(result, dict):
        for key, value in result.items():
            yield from not_finite(value, f"{path}.{key}")
    elif isinstance(result, (list, tuple)):
        for key, value in enumerate(result):
            yield from not_finite(value, f"{path}[{key}]")


def read_alone(number: Number, file: Path) -> None:
    """Read one file as what it is, without its job."""
    if number.file.startswith("parts/"):
        read_parts(file)
    elif number.file == "machine.yaml":
        validate(read_document(file), Machine)
    else:
        load_job(file)


@pytest.mark.parametrize("name", NUMBERS)
def test_every_number_has_two_limits_and_stands_in_the_job(name: str) -> None:
    number = NUMBERS[name]
    assert math.isfinite(number.low)
    assert math.isfinite(number.high)
    assert list(leaves(home(number)[number.file], number.keys))


@pytest.mark.parametrize("name", NUMBERS)
def test_a_number_just_beyond_its_range_is_refused_at_its_place(name: str, tmp_path: Path) -> None:
    number = NUMBERS[name]
    step = 1.0 if number.unit is None else 1e-6
    for value in (number.low - step * max(abs(number.low), step), number.high + step * max(number.high, step)):
        write(changed(number, value), tmp_path)
        with pytest.raises(InputError) as caught:
            read_alone(number, tmp_path / number.file)
        places = [problem for problem in caught.value.problems if problem.column]
        last = [key for key in number.keys if key != "*"][-1]
        assert any(last in problem.path for problem in places)


@pytest.mark.parametrize("name", NUMBERS)
def test_a_number_at_the_end_of_its_range_is_refused_or_gives_finite_results(name: str, tmp_path: Path) -> None:
    number = NUMBERS[name]
    for value in (number.low, number.high):
        try:
            job = load_job(write(changed(number, value), tmp_path))
        except InputError:
            continue
        kit = fitted_kit(job)
        listed = [dataclasses.asdict(ranked) for ranked in rank(job, top=10).kits]
        score = score_kit(job, kit)
        facts = explain(job, kit).to_dict() if score.buildable else {}
        assert not list(not_finite([listed, score.terms, facts]))
        assert not any(word in text.split() for text in score.failures.values() for word in ("inf", "nan"))
