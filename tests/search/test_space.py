"""Locks in words: what they leave of the space, and what is said of a lock that names nothing."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from catalog import Job, load_job
from catalog.documents import read_document
from catalog.errors import InputError
from catalog.parts import TuningMass
from catalog.slots import EMPTY, SLOT_FAMILIES, SLOTS, STATIONS
from search.space import Kit, Space, fitted_kit, kit_from_texts, make_space, options_of, show_twist

DEG = np.pi / 180


@pytest.fixture(scope="session")
def job(demo_job: Job) -> Job:
    """The demo job with known twists and without locks of its own."""
    twists = (None, *(round(angle * DEG, 9) for angle in (10, 20, 25, 30, 60)))
    return replace(demo_job, spec=demo_job.spec.model_copy(update={"locks": {}}), twists=twists)


def with_locks(job: Job, **locks: str) -> Job:
    return replace(job, spec=job.spec.model_copy(update={"locks": locks}))


def problem(job: Job, locks: Mapping[str, str | Sequence[str]]) -> str:
    with pytest.raises(InputError) as caught:
        make_space(job, locks)
    assert len(caught.value.problems) == 1
    return str(caught.value)


# ---- the space ----


def test_without_locks_every_part_of_a_slot_is_an_option(job: Job) -> None:
    space = make_space(job)
    for slot, family in SLOT_FAMILIES.items():
        parts = job.shelf.family(family)
        if slot == "belt":
            wanted = {job.spec.belt}
        elif slot in STATIONS:
            wanted = {EMPTY} | {i for i, p in parts.items() if isinstance(p, TuningMass) and slot in p.stations}
        else:
            wanted = set(parts)
        assert space.options[slot] == tuple(sorted(wanted))
    assert space.options["twist"] == job.twists
    assert space.size == np.prod([len(options) for options in space.options.values()], dtype=object)


def test_the_size_of_a_space_does_not_overflow(job: Job) -> None:
    space = Space(dict.fromkeys(SLOTS, ("a",) * 20000))
    assert space.size == 20_000 ** len(SLOTS)


@pytest.mark.parametrize("most", [1, 7, 40, 10**9])
def test_a_space_cut_in_parts_is_still_the_whole_space(job: Job, most: int) -> None:
    space = make_space(job, {"drive_spring": "larch,alder,hazel", "heel": "heel-10-g,heel-4-g", "twist": "none,20 deg"})
    slots = ("drive_spring", "heel", "twist")
    parts = space.cut(slots, most)
    seen = []
    for part in parts:
        counts = [len(part.options[slot]) for slot in slots]
        assert np.prod(counts) <= most
        first = dict(zip(SLOTS, space.numbers(part), strict=True))
        seen += list(itertools.product(*(range(first[s], first[s] + n) for s, n in zip(slots, counts, strict=True))))
    assert sorted(seen) == list(itertools.product(range(3), range(2), range(2)))
    assert sum(part.size for part in parts) == space.size


def test_a_choice_of_numbers_is_a_kit(job: Job) -> None:
    space = make_space(job)
    kit = space.kit([len(space.options[slot]) - 1 for slot in SLOTS])
    assert {**kit.parts, **kit.settings} == {slot: space.options[slot][-1] for slot in SLOTS}


@pytest.mark.parametrize("slot", list(SLOT_FAMILIES))
def test_a_lock_names_one_or_several_ids(job: Job, slot: str) -> None:
    ids = options_of(job, slot)
    first, last = ids[0], ids[-1]
    cases: list[tuple[dict[str, Any], tuple[str, ...]]] = [
        ({slot: first}, (first,)),
        ({slot: f"{last},{first}"}, (first, last)),
        ({slot: f" {last} , {first} , {last} "}, (first, last)),
        ({slot: [last, first]}, (first, last)),
        ({slot: "any"}, ids),
    ]
    for locks, left in cases:
        space = make_space(job, locks)
        assert space.options[slot] == left
        assert all(space.options[other] == make_space(job).options[other] for other in SLOT_FAMILIES if other != slot)


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("none", [None]),
        ("any", [None, 10, 20, 25, 30, 60]),
        ("20 deg", [20]),
        ("30 deg, 10 deg", [10, 30]),
        ("30 deg, none, 10 deg, 10 deg", [None, 10, 30]),
        ("10 deg..30 deg", [10, 20, 25, 30]),
        ("10deg..25.0 deg", [10, 20, 25]),
        ("0.5 turn..1 turn", None),
        ("0.34 rad..0.6 rad", [20, 25, 30]),
        ("none,20 deg..30 deg,60 deg", [None, 20, 25, 30, 60]),
        ("20.05 deg", [20]),  # within the 0.1 deg to which a twist is set
        ("33 deg", [33]),  # a stepless helix takes what the search grid leaves out
    ],
)
def test_a_twist_lock_takes_angles_ranges_and_none(job: Job, text: str, left: list[float | None] | None) -> None:
    if left is None:
        assert "twist: no setting lies in this range (got '0.5 turn..1 turn'" in problem(job, {"twist": text})
        return
    found = make_space(job, {"twist": text}).options["twist"]
    assert found == tuple(None if t is None else pytest.approx(t * DEG, abs=1e-8) for t in left)
    assert set(found) <= set(job.twists) or left == [33]


def test_a_lock_of_the_request_takes_the_place_of_the_jobs_own(job: Job) -> None:
    helices = list(job.shelf.family("helices"))
    locked = with_locks(job, helix=helices[0], twist="20 deg", heel=EMPTY)
    assert make_space(locked).options["helix"] == (helices[0],)
    assert make_space(locked).options["twist"] == (round(20 * DEG, 9),)
    space = make_space(locked, {"helix": helices[1], "twist": "any"})
    assert (space.options["helix"], space.options["twist"]) == ((helices[1],), job.twists)
    assert space.options["heel"] == (EMPTY,)
    assert make_space(locked, {"helix": "any"}).options["helix"] == tuple(sorted(helices))


def test_lock_fitted_keeps_every_slot_that_no_lock_names(job: Job) -> None:
    helices = sorted(job.shelf.family("helices"))
    fitted = fitted_kit(job)
    space = make_space(with_locks(job, tip=EMPTY), {"helix": "any"}, lock_fitted=True)
    kept = {slot: (part,) for slot, part in fitted.parts.items()} | {"twist": (fitted.settings["twist"],)}
    assert space.options == kept | {"helix": tuple(helices)}
    assert [show_twist(twist) for twist in space.options["twist"]] == [fitted.words()["twist"]]
    assert space.size == len(helices)


# ---- locks that name nothing ----


def test_an_unknown_slot_is_refused_with_the_known_ones(job: Job) -> None:
    assert (
        problem(job, {"pulley": "any"}) == f"--lock: pulley: no such slot (got 'pulley', expected {', '.join(SLOTS)})"
    )


def test_an_unknown_part_is_refused_with_the_nearest(job: Job) -> None:
    helices = job.shelf.family("helices")
    name = next(iter(helices))
    said = problem(job, {"helix": f"{name},{name}x"})
    assert said.startswith(f"--lock: helix: no such part (got '{name}x', expected one of {len(helices)} helices)")
    assert said.endswith(f"did you mean '{name}'?")
    assert "kitwright check" in problem(job, {"driven_spring": "qqqqq"})


@pytest.mark.parametrize("slot", ["drive_spring", "flyweight", "driven_spring", "helix"])
def test_only_a_station_may_be_empty(job: Job, slot: str) -> None:
    assert "no such part (got 'empty'" in problem(job, {slot: "empty"})


def test_a_part_of_another_slot_is_refused(job: Job) -> None:
    masses = {s: set(make_space(job).options[s]) for s in STATIONS}
    stranger = min(masses["tip"] - masses["heel"])
    assert f"no such part (got '{stranger}'" in problem(job, {"heel": stranger})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20", "unit missing (got '20', expected an angle)"),
        ("20 mm", "is a unit of length, not of angle"),
        ("20 degs", "did you mean 'deg'?"),
        ("tight", "not an angle"),
        ("10 deg..", "not an angle"),
        ("10..30 deg", "unit missing"),
        ("", "nothing is chosen"),
        (" , ", "nothing is chosen"),
        ("20 deg, 200 deg..300 deg", "no setting lies in this range (got '200 deg..300 deg', expected "),
        ("170 deg", "no helix takes this twist (got '170 deg', expected "),
        ("-20 deg", "no helix takes this twist"),
        ("200 deg..300 deg", "no setting lies in this range (got '200 deg..300 deg', expected "),
        ("30 deg..10 deg", "no setting lies in this range"),
    ],
)
def test_an_unreadable_twist_is_refused(job: Job, text: str, words: str) -> None:
    said = problem(job, {"twist": text})
    assert said.startswith("--lock: twist: ")
    assert words in said


def test_all_faults_of_all_locks_are_named_at_once(job: Job) -> None:
    with pytest.raises(InputError) as caught:
        make_space(with_locks(job, heel="nothing-such"), {"pulley": "x", "helix": "a,b", "twist": "20,30"}, where="-k")
    told = [(p.file, p.path.removeprefix("locks.")) for p in caught.value.problems]
    asked = ["helix", "helix", "pulley", "twist", "twist"]
    assert sorted(told) == sorted([(str(job.file), "heel"), *(("-k", slot) for slot in asked)])


@pytest.mark.parametrize("slot", list(SLOTS))
def test_a_lock_chooses_something(job: Job, slot: str) -> None:
    assert f"--lock: {slot}: nothing is chosen" in problem(job, {slot: []})


def test_a_wrong_lock_of_the_job_file_is_named_with_its_line(demo_job: Job, tmp_path: Path) -> None:
    folder = demo_job.file.parent
    for path in (folder / "machine.yaml", folder / "engine.csv"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    text = demo_job.file.read_text() + 'locks:\n  helix: "nothing-such"\n'
    (tmp_path / "job.yaml").write_text(text)
    with pytest.raises(InputError) as caught:
        make_space(load_job(tmp_path / "job.yaml"))
    assert [(p.line, p.column) for p in caught.value.problems] == [(text.count("\n"), 10)]


# ---- single kits ----


def test_a_kit_from_texts_keeps_what_is_fitted(job: Job) -> None:
    fitted = fitted_kit(job)
    assert kit_from_texts(job, {}, "here").words() == fitted.words()
    helix = next(name for name in job.shelf.family("helices") if name != fitted.parts["helix"])
    kit = kit_from_texts(with_locks(job, helix=fitted.parts["helix"]), {"helix": helix, "twist": "20 deg"}, "here")
    assert kit.parts == {**fitted.parts, "helix": helix}
    assert kit.words()["twist"] == "20 deg"
    assert set(kit.changes(fitted)) == {"helix", "twist"} - (
        {"twist"} if fitted.words()["twist"] == "20 deg" else set()
    )
    assert kit_from_texts(job, kit.words(), "here") == kit


def test_the_fitted_twist_stays_as_it_is(job: Job) -> None:
    fitted = job.spec.fitted.model_copy(update={"twist": 33.3333 * DEG})
    odd = replace(job, spec=job.spec.model_copy(update={"fitted": fitted}))
    assert make_space(odd, lock_fitted=True).options["twist"] == pytest.approx((33.3333 * DEG,), abs=1e-9)


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ({"helix": "any"}, "here: helix: a kit holds one choice a slot (got any, expected one)"),
        ({"heel": "empty", "twist": "10 deg..30 deg"}, "here: twist: a kit holds one choice a slot"),
        ({"twist": "10 deg,none"}, "here: twist: a kit holds one choice a slot"),
        ({"helx": "ramp"}, "here: helx: no such slot"),
        ({"helix": "qqqq"}, "here: helix: no such part"),
        ({"twist": "1 kg"}, "here: twist: 'kg' is a unit of mass, not of angle"),
    ],
)
def test_a_kit_from_texts_is_one_known_choice_a_slot(job: Job, texts: dict[str, str], words: str) -> None:
    with pytest.raises(InputError) as caught:
        kit_from_texts(job, texts, "here")
    assert str(caught.value).startswith(words)


@pytest.mark.parametrize(("slot", "text"), [("heel", "any"), ("twist", "10 deg,none"), ("driven_spring", "any")])
def test_a_kit_file_of_several_choices_is_refused_at_the_slot(job: Job, slot: str, text: str, tmp_path: Path) -> None:
    words = fitted_kit(job).words() | {slot: text}
    file = tmp_path / "kit.yaml"
    file.write_text("kit:\n" + "".join(f'  {name}: "{word}"\n' for name, word in words.items()), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        kit_from_texts(job, words, str(file), read_document(file))
    line = 2 + list(words).index(slot)
    assert {(p.file, p.line, p.column) for p in caught.value.problems} == {(str(file), line, len(slot) + 5)}


def test_kits_stand_in_the_order_of_their_ids_then_of_their_twist() -> None:
    kits = [
        Kit(dict.fromkeys(SLOT_FAMILIES, "m") | dict(zip(SLOT_FAMILIES, ids, strict=False)), {"twist": twist})
        for ids in itertools.product("ab", repeat=2)
        for twist in (None, 0.0, 0.2)
    ]
    assert sorted([*kits[5:], *kits[:5]], key=lambda kit: kit.order) == kits


@pytest.mark.parametrize(("one", "other", "same"), [(None, None, True), (None, 0.0, False), (0.2, 0.2 + 1e-4, True)])
def test_a_twist_counts_as_changed_beyond_what_can_be_set(one: float | None, other: float | None, same: bool) -> None:
    parts = dict.fromkeys(SLOT_FAMILIES, "a")
    kits = Kit(parts, {"twist": one}), Kit(parts, {"twist": other})
    assert kits[0].changes(kits[1]) == kits[1].changes(kits[0]) == (() if same else ("twist",))


@pytest.mark.parametrize(
    ("twist", "text"), [(None, "none"), (20 * DEG, "20 deg"), (0.0, "0 deg"), (33.25 * DEG, "33.25 deg")]
)
def test_a_twist_is_written_as_it_is_read(twist: float | None, text: str) -> None:
    assert show_twist(twist) == text


def test_a_twist_means_the_nearest_setting_of_a_fine_grid(job: Job) -> None:
    fine = replace(job, twists=(None, *np.round(np.radians(np.arange(10, 12.01, 0.05)), 9)))
    for twist in fine.twists[1:]:
        kit = Kit(fitted_kit(fine).parts, {"twist": twist})
        assert kit_from_texts(fine, kit.words(), "KIT").settings["twist"] == twist
