"""Thrust of drive builds against the same arms and masses put together by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from extreme_job import documents, write

from catalog import Job, load_job
from catalog.parts import Flyweight
from search import score_kit
from search.builds import DriveBuilds, drive_builds
from search.request import Request
from search.score import make_stage
from search.space import DRIVE_SLOTS, Space, fitted_kit, make_space
from solver.arm_bodies import point_mass
from solver.flyweights import arm_friction, arm_motion, centrifugal, inertia_slope
from solver.points import BACKSHIFT, UPSHIFT

pytestmark = pytest.mark.invariant


def builds_of(job: Job, **drive: float) -> tuple[Job, Space, DriveBuilds]:
    job = replace(job, inputs=replace(job.inputs, drive=replace(job.inputs.drive, **drive)))
    space = make_space(job, {}, where="locks")
    return job, space, drive_builds(make_stage(job, Request.of(job), job.spec.belt), space)


@pytest.fixture(scope="module")
def rubbing(demo_job: Job) -> tuple[Job, Space, DriveBuilds]:
    return builds_of(demo_job, pivot_friction=0.12)


def test_thrust_loss_and_engagement_are_those_of_the_parts_put_together(
    rubbing: tuple[Job, Space, DriveBuilds],
) -> None:
    job, space, builds = rubbing
    given, path, duty = job.inputs.drive, job.drivetrain.path, job.drivetrain.duty
    shelf, compared = job.shelf, 0
    closing = [(duty.points.branch == UPSHIFT) & (duty.points.position == n) for n in range(len(path.position))]
    passes = np.array([duty.sweeps[here].sum() for here in closing])
    for row in np.random.default_rng(5).choice(len(builds), 40, replace=False):
        names = {slot: space.options[slot][n] for slot, n in zip(DRIVE_SLOTS, builds.choice[row], strict=True)}
        arm = shelf.family("flyweights")[str(names["flyweight"])]
        assert isinstance(arm, Flyweight)
        if arm.profile is None or arm.body is None:
            continue
        face = arm.profile.metres
        travel = path.drive_travel
        motion = arm_motion(travel, face, arm.roller_diameter / 2, given.roller_outboard, given.roller_height)
        bodies = [arm.body.solid(face[-1, 0])]
        for station, seat in arm.stations.items():
            mass = shelf.family("masses").get(str(names[station]))
            bodies += [point_mass(mass.mass, seat.along, seat.across)] if mass else []  # type: ignore[attr-defined]
        free = arm.count / 2 * np.sum([inertia_slope(motion, given.pivot_radius, one) for one in bodies], axis=0)
        thrown = arm.count * np.sum([centrifugal(motion, given.pivot_radius, one) for one in bodies], axis=0)
        friction = arm_friction(motion, given.roller_friction, 0.12, given.pin_radius)
        thrust, spring = friction.thrust(free, thrown), builds.side.spring[row]
        assert builds.side.thrust_per_speed2[row] == pytest.approx(thrust, rel=1e-10)
        assert builds.engagement[row] == pytest.approx(np.sqrt(spring[0] / thrust[UPSHIFT, 0]), rel=1e-10)
        lost = (spring * (free / thrust[UPSHIFT] - free / thrust[BACKSHIFT])) @ passes * (travel[-1] - travel[0])
        assert builds.loss[row] == pytest.approx(lost, rel=1e-10)
        compared += 1
    assert compared > 10


def test_pins_widen_the_band_of_arms_by_geometry_alone(demo_job: Job) -> None:
    kit = fitted_kit(demo_job)
    bands = []
    for pivot in (0.0, 0.02, 0.2):
        job, _, _ = builds_of(demo_job, pivot_friction=pivot)
        side = drive_builds(make_stage(job, Request.of(job), job.spec.belt), Space.of(kit)).side
        bands.append(side.thrust_per_speed2[0, BACKSHIFT] / side.thrust_per_speed2[0, UPSHIFT])
    assert (bands[0] < bands[1]).all()
    assert (bands[1] < bands[2]).all()


@pytest.mark.parametrize(("friction", "refused"), [(0.05, False), (1.0, True)])
def test_arms_that_their_pins_hold_are_refused(friction: float, refused: bool, tmp_path: Path) -> None:
    files = documents()
    arms = files["parts/flyweights.yaml"]["parts"]
    headless = {"mass": "64 g", "along": "1 mm", "across": "-1 mm", "gyration": ["1.5 mm", "1 mm"]}
    arms.append(
        {key: value for key, value in arms[0].items() if key != "stations"} | {"id": "headless", "body": headless}
    )
    files["machine.yaml"]["drive_clutch"]["pivot_friction"] = friction
    files["job.yaml"]["fitted"] |= {"flyweight": "headless", "heel": "empty", "mid": "empty", "tip": "empty"}
    job = load_job(write(files, tmp_path))
    assert not job.forces.arm(job.shelf.family("flyweights")["headless"]).fault  # type: ignore[arg-type]
    failures = score_kit(job, fitted_kit(job)).failures
    assert ("does not press its rollers" in failures.get("roller_contact", "")) == refused
