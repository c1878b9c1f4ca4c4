"""Jobs made to break the bounds: valid files of a small invented machine, drawn from a seed.

Driven springs spread up to fifty times, ramps from 8 to 70 deg, belts that may slide (margin down to -50 %), torque
that falls by 45 % within a few per cent of target, bushes and guides that rub up to where a sheave would stick, tyres
that slip from some gear on, grounds with torques, targets and gear ranges of their own, any grid, odd weights. The
arms are made for one of the driven builds, drawn too, so that some kits run near target.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from varying import stage_of

from catalog import Job, load_job
from search.builds import driven_builds
from search.request import Request
from search.space import make_space
from solver.balance import needed_drive_thrust
from solver.points import along

__all__ = ["attack_job", "attack_request"]

TARGET = 6000.0  # rpm
TORQUE = 60.0  # N m there
WIDE = {"drive": 2, "arms": 2, "heel": 30, "mid": 3, "driven": 12, "helices": 5}
NARROW = {"drive": 1, "arms": 1, "heel": 60, "mid": 4, "driven": 60, "helices": 1}
LOW = 1.7  # how much slower the low gear range is
_RUBBING = (0.0, 0.0, 0.02, 0.06, 0.2)  # frictions of bushes, guides and pins
STATED = {"description": "invented", "source": "invented", "basis": "example"}

Part = dict[str, Any]


def attack_job(folder: Path, seed: int, **sizes: int) -> Job:
    """Write the job of a seed into an empty folder, and load it.

    Jobs of odd seeds are narrow: one ramp, springs that only push, few duty points, a cliff, a belt that soon slides.
    """
    rng, narrow = np.random.default_rng(seed), seed % 2 == 1
    sizes = (NARROW if narrow else WIDE) | sizes
    angle = float(rng.uniform(11, 16))
    (folder / "parts").mkdir()
    (folder / "engine.csv").write_text(_curve(rng, narrow))
    _write(folder / "machine.yaml", _machine(rng, angle))
    _write(folder / "job.yaml", _spec(rng, narrow))
    drive_springs = _springs("d", "qa", _loads(rng, rng.uniform(10, 800), sizes["drive"]))
    _family(folder, "belts", [_belt(rng, angle, narrow)])
    _family(folder, "drive_springs", drive_springs)
    _family(folder, "helices", _helices(rng, sizes["helices"], narrow))
    _family(folder, "masses", _masses(rng, sizes))
    _family(folder, "flyweights", [_arm(0, np.full(5, 3000.0), rng)])
    first, loads = rng.uniform(200, 700) if narrow else rng.uniform(20, 600), _loads(rng, 1.0, sizes["driven"])
    while True:  # the belt must hold with some spring
        _family(folder, "driven_springs", _driven_springs(rng, first * loads, narrow))
        job = load_job(folder / "job.yaml")
        side = driven_builds(stage_of(job), make_space(job)).side
        if len(side.fixed):
            break
        first *= 3
    train = job.drivetrain
    count = len(train.path.position)
    upshift = along(count)
    pull = upshift.pull(float(train.engine.at(train.target_speed)), train.path.drive_radius)
    belt = train.grip.at(upshift)
    arms = []
    for number in range(sizes["arms"]):
        chosen = side[rng.integers(len(side.fixed))].at(upshift)
        wanted = needed_drive_thrust(chosen, pull, belt)[:count]
        push = np.maximum(wanted[np.linspace(0, count - 1, 5).astype(int)], 50.0)
        load = float(drive_springs[int(rng.integers(sizes["drive"]))]["marked"]["installed"][:-2])
        push = np.full(5, push.mean()) if narrow else push
        arms.append(_arm(number, rng.uniform(0.7, 1.05) * (push + load), rng))
    _family(folder, "flyweights", arms)
    return load_job(folder / "job.yaml")


def attack_request(job: Job, seed: int) -> Request:
    """Odd weights for a job, from nearly none to a thousand."""
    rng = np.random.default_rng([seed, 1])
    return Request.of(job).with_weights(
        {
            "flatness": float(rng.choice([1e-3, 1.0, 50.0, 441.0, 1000.0])),
            "spring_loss": float(rng.choice([0.0, 1.0, 10.0])),
            "belt_margin": float(rng.choice([0.0, 1.0, 10.0, 1000.0])),
        }
    )


def _write(path: Path, data: dict[str, Any]) -> None:
    path.write_text(json.dumps(data))


def _family(folder: Path, family: str, parts: list[Part]) -> None:
    _write(folder / "parts" / f"{family}.yaml", {"family": family, "parts": parts})


def _loads(rng: np.random.Generator, first: float, count: int) -> np.ndarray:
    """Loads that rise by equal factors, up to fifty times the first."""
    return np.geomspace(first, first * float(rng.choice([1.1, 3.0, 10.0, 50.0])), count)


def _springs(name: str, family: str, loads: np.ndarray) -> list[Part]:
    size = {"outer_diameter": "68 mm", "inner_diameter": "58 mm", "solid_length": "2 mm"}
    return [
        STATED
        | size
        | {
            "id": f"{name}{n}",
            "fits": [family],
            "marked": {"installed": f"{load:.4f} N", "full_shift": f"{1.02 * load:.4f} N"},
        }
        for n, load in enumerate(loads)
    ]


def _driven_springs(rng: np.random.Generator, loads: np.ndarray, narrow: bool) -> list[Part]:
    parts = _springs("t", "qb", loads)
    for number, part in enumerate(parts):
        part["kind"] = "compression"
        if number % 3 == 2 and not narrow:
            part |= {"kind": "torsion", "torsion_rate": f"{rng.uniform(0.01, 0.3):.3f} N m/deg"}
    return parts


def _helices(rng: np.random.Generator, count: int, narrow: bool) -> list[Part]:
    low, high = (36, 48) if narrow or rng.random() < 0.5 else (8, 70)
    parts = []
    for number in range(count):
        ramp = [{"travel": t, "angle": f"{rng.uniform(low, high):.3f} deg"} for t in ("0 mm", "25 mm")]
        data = {"id": f"h{number}", "fits": ["qb"], "radius": "42 mm", "travel": "200 mm", "roller_diameter": "12 mm"}
        parts.append(STATED | data | {"ramp": ramp, "twist_steps": ["10 deg", "60 deg"]})
    return parts


def _masses(rng: np.random.Generator, sizes: dict[str, int]) -> list[Part]:
    step = float(rng.choice([10.0, 60.0, 200.0])) / sizes["heel"]  # all the way by a little, or by much
    return [
        STATED
        | {
            "id": f"{station}-{n}",
            "stations": [station],
            "seat": "s",
            "length": "5 mm",
            "mass": f"{step * (n + 1):.2f} g",
        }
        for station in ("heel", "mid")
        for n in range(sizes[station] - 1)  # the empty station is one more
    ]


def _arm(number: int, bare: np.ndarray, rng: np.random.Generator) -> Part:
    travel = [f"{t:.2f} mm" for t in np.linspace(0, 30, 5)]
    heavier = float(rng.uniform(2, 15))  # times the bare thrust, per kg
    thrust = {"friction_band": float(rng.choice([0.0, 0.0, 0.02, 0.08])), "speed": f"{TARGET} rpm", "travel": travel}
    thrust["bare"] = [f"{push:.3f} N" for push in bare]
    thrust["per_mass"] = {
        station: [f"{share * heavier * push:.3f} N/kg" for push in bare]
        for station, share in (("heel", 1), ("mid", 0.13))
    }
    seat = {"along": "20 mm", "across": "-4 mm", "seat": "s", "depth": "10 mm"}
    return STATED | {
        "id": f"a{number}", "fits": ["qa"], "count": 3, "pin_diameter": "8 mm", "roller_diameter": "15 mm",
        "thrust": thrust, "stations": {"heel": seat, "mid": seat},
    }  # fmt: skip


def _belt(rng: np.random.Generator, angle: float, narrow: bool) -> Part:
    losses = {"bending": "1.2 N m", "wedging": 0.017, "stretch_stiffness": "160 kN", "wedge_stiffness": "60 MPa"}
    return STATED | {
        "id": "b", "fits": ["qa", "qb"], "pitch_length": "995 mm", "half_angle": f"{angle} deg",
        "mass_per_length": "0.42 kg/m", "max_tension": "60 kN",
        "friction": float(rng.uniform(0.22, 0.3 if narrow else 0.6)),
        "seating": float(rng.uniform(0.3, 1.0)), "losses": losses,
    }  # fmt: skip


def _curve(rng: np.random.Generator, narrow: bool) -> str:
    """Torque that falls off a cliff below or above target, that is spread at random, or that is nearly flat."""
    kind, speed = rng.choice(["below", "above", "wild", "flat"]), np.linspace(1200, 9000, 9)
    kind = "below" if narrow else kind
    if kind == "wild":
        torque = TORQUE * rng.uniform(0.3, 1.7, len(speed))
    elif kind == "flat":
        torque = TORQUE * rng.uniform(0.95, 1.05, len(speed))
    else:
        width, fall = float(rng.uniform(8, 150)), 0.45 if narrow else float(rng.uniform(0.1, 0.45))
        away = TARGET * float(rng.uniform(0.002, 0.05))
        top = TARGET - away - width if kind == "below" else TARGET + away
        speed = np.array([1200, 2400, top - 500, top - 200, top, top + width, top + width + 100, 9000])
        level = TORQUE / (1 - fall) if kind == "below" else TORQUE
        torque = level * np.array([0.9, 0.95, 1, 1, 1, 1 - fall, (1 - fall) * 1.01, 1 - fall])
    rows = [f"{w:.3f},{t:.4f}" for w, t in zip(speed, torque, strict=True)]
    return "\n".join(["speed (rpm),torque (N m)", *rows]) + "\n"


def _machine(rng: np.random.Generator, angle: float) -> dict[str, Any]:
    limit = TARGET * float(rng.choice([1.02, 1.1, 1.4]))
    drive = {
        "family": "qa", "min_radius": "34 mm", "max_radius": "86 mm", "arms": 3, "pin_diameter": "8 mm",
        "pivot_radius": "47 mm", "roller_diameter": "15 mm", "roller_outboard": "34 mm", "roller_height": "2 mm",
        "roller_friction": 0.0, "guide_radius": f"{rng.uniform(20, 60):.1f} mm",
        "torque_share": float(rng.choice([0.0, 0.5, 1.0])),
        **{f"{part}_friction": float(rng.choice(_RUBBING)) for part in ("bush", "guide", "pivot")},
        "spring": {"installed_length": "300 mm", "outer_limit": "70 mm", "inner_limit": "54 mm"},
    }  # fmt: skip
    driven = {
        "family": "qb", "min_radius": "50 mm", "max_radius": "130 mm", "roller_diameter": "12 mm",
        "ramp_friction": float(rng.choice([0.0, 0.03, 0.1])), "torque_share": 0.5, "spring_tangs": True,
        "bush_friction": float(rng.choice(_RUBBING)),
        "spring": {"installed_length": "300 mm", "outer_limit": "72 mm", "inner_limit": "56 mm"},
    }  # fmt: skip
    engine = {"curve": "engine.csv", "air": "as-measured", "idle_speed": "120 rpm"}
    engine |= {"speed_limit": f"{limit:.2f} rpm", "target_speed": f"{TARGET} rpm"}
    return STATED | {
        "id": "m", "engine": engine, "half_angle": f"{angle} deg", "centre_distance": "256 mm",
        "drive_clutch": drive, "driven_clutch": driven, "friction_source": "invented", "mass": "1500 kg",
        "drag_area": "0.5 m^2", "wheel_radius": "320 mm", "driveline_efficiency": "90 %",
        "reduction": {"low": LOW * 11.4, "high": 11.4},
    }  # fmt: skip


def _spec(rng: np.random.Generator, narrow: bool) -> dict[str, Any]:
    positions = int(rng.choice([5, 6, 9, 16, 60], p=[0.4, 0.25, 0.2, 0.1, 0.05]))
    grounds = []
    for number in range(1 if narrow else int(rng.choice([1, 2, 3, 8], p=[0.3, 0.35, 0.3, 0.05]))):
        share, low_range = float(rng.choice([1.0, 1.0, rng.uniform(0.75, 1.0)])), bool(rng.random() < 0.25)
        low = float(rng.uniform(20, 70)) * share / (LOW if low_range else 1.0)
        speed = [f"{low:.3f} km/h", f"{low + rng.uniform(0.5, 3 if narrow else 30):.3f} km/h"]
        firm = rng.random() < (0.8 if narrow else 0.5)
        ground: Part = {
            "name": f"g{number}", "share": "100 %", "source": "invented", "rolling": 0.01, "grade": "-3 %",
            "adhesion": 1.2 if firm else float(rng.uniform(0.08, 0.3)), "speed": speed,
            "load_changes": f"{rng.choice([0, 2, 20])} /min", "starts": f"{rng.choice([0, 0, 1])} /min",
            "torque": "100 %" if narrow else f"{rng.uniform(40, 100):.1f} %",
        }  # fmt: skip
        if share < 1:
            ground["target"] = f"{share * TARGET:.1f} rpm"
        if low_range:
            ground["range"] = "low"
        grounds.append(ground)
    for ground in grounds:
        ground["share"] = f"{100 / len(grounds):.4f} %"
    fitted = dict.fromkeys(("heel", "mid", "tip"), "empty") | {"drive_spring": "d0", "flyweight": "a0"}
    return {
        "description": "invented", "machine": "machine.yaml", "catalogue": ["parts"], "belt": "b", "grounds": grounds,
        "grid": {"positions": positions},
        "limits": {
            "engagement": ["5 rpm", "40000 rpm"], "idle_clearance": "1 rpm", "coil_clearance": "0.1 mm",
            "belt_margin": str(rng.choice(["-50 %", "-50 %", "0 %"])),
        },
        "score": {"wanted_margin": str(rng.choice(["0 %", "30 %"]))},
        "fitted": fitted | {"driven_spring": "t0", "helix": "h0", "twist": "none"},
    }  # fmt: skip
