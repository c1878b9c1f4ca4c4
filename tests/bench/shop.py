"""A seeded shop catalogue of any size, made from the demo job: for benchmarks only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from catalog.job import Job
from catalog.parts import Flyweight, Helix, RampPoint, TuningMass
from catalog.shelf import Shelf
from catalog.slots import STATIONS
from catalog.springs import DrivenSpring, DriveSpring, MarkedForm

SHOP = {"springs": 40, "arms": 12, "masses": 8, "driven": 40, "helices": 60, "twists": 19}  # 1.1e10 kits


def shop_job(
    job: Job,
    *,
    springs: int = SHOP["springs"],
    arms: int = SHOP["arms"],
    masses: int = SHOP["masses"],
    driven: int = SHOP["driven"],
    helices: int = SHOP["helices"],
    twists: int = SHOP["twists"],
    seed: int = 7,
) -> Job:
    """The demo job with a generated catalogue: springs x arms x masses^3 x driven springs x helices x twists kits."""
    rng = np.random.default_rng(seed)
    shelf = job.shelf

    def marked(first: float, last: float) -> MarkedForm:
        return MarkedForm.model_construct(
            installed=first, full_shift=last, installed_length=None, full_shift_length=None
        )

    spring_base = shelf.family("drive_springs")["alder"]
    arm_base = shelf.family("flyweights")["cradle"]
    mass_base = shelf.family("masses")["tip-8-g"]
    driven_base = shelf.family("driven_springs")["grebe"]
    helix_base = shelf.family("helices")["ramp-40"]
    assert isinstance(spring_base, DriveSpring)
    assert isinstance(arm_base, Flyweight)
    assert isinstance(mass_base, TuningMass)
    assert isinstance(driven_base, DrivenSpring)
    assert isinstance(helix_base, Helix)
    assert arm_base.body is not None
    assert arm_base.profile is not None

    drive = {}
    for n in range(springs):
        first = rng.uniform(380, 620)
        drive[f"d{n:03d}"] = spring_base.model_copy(
            update={"id": f"d{n:03d}", "marked": marked(first, first + rng.uniform(350, 700))}
        )
    weights = {}
    for n in range(arms):
        bend = np.asarray(arm_base.profile.points, float)
        bend[:, 1] *= 1 + 0.03 * rng.uniform(-1, 1)
        profile = arm_base.profile.model_copy(update={"points": [tuple(p) for p in bend]})
        body = arm_base.body.model_copy(update={"mass": arm_base.body.mass * rng.uniform(0.94, 1.02)})
        stations = {
            name: seat.model_copy(update={"seat": "any", "depth": 1.0}) for name, seat in arm_base.stations.items()
        }
        weights[f"a{n:03d}"] = arm_base.model_copy(
            update={"id": f"a{n:03d}", "profile": profile, "body": body, "stations": stations}
        )
    tuning = {
        f"{station}-{n:02d}": mass_base.model_copy(
            update={"id": f"{station}-{n:02d}", "stations": [station], "seat": "any", "mass": 3e-3 + 13e-3 * n / masses}
        )
        for station in STATIONS
        for n in range(masses - 1)  # the empty station is the last choice
    }
    torsion = {}
    for n in range(driven):
        first = rng.uniform(450, 900)
        torsion[f"t{n:03d}"] = driven_base.model_copy(
            update={
                "id": f"t{n:03d}",
                "marked": marked(first, first + rng.uniform(300, 600)),
                "torsion_rate": np.degrees(rng.uniform(0.05, 0.18)),
            }
        )
    ramps = {}
    for n in range(helices):
        first = np.radians(rng.uniform(37, 48))
        last = first - np.radians(rng.uniform(0, 8))
        points = [RampPoint.model_construct(travel=t, angle=a) for t, a in ((0.0, first), (21e-3, last))]
        ramps[f"h{n:03d}"] = helix_base.model_copy(
            update={"id": f"h{n:03d}", "angle": None, "ramp": points, "twist_steps": None, "twist_range": (0.0, 3.0)}
        )
    parts: dict[str, Mapping[str, Any]] = {
        "drive_springs": drive,
        "flyweights": weights,
        "masses": tuning,
        "driven_springs": torsion,
        "helices": ramps,
        "belts": shelf.family("belts"),
    }
    settings = tuple(np.radians(np.linspace(5, 65, twists)).round(9).tolist())
    fitted = job.spec.fitted.model_copy(
        update={
            "drive_spring": "d000", "flyweight": "a000", "heel": "empty", "mid": "empty", "tip": "empty",
            "driven_spring": "t000", "helix": "h000", "twist": settings[0],
        }
    )  # fmt: skip
    return replace(
        job, shelf=Shelf(parts, shelf.files), twists=settings, spec=job.spec.model_copy(update={"fitted": fitted})
    )
