"""Plants one fault at a time in a copy of the tree, in the wiring of the terms, and tells which test falls.

    python tests/mutations.py             # all, some twenty minutes on two cores
    python tests/mutations.py efficiency  # those whose name holds the word

Each fault is a piece of text that stands once in a file, and what takes its place. The kits worked by hand are run
first, then the tests of the solver and of the score. A fault that none of them sees is told at the end, with exit
code 1. Not in the suite: it runs parts of it again and again.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
SUITES = (
    ("tests/worked",),
    ("tests/solver", "tests/catalog", "tests/search/test_score.py", "tests/search/test_trade_facts.py",
     "tests/search/commands/test_explain_and_compare.py"),
)  # fmt: skip
WORKERS = 2


class Fault(NamedTuple):
    """What is wrong, where, the text that stands there, and what takes its place."""

    name: str
    file: str
    text: str
    instead: str


FAULTS = (
    # friction work and losses
    Fault("spring friction work without travel", "search/builds.py",
          " * float(np.ptp(drivetrain.path.drive_travel))", ""),
    Fault("ramp friction work without travel", "search/sides.py",
          " * np.gradient(path.driven_travel, path.position)", ""),
    Fault("bush friction work without travel", "search/belt_terms.py",
          "(duty.sweeps * np.abs(bush) * way for", "(duty.sweeps * np.abs(bush) for"),
    Fault("bush work of the driven clutch left out", "search/belt_terms.py",
          "excess + above[0] * drive_rubs + above[1] * driven_rubs", "excess + above[0] * drive_rubs"),
    Fault("load changes counted twice", "search/points.py",
          "np.where(duty.points.branch == UPSHIFT, duty.sweeps, 0.0)", "duty.sweeps"),
    Fault("least tensions without the wanted margin", "search/belt_terms.py",
          "pull, stage.request.wanted_margin, duty.grip", "pull, 0.0, duty.grip"),
    Fault("belt loss below the least counts as a gain", "search/belt_terms.py",
          "np.maximum(state.lost - lowest[helix], 0.0)", "(state.lost - lowest[helix])"),
    # arms, springs, ramp
    Fault("arm mass x 0.9", "catalog/forces.py", "bare=thrust(arm),", "bare=0.9 * thrust(arm),"),
    Fault("product of inertia left out", "solver/flyweights.py", " + 2 * j_product * np.cos(2 * q)", ""),
    Fault("pins without centrifugal force", "catalog/forces.py",
          "bare_centrifugal=thrown(arm),", "bare_centrifugal=0 * thrown(arm),"),
    Fault("friction of the pin on the wrong branch", "solver/flyweights.py",
          "rub=np.asarray(-way * hold", "rub=np.asarray(way * hold"),
    Fault("roller friction left out", "catalog/forces.py",
          "arm_friction(motion, clutch.roller_friction,", "arm_friction(motion, 0.0,"),
    Fault("twist left out", "search/sides.py", 'lambda twist: twist or 0.0', 'lambda twist: 0.0'),
    Fault("rotation on the ramp left out", "search/sides.py",
          "pick(self.angle, choice)[:, None] + pick(self.rotation, choice)", "pick(self.angle, choice)[:, None]"),
    Fault("torque_share of the driven clutch ignored", "search/sides.py",
          "drivetrain.inputs.driven.torque_share * drivetrain", "0.5 * drivetrain"),
    Fault("torque_share of the drive clutch ignored", "solver/grip.py",
          "per_draw(bushes.torque_share, 2)", "0.5"),
    Fault("guides at another radius", "solver/drivetrain.py",
          "guide_radius=drive.guide_radius", "guide_radius=drive.pivot_radius"),
    Fault("driven spring measured from position 0", "solver/drivetrain.py",
          "per_draw(inputs.driven.spring_length, 2) - path.driven_travel",
          "per_draw(inputs.driven.spring_length, 2) - (path.driven_travel - path.driven_travel[..., :1])"),
    Fault("narrow belts run as wide ones", "solver/drivetrain.py", "narrower=narrower,", "narrower=0.0,"),
    # belt
    Fault("bush friction of a whole sheave pair on the moving half", "solver/grip.py",
          "(per_draw(v, 2) / 2 for v in", "(per_draw(v, 2) for v in"),
    Fault("drive bush works with the shift", "solver/grip.py",
          "drive_bush=_by_branch(0.0, drive_bush", "drive_bush=_by_branch(0.0, -drive_bush"),
    Fault("no centrifugal tension in the margin", "search/belt_terms.py",
          "belt.max_tension / (tight + turning) - 1", "belt.max_tension / tight - 1"),
    Fault("margin without the drive sheave", "search/belt_terms.py",
          "np.minimum(np.minimum(self.on_drive, self.on_driven), self.in_tension)",
          "np.minimum(self.on_driven, self.in_tension)"),
    Fault("margin without the driven sheave", "search/belt_terms.py",
          "np.minimum(np.minimum(self.on_drive, self.on_driven), self.in_tension)",
          "np.minimum(self.on_drive, self.in_tension)"),
    Fault("slip limit without bush friction", "solver/grip.py", "-driven_bush * at_limit)", "0.0 * at_limit)"),
    Fault("cooling does not grow with speed", "search/belt_terms.py",
          "conductance(cooling.belt, target, cooling.at_speed)",
          "conductance(cooling.belt, target)"),
    Fault("temperature of the mean ground", "search/belt_terms.py", "[1].max(axis=-1)", "[1].mean(axis=-1)"),
    Fault("belt life without warmth", "search/belt_terms.py",
          "(_summed(fatigue, duty.by_ground) * heated)", "_summed(fatigue, duty.by_ground)"),
    Fault("belt life without the nearness of slip", "search/belt_terms.py",
          "slip_wear_rate(slipping, np.minimum(state.on_drive, state.on_driven))",
          "slip_wear_rate(slipping, np.full_like(slipping, 1.0))"),
    # engine, ground, time
    Fault("driveline efficiency left out of the power", "search/score.py",
          " - lost, 0.0) * efficiency", " - lost, 0.0)"),
    Fault("driveline efficiency left out of the force", "solver/duty.py",
          " * per_draw(around.vehicle.driveline_efficiency, 2) / speed", " / speed"),
    Fault("belt loss left out of the force", "solver/duty.py", "(pull * belt_speed - lost)", "(pull * belt_speed)"),
    Fault("slope left out of adhesion", "solver/duty.py", " * np.cos(np.arctan(grade))\n    held", "\n    held"),
    Fault("adhesion fixes no pull", "solver/duty.py",
          "limit = _between(_SHIFT,", "limit = 1e9 + _between(_SHIFT,"),
    Fault("own target of a ground ignored", "solver/duty.py",
          "ground.target(around.target_speed)", "around.target_speed"),
    Fault("gear range of a ground ignored", "solver/duty.py",
          "path.ratio, self.reduction)", "path.ratio)"),
    Fault("torque of a ground ignored", "solver/duty.py",
          "_Part(branch, ground.torque, None", "_Part(branch, 1.0, None"),
    Fault("backshift shorter than upshift", "solver/duty.py",
          "moving = _total(starting) + 2 * _total(cycling)", "moving = _total(starting) + _total(cycling)"),
    Fault("shares of grounds ignored", "solver/duty.py",
          "share = per_draw(ground.share, 2)", "share = per_draw(1.0, 2)"),
    Fault("boost ignored", "solver/drivetrain.py",
          "torque_factor(pressure, site.temperature, engine_inputs.holds_power_to)",
          "torque_factor(pressure, site.temperature)"),
    # score, start, bill
    Fault("speed error against the job's target only", "search/score.py",
          "error = state.speed / duty.target - 1", "error = state.speed / drivetrain.target_speed - 1"),
    Fault("slipping belt carries what a gripping one does", "solver/launch.py",
          "return np.asarray(2 * np.asarray(friction) * thrust / np.cos(half_angle))",
          "return np.asarray(np.asarray(friction) * thrust / np.cos(half_angle))"),
    Fault("kinetic friction ignored", "search/grounds.py",
          "belt.friction if belt.kinetic_friction is None else belt.kinetic_friction", "belt.friction"),
    Fault("engagement on the backshift", "search/sides.py", ".friction[UPSHIFT, 0])", ".friction[1, 0])"),
    Fault("fitted parts are paid for", "search/sides.py",
          "part is not None and part.id != fitted else None", "part is not None else None"),
)  # fmt: skip


def planted(fault: Fault) -> tuple[Fault, str]:
    """The first test that falls with a fault in place; empty if none does."""
    with tempfile.TemporaryDirectory() as name:
        tree = Path(name) / "tree"
        for folder in ("solver", "catalog", "search", "tests", "configs"):
            shutil.copytree(ROOT / folder, tree / folder, ignore=shutil.ignore_patterns("__pycache__"))
        for file in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(ROOT / file, tree)
        place = tree / fault.file
        text = place.read_text(encoding="utf-8")
        if text.count(fault.text) != 1:
            raise SystemExit(
                f"{fault.name}: {fault.file} holds {text.count(fault.text)} times {fault.text!r}, not once"
            )
        place.write_text(text.replace(fault.text, fault.instead), encoding="utf-8")
        for suite in SUITES:
            command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", *suite]
            paths = os.pathsep.join(
                [str(tree), *(str(tree / "tests" / part) for part in ("catalog", "bench", "worked"))]
            )
            ran = subprocess.run(
                command, cwd=tree, env={**os.environ, "PYTHONPATH": paths}, capture_output=True, text=True, check=False
            )
            fallen = re.search(r"^(?:FAILED|ERROR) (\S+)", ran.stdout, re.MULTILINE)
            if fallen is not None:
                return fault, fallen[1]
            if ran.returncode != 0:
                raise SystemExit(f"{fault.name}: the tests did not run\n{ran.stdout[-2000:]}{ran.stderr[-2000:]}")
    return fault, ""


def main() -> int:
    """Run all faults, or those whose names hold a word."""
    words = sys.argv[1:]
    chosen = [fault for fault in FAULTS if not words or any(word in fault.name for word in words)]
    missed = 0
    with ThreadPoolExecutor(WORKERS) as pool:
        for fault, test in pool.map(planted, chosen):
            missed += not test
            sys.stdout.write(f"{fault.name:<58} {test or 'NOT SEEN'}\n")
            sys.stdout.flush()
    sys.stdout.write(f"{len(chosen)} faults, {missed} not seen\n")
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
