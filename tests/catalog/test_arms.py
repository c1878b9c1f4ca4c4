"""What a catalogue may say of the mass of an arm, the thrust that follows, and what is told of estimates."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from extreme_job import documents, write

from catalog import Job, load_job
from catalog.parts import Body, Flyweight, TuningMass
from solver.flyweights import arm_motion

pytestmark = pytest.mark.invariant

POINTS = [[-6.0, 5.0], [-6.0, -6.0], [30.0, -14.0], [62.0, -18.0], [62.0, -8.0], [20.0, 4.0]]  # mm
CENTRE = {"mass": "64 g", "along": "35 mm", "across": "-6 mm"}
DISTANCE = np.hypot(0.035, 0.006)
REACH = 0.0449  # of a face, m


def body(**said: Any) -> Body:
    return Body.model_validate(said)


def polar(arm: Body) -> float:
    """Moment of inertia about the pivot [kg m^2]."""
    solid = arm.solid(REACH)
    return float(solid.j_along + solid.j_across)


# --- ways to say it -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "size"), [("mm", 1e-3), ("in", 0.0254)])
def test_an_outlined_arm_weighs_its_area_by_thickness_and_density_or_what_was_weighed(unit: str, size: float) -> None:
    points = np.array(POINTS) * 1e-3 / size
    plate = shapely.Polygon(1e-3 * np.array(POINTS))
    outline = {"unit": unit, "points": points.tolist()}
    made = body(outline=outline, thickness="8 mm", density="7850 kg/m^3").solid(REACH)
    assert made.mass == pytest.approx(plate.area * 0.008 * 7850, rel=1e-12)
    assert [made.along, made.across] == pytest.approx([plate.centroid.x, plate.centroid.y], rel=1e-12)
    weighed = body(outline=outline, mass="60 g").solid(REACH)
    assert weighed.j_along / 0.060 == pytest.approx(made.j_along / made.mass, rel=1e-12)
    assert weighed.mass == pytest.approx(0.060, rel=1e-12)


def test_two_gyrations_are_along_and_across_the_line_to_the_centre() -> None:
    solid = body(**CENTRE, gyration=["42 mm", "9 mm"]).solid(REACH)
    line = np.array([0.035, -0.006]) / DISTANCE
    matrix = np.array([[solid.j_along, solid.j_product], [solid.j_product, solid.j_across]])
    assert line @ matrix @ line == pytest.approx(0.064 * 0.042**2, rel=1e-12)
    beside = np.array([-line[1], line[0]])
    assert beside @ matrix @ beside == pytest.approx(0.064 * 0.009**2, rel=1e-12)
    assert line @ matrix @ beside == pytest.approx(0.0, abs=1e-18)


def test_one_gyration_and_the_period_that_it_makes_are_the_same_arm() -> None:
    period = float(2 * np.pi * np.sqrt(0.042**2 / (9.80665 * DISTANCE)))
    rolled, swung = body(**CENTRE, gyration="42 mm"), body(**CENTRE, pendulum=f"{period!r} s")
    assert polar(rolled) == pytest.approx(0.064 * 0.042**2, rel=1e-12)
    assert polar(swung) == pytest.approx(polar(rolled), rel=1e-9)
    assert rolled.estimate == swung.estimate == "line"


def test_an_arm_of_which_nothing_is_said_is_a_rod_as_long_as_its_face_reaches() -> None:
    assert polar(body(**CENTRE)) == pytest.approx(0.064 * (DISTANCE**2 + REACH**2 / 12), rel=1e-12)
    assert polar(body(**CENTRE, length="60 mm")) == pytest.approx(0.064 * (DISTANCE**2 + 0.060**2 / 12), rel=1e-12)
    assert body(**CENTRE).estimate == body(**CENTRE, length="60 mm").estimate == "rod"


# --- thrust ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """Arms of every kind, and one with stations whose masses lie in every way."""
    files = documents()
    arms = files["parts/flyweights.yaml"]["parts"]
    first = json.loads(json.dumps(arms[0])) | {"id": "three-ways"}
    for name, way in (("heel", "along"), ("mid", "across"), ("tip", "pin")):
        first["stations"][name] |= {"lies": way}
    arms.append(first)
    return load_job(write(files, tmp_path_factory.mktemp("arms")))


def arm_of(job: Job, name: str) -> Flyweight:
    part = job.shelf.family("flyweights")[name]
    assert isinstance(part, Flyweight)
    return part


def test_a_long_mass_adds_the_moment_of_a_rod_the_way_it_lies(job: Job) -> None:
    # reference: the mass as 4,000 pieces in a row, each a point
    part, drive = arm_of(job, "three-ways"), job.drivetrain.inputs.drive
    force, travel = job.forces.arm(part), job.drivetrain.path.drive_travel
    assert part.profile is not None
    face = part.profile.metres
    motion = arm_motion(travel, face, part.roller_diameter / 2, drive.roller_outboard, drive.roller_height)
    mass = TuningMass.model_construct(mass=0.009, length=0.020)
    offset = (np.arange(4000) + 0.5) / 4000 * 0.020 - 0.010
    ways = {"heel": (1.0, 0.0), "mid": (0.0, 1.0), "tip": (0.0, 0.0)}
    for name, (along, across) in ways.items():
        seat = part.stations[name]  # type: ignore[index]
        a, c = seat.along + along * offset, seat.across + across * offset
        q = motion.angle[:, None]
        radius = float(drive.pivot_radius) + a * np.sin(q) + c * np.cos(q)
        pieces = (radius * (a * np.cos(q) - c * np.sin(q))).mean(axis=1) * 0.009
        assert force.added(name, mass) == pytest.approx(part.count * pieces * motion.slope, rel=1e-6), name


def test_arms_known_by_a_thrust_table_have_no_pin(job: Job) -> None:
    force = job.forces.arm(arm_of(job, "benched"))
    thrust = force.friction.thrust(force.bare, force.bare_centrifugal)
    assert thrust == pytest.approx(np.array([[0.95], [1.05]]) * force.bare, rel=1e-12)


# --- what is told ---------------------------------------------------------------------------------------------------


def lines_of(job: Job, words: str) -> list[str]:
    return [line for line in job.assumed if words in line]


def test_estimated_arms_are_told_in_one_line_a_kind_with_what_hangs_on_them(job: Job) -> None:
    fitted = job.spec.fitted_parts["flyweight"]
    (rods,), (lines,) = lines_of(job, "slender rods"), lines_of(job, "along the line from pivot to centre")
    assert rods.startswith(f"arms by-length, {fitted}, three-ways are taken for")
    assert lines.startswith("arms by-pendulum are taken to be long")
    assert not any(name in rods + lines for name in ("by-outline", "by-gyration", "benched"))
    low, high = (float(n) for n in rods.removesuffix(" rpm at most").rsplit(" by ")[1].split(" to "))
    assert 10 < low < high < 100


def test_what_is_told_is_how_far_the_speed_of_equal_thrust_moves(job: Job) -> None:
    part = arm_of(job, "by-pendulum")
    force = job.forces.arm(part)
    masses = [(n, job.shelf.family("masses").get(getattr(job.spec.fitted, n))) for n in part.stations]
    whole = force.bare + sum(force.added(name, m) for name, m in masses if isinstance(m, TuningMass))
    target = float(job.drivetrain.target_speed) * 30 / np.pi
    moved = np.abs(target * np.sqrt(whole / (whole - force.unsure)) - target).mean()
    (line,) = lines_of(job, "along the line")
    assert float(line.removesuffix(" rpm at most").rsplit(" by ")[1]) == pytest.approx(moved, rel=0.05)


def test_arms_that_do_not_fit_and_long_lists_are_not_told(tmp_path: Path) -> None:
    files = documents()
    arms = files["parts/flyweights.yaml"]["parts"]
    arms += [arms[0] | {"id": f"more-{n}"} for n in range(9)] + [arms[0] | {"id": "alien", "fits": ["other-drive"]}]
    (line,) = lines_of(load_job(write(files, tmp_path)), "slender rods")
    assert " and 5 more are taken" in line
    assert "alien" not in line


def test_the_way_a_mass_lies_is_told_where_a_long_one_could_lie_otherwise(tmp_path: Path) -> None:
    words = "tuning masses lie parallel"
    files = documents()
    for mass in files["parts/masses.yaml"]["parts"]:
        mass["length"] = "10 mm"
    assert not lines_of(load_job(write(files, tmp_path)), words)
    files["parts/masses.yaml"]["parts"][0]["length"] = "11 mm"
    assert lines_of(load_job(write(files, tmp_path)), words)
    for arm in files["parts/flyweights.yaml"]["parts"]:
        arm["stations"] = {name: seat | {"lies": "pin"} for name, seat in arm["stations"].items()}
    assert not lines_of(load_job(write(files, tmp_path)), words)


def test_the_friction_of_the_pins_is_told_where_it_is_not_stated(tmp_path: Path) -> None:
    files = documents()
    stated = load_job(write(files, tmp_path))
    assert float(stated.inputs.drive.pivot_friction) == 0.03
    assert float(stated.inputs.drive.pin_radius) == pytest.approx(stated.machine.drive_clutch.pin_diameter / 2)
    assert not lines_of(stated, "pins of the arms")
    del files["machine.yaml"]["drive_clutch"]["pivot_friction"]
    left = load_job(write(files, tmp_path))
    assert float(left.inputs.drive.pivot_friction) == 0.02
    assert lines_of(left, "pins of the arms rub with an effective friction of 0.02")
