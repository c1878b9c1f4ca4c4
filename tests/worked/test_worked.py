"""Every term of three kits, held against the worked examples (`given`, `clutches`, `road`, `formulas`).

Only this file knows both sides: it loads the jobs beside it, feeds the product's stored slip limits into the formulas
(they are the one number read from a table), and compares.

Tolerances
----------
Four sources of difference, and no other, are allowed for:

* `EXACT` 1e-6: the same formula on both sides. What is left is how far an engine speed or a tension is iterated, and
  how finely the torque curve is tabulated.
* `TARGET` 3e-4: the speed of peak power itself, 2 rpm: power is flat there, so its place is as coarse as the table of
  the torque curve. It is compared once; all that hangs on it is then worked out at the target the product found.
* `FACE` 1e-5: engine speeds of the arm with an arc for a face, which is an exact arc in the formulas and a curve
  through 70 points, 0.67 deg apart and rounded to 1e-12 m, in the job file.
* What is summed over time. The product spreads time over a fine grid of 600 even cells, the formulas over 2000 cells
  from end to end of each range, with the path worked out at each. What is left is where tyres begin to slip, which the
  product takes to a cell of its grid. `TIME` holds twice what was found in the worst of the three kits, rounded.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import clutches
import formulas as f
import given
import kits
import numpy as np
import pytest
from given import KMH, RPM

from catalog import load_job
from search import score_kit
from search.explain import explain
from search.space import fitted_kit

JOBS = Path(__file__).parent / "jobs"
EXACT, FACE, TARGET = 1e-6, 1e-5, 3e-4
TIME = {
    "flatness": 6e-4,
    "spring_loss": 4e-3,
    "belt_temperature": 3e-4,  # of the rise over the air
    "ground_power": 2e-4,
    "belt_life": 4e-4,
    "mean": 8e-5,
    "ground flatness": 1.2e-3,
    "limited": 3e-2,
}


def speed_tolerance(case: kits.Case) -> float:
    return FACE if isinstance(case.kit.arms, given.PivotArms) else EXACT


def product_kit(job, case: kits.Case):
    """The kit of a case as the product names it."""
    fitted = fitted_kit(job)
    parts = {slot: part for slot, (part, _) in case.kit.parts.items() if slot != "twist"}
    twist = case.kit.parts["twist"][0]
    settings = {**fitted.settings, "twist": None if twist == "none" else round(case.kit.twist, 9)}
    return replace(fitted, parts={**fitted.parts, **parts}, settings=settings)


def slip_limits(job, positions: int) -> tuple[np.ndarray, np.ndarray]:
    grip = job.drivetrain.grip
    drive, driven = (
        np.broadcast_to(np.asarray(lam, float), (positions,)) for lam in (grip.drive_limit, grip.driven_limit)
    )
    return drive.copy(), driven.copy()


class Joined:
    """One case on both sides."""

    def __init__(self, case: kits.Case, folder: Path) -> None:
        self.case = case
        self.job = load_job(folder / "job.yaml")
        self.product_kit = product_kit(self.job, case)
        self.score = score_kit(self.job, self.product_kit)
        self.told = explain(self.job, self.product_kit)
        self.kit, self.fitted, self.terms = kits.work_out(
            case, *slip_limits(self.job, len(case.lam1)), target=self.told.target_rpm * RPM
        )


@pytest.fixture(scope="module", params=kits.CASES, ids=lambda case: case.name)
def joined(request) -> Joined:
    return Joined(request.param, JOBS / request.param.name)


@pytest.fixture(scope="module")
def told(joined):
    return joined.told


# The formulas against outside numbers and against themselves -----------------------------------------------------


@pytest.mark.published
def test_formulas_give_a_handbook_drive() -> None:
    """Roloff/Matek method: belt 990 mm over diameters 60.48 and 181.44 mm, centres 299 mm apart, wrap 156 deg.

    The exact open-belt length gives 298.856 mm and 156.649 deg.
    """
    r1, r2 = 0.03024, 0.09072
    assert clutches.belt_length(r1, r2, 0.298856) == pytest.approx(0.990, abs=1e-6)
    assert np.degrees(np.pi - 2 * clutches.lean(r1, r2, 0.298856)) == pytest.approx(156.649, abs=1e-3)


@pytest.mark.parametrize(
    ("tight", "slack", "drive", "driven"), [(1000.0, 500.0, 2272.0, 1869.4), (750.0, 250.0, 1704.0, 1231.2)]
)
def test_formulas_give_closed_form_thrusts(tight, slack, drive, driven) -> None:
    """Radii 50 and 85 mm, centres 260 mm, half angle 13 deg, friction 0.35, 500 N of pull: thrusts worked by hand."""
    machine = replace(kits.MEADOW.machine, drive_bush=0.0, driven_bush=0.0, guide_friction=0.0)
    lean = float(clutches.lean(0.050, 0.085, 0.260))
    place = clutches.Place(
        machine, kits.MEADOW.belt, 0, 0.05, 0.085, np.pi - 2 * lean, np.pi + 2 * lean, 21.0, 5.0, 0.0, 0.0
    )
    assert clutches.drive_needed(place, slack, tight - slack) == pytest.approx(drive, abs=0.06)
    assert clutches.driven_carried(place, slack, tight - slack) == pytest.approx(driven, abs=0.06)


@pytest.mark.invariant
def test_arm_thrust_is_half_the_slope_of_the_swung_inertia() -> None:
    arms, step = kits.QUARRY_ARMS, 1e-6
    for x1 in np.linspace(0.0, 0.022, 7):
        ends = [clutches.arm_inertia(arms, clutches.arm_angle(arms, x1 + part * step)) for part in (1.0, -1.0)]
        assert clutches.arm_thrust(arms, x1).free == pytest.approx((ends[0] - ends[1]) / (4.0 * step), rel=1e-8)


@pytest.mark.invariant
@pytest.mark.parametrize("case", kits.CASES, ids=lambda case: case.name)
def test_time_sums_to_one_and_each_balance_is_single(case) -> None:
    kit, _, _ = kits.work_out(case)
    assert sum(visit.weight for visit in kit.duty.visits) == pytest.approx(1.0, abs=1e-12)
    speeds = np.linspace(160.0, 800.0, 200)
    for branch, row in enumerate(kit.places):
        for place, thrust, spring in zip(row, kit.thrusts, kit.drive_loads, strict=True):
            over = []
            for w in speeds:
                pull = kit.engine.torque(w) / place.r1
                _, slack = clutches.tensions(place, pull)
                over.append(thrust.on(branch) * w**2 - spring - clutches.drive_needed(place, slack, pull))
            assert np.count_nonzero(np.diff(np.sign(over))) == 1


@pytest.mark.parametrize(
    ("case", "binds"), list(zip(kits.CASES, ("drive sheave", "tension", "driven sheave"), strict=True))
)
def test_each_case_is_bound_by_something_else(case, binds) -> None:
    assert kits.work_out(case)[0].binding.startswith(binds)


# What holds at each position, whatever the time spent there -----------------------------------------------------------


def test_the_kit_can_be_built(joined) -> None:
    assert joined.score.buildable, joined.score.failures


def test_target_is_the_speed_of_peak_power(joined, told) -> None:
    """Its place is as coarse as the table of the torque curve, the peak being flat; the peak itself is not."""
    power = given.engine(*joined.case.machine.engine)
    assert told.target_rpm == pytest.approx(power.peak_speed / RPM, rel=TARGET)
    target = told.target_rpm * RPM
    assert power.torque(target) * target == pytest.approx(power.peak_power, rel=EXACT)


def test_ratios_at_every_position(joined, told) -> None:
    np.testing.assert_allclose([point.ratio for point in told.curve], joined.kit.path.ratio, rtol=EXACT)


def test_spring_loads_at_every_position(joined, told) -> None:
    np.testing.assert_allclose([point.drive_spring for point in told.curve], joined.kit.drive_loads, rtol=EXACT)
    # the driven load holds the torsion spring's push through the ramp, on the upshift
    fixed = [place.fixed for place in joined.kit.places[given.UPSHIFT]]
    np.testing.assert_allclose([point.driven_spring for point in told.curve], fixed, rtol=EXACT)


@pytest.mark.parametrize("branch", [given.UPSHIFT, given.BACKSHIFT], ids=["up", "back"])
def test_engine_speed_at_full_torque(joined, told, branch) -> None:
    speeds = [(point.upshift_rpm, point.backshift_rpm)[branch] for point in told.curve]
    np.testing.assert_allclose(speeds, joined.kit.curve[branch] / RPM, rtol=speed_tolerance(joined.case))


def test_engine_speed_on_grounds_that_ask_full_torque(joined, told) -> None:
    """Ground by ground and position by position, tyres slipping or not, where all lines ask the same torque."""
    for number, (ground, fact) in enumerate(zip(joined.case.grounds, told.grounds, strict=True)):
        if ground.torque != 1.0:
            continue
        for branch, speeds in enumerate((fact.upshift_rpm, fact.backshift_rpm)):
            for visit, w in zip(joined.kit.duty.visits, joined.kit.speeds, strict=True):
                if (visit.ground, visit.branch, visit.run_up) == (number, branch, False) and visit.weight > 2e-3:
                    assert speeds[visit.position] == pytest.approx(w / RPM, rel=speed_tolerance(joined.case))


# Terms --------------------------------------------------------------------------------------------------------------


def test_belt_margin(joined) -> None:
    """The reserve is a quotient less 1: the quotient is compared."""
    got, ours = (1.0 + terms["belt_margin"] / 100.0 for terms in (joined.score.terms, joined.terms))
    assert got == pytest.approx(ours, rel=EXACT), joined.kit.binding


def test_engagement(joined) -> None:
    assert joined.score.terms["engagement"] == pytest.approx(
        joined.terms["engagement"], rel=speed_tolerance(joined.case)
    )


def test_farthest_engine_speeds_from_the_target(joined) -> None:
    within = 8000.0 * speed_tolerance(joined.case)  # rpm; the terms are differences
    for term in ("worst_high", "worst_low"):
        assert joined.score.terms[term] == pytest.approx(joined.terms[term], abs=within)


def test_cost_and_changes(joined) -> None:
    assert joined.score.terms["cost"] == pytest.approx(joined.terms["cost"], rel=EXACT)
    assert joined.score.terms["changes"] == joined.terms["changes"]


@pytest.mark.parametrize("term", ["flatness", "spring_loss", "ground_power", "belt_life"])
def test_terms_over_time(joined, term) -> None:
    assert joined.score.terms[term] == pytest.approx(joined.terms[term], rel=TIME[term])


def test_belt_temperature_of_the_hottest_ground(joined) -> None:
    air = joined.case.machine.temperature
    rise = joined.terms["belt_temperature"] - air
    assert joined.score.terms["belt_temperature"] - air == pytest.approx(rise, rel=TIME["belt_temperature"])


def test_score_is_the_weighted_sum(joined) -> None:
    ours = f.score(joined.score.terms, joined.case.machine.wanted_margin, joined.case.weights)
    assert joined.score.score == pytest.approx(ours, rel=EXACT)


# The parts of the spring loss, each alone ---------------------------------------------------------------------------


def changed(case: kits.Case, folder: Path, edits: dict[str, list[tuple[str, str]]]) -> Path:
    """A copy of a job with words of its files replaced; each must be there."""
    shutil.copytree(JOBS / case.name, folder, dirs_exist_ok=True)
    for name, pairs in edits.items():
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in pairs:
            assert old in text, f"{case.name}/{name} has no {old!r}"
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def wanted(case: kits.Case) -> list[tuple[str, str]]:
    return [(f'wanted_margin: "{100 * case.machine.wanted_margin:g} %"', 'wanted_margin: "500 %"')]


@pytest.fixture(scope="module")
def pass_with_no_spare_springs(tmp_path_factory) -> Joined:
    """No spring is stronger than the wanted margin asks for: ramp and drive spring are what is left to lose power."""
    folder = changed(kits.PASS, tmp_path_factory.mktemp("pass"), {"job.yaml": wanted(kits.PASS)})
    return Joined(replace(kits.PASS, machine=replace(kits.PASS.machine, wanted_margin=5.0)), folder)


def test_spring_loss_of_ramp_and_drive_spring(pass_with_no_spare_springs) -> None:
    both = pass_with_no_spare_springs
    parts = both.kit.spring_loss_parts
    assert parts["belt"] == parts["bushes"] == 0.0
    assert min(parts["ramp"], parts["drive spring"]) > 0.0
    assert both.score.terms["spring_loss"] == pytest.approx(both.terms["spring_loss"], rel=TIME["spring_loss"])


def test_spring_loss_of_the_drive_spring_alone(tmp_path) -> None:
    edits = {"job.yaml": wanted(kits.PASS), "machine.yaml": [("ramp_friction: 0.03", "ramp_friction: 0")]}
    machine = replace(kits.PASS.machine, wanted_margin=5.0, ramp_friction=0.0)
    both = Joined(replace(kits.PASS, machine=machine), changed(kits.PASS, tmp_path, edits))
    parts = both.kit.spring_loss_parts
    assert parts["belt"] == parts["bushes"] == parts["ramp"] == 0.0
    assert both.score.terms["spring_loss"] == pytest.approx(both.terms["spring_loss"], rel=TIME["spring_loss"])


@pytest.mark.parametrize(("drive", "driven"), [(0.3, 0.0), (0.0, 0.3)], ids=["drive", "driven"])
def test_spring_loss_of_one_bush(tmp_path, drive, driven) -> None:
    """A belt that loses nothing by tension, and one bush at a time with much friction."""
    case = kits.MEADOW
    edits = {
        "machine.yaml": [
            ("bush_friction: 0.05", f"bush_friction: {drive:g}"),
            ("bush_friction: 0.06", f"bush_friction: {driven:g}"),
        ],
        "parts/belts.yaml": [
            ("wedging: 0.017", "wedging: 0"),
            ('wedge_stiffness: "60 MPa"', 'wedge_stiffness: "1e6 MPa"'),
        ],
    }
    case = replace(
        case,
        machine=replace(case.machine, drive_bush=drive, driven_bush=driven),
        belt=replace(case.belt, wedging=0.0, wedge_stiffness=1e12),
    )
    both = Joined(case, changed(case, tmp_path, edits))
    parts = both.kit.spring_loss_parts
    assert parts["bushes"] > parts["belt"] + parts["ramp"] + parts["drive spring"]
    assert both.score.terms["spring_loss"] == pytest.approx(both.terms["spring_loss"], rel=TIME["spring_loss"])


# Grounds ------------------------------------------------------------------------------------------------------------


def test_ground_table(joined, told) -> None:
    speeds = speed_tolerance(joined.case)
    for ground, fact, ours in zip(joined.case.grounds, told.grounds, joined.kit.grounds, strict=True):
        assert fact.ground == ground.name
        assert fact.share == pytest.approx(ours["share"], rel=EXACT)
        assert fact.mean_rpm == pytest.approx(ours["mean"], rel=TIME["mean"])
        assert fact.lowest_rpm == pytest.approx(ours["lowest"], rel=speeds)
        assert fact.highest_rpm == pytest.approx(ours["highest"], rel=speeds)
        assert fact.flatness == pytest.approx(ours["flatness"], rel=TIME["ground flatness"])
        assert fact.traction_limited == pytest.approx(ours["limited"], rel=TIME["limited"], abs=1e-9)


def test_ranges_of_the_grounds(joined, told) -> None:
    """Within one fine position of where the shift, the resistance or the job ends them."""
    for fact, (low, high) in zip(told.grounds, joined.kit.duty.ranges, strict=True):
        step = (told.curve[-1].ratio ** -1 - told.curve[0].ratio ** -1) / 600 * told.curve[0].ratio
        assert fact.low_kmh == pytest.approx(low / KMH, rel=2 * step)
        assert fact.high_kmh == pytest.approx(high / KMH, rel=2 * step)


# Pulling away -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("start", "torque"), [(0, 1.0), (1, 0.25)], ids=["full", "quarter"])
def test_pulling_away_on_each_ground(joined, told, start, torque) -> None:
    """Take-up, lock-up and slip heat as of a cone clutch; where tyres slip first the torque is another, see below."""
    within = 10 * speed_tolerance(joined.case)
    for ground, fact in zip(joined.case.grounds, told.grounds, strict=True):
        got = fact.starts[start]
        if got.tyres_slip:
            continue
        ours = f.pulling_away(joined.kit, ground, torque)
        assert got.take_up_rpm == pytest.approx(ours.take_up / RPM, rel=within)
        assert got.lock_up_kmh == pytest.approx(ours.lock_up / KMH, rel=within)
        assert got.moves == np.isfinite(ours.heat)
        if got.moves:
            assert got.slip_heat == pytest.approx(ours.heat / 1e3, rel=1e-4)
            assert got.seconds == pytest.approx(ours.seconds, rel=1e-4)


def test_slipping_tyres_hold_the_torque_of_a_start(joined, told) -> None:
    """Then the belt carries at take-up what adhesion asks of it through the lowest gear."""
    thrust, spring = joined.kit.thrusts[0], float(joined.kit.drive_loads[0])
    place, behind = (joined.kit.places[branch][0] for branch in (given.UPSHIFT, given.BACKSHIFT))
    machine = place.machine
    for ground, fact in zip(joined.case.grounds, told.grounds, strict=True):
        if not fact.starts[0].tyres_slip:
            continue
        force = ground.adhesion * machine.mass * given.GRAVITY * np.cos(np.arctan(ground.grade))
        moment = force * machine.wheel_radius / (place.r2 / place.r1 * ground.reduction * machine.efficiency)
        carried = f.capacity(place, behind, thrust, spring, fact.starts[0].take_up_rpm * RPM)
        assert carried == pytest.approx(moment, rel=10 * speed_tolerance(joined.case))
