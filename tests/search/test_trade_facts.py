"""What the trade knows about clutch kits, as signs on the demo job. Each one: common practice, no source.

Parts are changed copies of those fitted, so the signs hold whatever the demo's numbers are.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from varying import sides, stage_of, with_part

from catalog import Job
from catalog.slots import SLOT_FAMILIES, STATIONS
from catalog.springs import MarkedForm
from search.builds import sides_of_kit, unlimited
from search.score import shift_map
from search.space import Kit, options_of
from solver.balance import DrivenSide, Status, needed_drive_thrust
from solver.ground import resistance
from solver.losses import belt_loss
from solver.points import BACKSHIFT, UPSHIFT, along

pytestmark = pytest.mark.invariant

TORSION_RATE = 8.0  # N m/rad


# --- changed copies -----------------------------------------------------------------------------------------------


def changed(job, kit, slot, **update):
    """The job and kit with the part of one slot replaced by a changed copy."""
    family = job.shelf.family(SLOT_FAMILIES[slot])
    part = family[kit.parts[slot]].model_copy(update={"id": f"changed-{slot}", **update})
    return with_part(job, slot, part), Kit({**kit.parts, slot: part.id}, kit.settings)


def loads(job, kit, slot):
    """Load of a spring when installed and at full shift [N]."""
    lengths = job.forces.installed_length(slot), job.forces.full_shift_length(slot)
    return job.shelf.family(SLOT_FAMILIES[slot])[kit.parts[slot]].curve(*lengths).at(lengths)


def with_loads(job, kit, slot, installed, full_shift, **update):
    """A spring of two marked loads in the place of the fitted one."""
    old = job.shelf.family(SLOT_FAMILIES[slot])[kit.parts[slot]]
    sizes = {n: old.dimension(n) for n in ("outer_diameter", "inner_diameter", "solid_length")}
    if getattr(old, "kind", "") == "torsion":
        sizes["torsion_rate"] = old.winding_rate  # its wire goes
    marks = MarkedForm.model_validate({"installed": f"{installed} N", "full_shift": f"{full_shift} N"})
    forms = {"linear": None, "wire": None, "table": None, "marked": marks}
    return changed(job, kit, slot, **(sizes | forms | update))


def stiffer(job, kit, slot, more):
    """The fitted spring, of more load at the end of the shift by so much [N], and of the same at its start."""
    first, last = loads(job, kit, slot)
    travel = job.drivetrain.path.drive_travel if slot == "drive_spring" else job.drivetrain.path.driven_travel
    before = travel[0] / (travel[-1] - travel[0])  # shifting may begin after the sheave has left its stop
    return with_loads(job, kit, slot, first - more * before, last + more)


def with_ramp(job, kit, shallower) -> tuple[Job, Kit]:
    """The fitted helix made shallower by an angle [rad] over its whole travel."""
    helix = job.shelf.family("helices")[kit.parts["helix"]]
    if helix.angle is not None:
        return changed(job, kit, "helix", angle=helix.angle - shallower)
    points = [p.model_copy(update={"angle": p.angle - shallower}) for p in helix.ramp]
    return changed(job, kit, "helix", ramp=points)


def with_mass(job, kit, station, more) -> tuple[Job, Kit]:
    """A heavier tuning mass in one station; an empty one is filled from what fits there."""
    filled = next(i for i in options_of(job, station) if i != "empty")
    if kit.parts[station] == "empty":
        kit = Kit({**kit.parts, station: filled}, kit.settings)
    mass = job.shelf.family("masses")[kit.parts[station]].mass
    return changed(job, kit, station, mass=mass + more, length=1e-3)


def wound(job, kit, degrees, rate=TORSION_RATE):
    """The fitted driven spring as a torsion spring, wound on one straight ramp that takes any twist."""
    first, last = loads(job, kit, "driven_spring")
    spring = {"kind": "torsion", "torsion_rate": rate}
    job, kit = with_loads(job, kit, "driven_spring", 0.5 * first, 0.5 * last, **spring)
    plain = {"angle": np.radians(42), "ramp": None, "twist_steps": None, "twist_range": (0.0, np.pi)}
    job, kit = changed(job, kit, "helix", **plain)
    return job, Kit(kit.parts, {"twist": np.radians(degrees)})


# --- what is asked of a kit -----------------------------------------------------------------------------------------


LEVELS = (0.5, 0.75, 1.0)


def state_of(job, kit):
    """The balance of both branches at every position and at three torques, shape (2, torques, positions)."""
    (drive, driven), train = sides(job, kit), job.drivetrain
    each = [shift_map(train, drive, driven, along(len(train.path.position), level)) for level in LEVELS]
    found = {name: np.stack([getattr(one, name) for one in each]) for name in ("speed", "status", "torque")}
    found |= {name: np.stack([getattr(one, name) for one in each]) for name in ("tight_net", "slack_net")}
    parted = {name: value.reshape(len(LEVELS), 2, -1).swapaxes(0, 1) for name, value in found.items()}
    return SimpleNamespace(**parted)


def speeds(job, kit):
    """Engine speed [rad/s] by branch, torque level and position; NaN where the belt does not hold."""
    state = state_of(job, kit)
    return np.where(state.status == Status.BELT_SLIDES, np.nan, state.speed)


def needed(job, driven, pull):
    """Drive thrust that a driven clutch needs at belt pulls over the positions, shape (2, positions) [N]."""
    points = along(len(job.drivetrain.path.position))
    thrust = needed_drive_thrust(driven.at(points), np.tile(pull, 2), job.drivetrain.grip.at(points))
    return thrust.reshape(2, -1)


def rise(before, after):
    """Relative rise of engine speed, by branch, level and position; NaN where either kit does not hold its belt."""
    found = speeds(*after) / speeds(*before) - 1
    assert np.isfinite(found).mean() > 0.5
    return found


def held(values):
    return values[np.isfinite(values)]


def steady_position(job, kit, road_speed, level, branch):
    """Shift position at which the clutches balance while the road holds the engine to the ratio."""
    (drive, driven), train = sides(job, kit), job.drivetrain
    speed = road_speed / train.vehicle.road_speed(1.0, train.path.ratio)
    pull = level * train.engine.at(speed) / train.path.drive_radius
    given = drive.thrust_per_speed2[branch] * speed**2 - drive.spring
    spare = given - needed(job, driven, pull)[branch]
    return crossing(spare, job.drivetrain.path.position)


def crossing(falling, position):
    """Position at which a value that falls over the shift passes zero, linear between the grid's positions."""
    assert (np.diff(falling) < 0).all()
    return float(np.interp(0.0, falling[::-1], position[::-1]))


# --- helix --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [1, 2, 4])
def test_a_shallower_helix_raises_engine_speed_and_a_steeper_one_lowers_it(job, fitted, degrees):
    by = np.radians(degrees)
    assert (held(rise((job, fitted), with_ramp(job, fitted, by))) > 0).all()
    assert (held(rise((job, fitted), with_ramp(job, fitted, -by))) < 0).all()


@pytest.mark.parametrize("branch", [UPSHIFT, BACKSHIFT])
def test_a_shallower_helix_backshifts_further(job, fitted, branch):
    """The road holds the engine to the ratio, load rises from half to full: the shift falls to a lower position."""
    middle = np.interp(0.5, job.drivetrain.path.position, job.drivetrain.path.ratio)
    road_speed = float(job.drivetrain.vehicle.road_speed(job.drivetrain.target_speed, middle))
    kits = [with_ramp(job, fitted, np.radians(d)) for d in (-3, 0, 3)]  # steeper, as it is, shallower
    before, after = ([steady_position(*k, road_speed, level, branch) for k in kits] for level in (0.5, 1.0))
    assert after[0] > after[1] > after[2]
    fall = np.array(before) - np.array(after)
    assert 0 < fall[0] < fall[1] < fall[2]


def test_a_shallower_helix_answers_a_rise_of_load_with_more_push_towards_low_gear(job, fitted):
    """Engine speed held at target: the drive clutch lacks this much thrust when torque goes from half to full."""
    pull = job.drivetrain.engine.at(job.drivetrain.target_speed) / job.drivetrain.path.drive_radius
    lacks = []
    for trial, kit in (with_ramp(job, fitted, np.radians(d)) for d in (-3, 0, 3)):
        driven = sides(trial, kit)[1]
        lacks.append(needed(trial, driven, pull) - needed(trial, driven, 0.5 * pull))
    assert (lacks[0] > 0).all()
    assert (lacks[0] < lacks[1]).all()
    assert (lacks[1] < lacks[2]).all()


# --- flyweights ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("station", STATIONS)
def test_heavier_weights_lower_engine_speed(job, fitted, station):
    light, heavy = with_mass(job, fitted, station, 0.0), with_mass(job, fitted, station, 0.003)
    assert (held(rise(light, heavy)) < 0).all()


def test_heavier_arms_lower_engine_speed(job, fitted):
    body = job.shelf.family("flyweights")[fitted.parts["flyweight"]].body
    heavier = body.model_copy(update={"mass": 1.1 * body.mass})
    assert (held(rise((job, fitted), changed(job, fitted, "flyweight", body=heavier))) < 0).all()


def test_tip_mass_works_late_in_the_shift_and_heel_mass_early(job, fitted):
    """Heel and tip masses that do the same in the middle of the shift, at full throttle."""
    full, middle = (UPSHIFT, -1), len(job.drivetrain.path.position) // 2
    light = with_mass(*with_mass(job, fitted, "tip", 0.0), "heel", 0.0)
    by_tip, by_heel = (rise(light, with_mass(*light, station, 0.002))[full] for station in ("tip", "heel"))
    by_heel = by_heel * by_tip[middle] / by_heel[middle]
    assert (np.diff(by_tip / by_heel) > 0).all()
    assert by_heel[0] < by_tip[0] < 0  # heel lowers more at the start
    assert by_tip[-1] < by_heel[-1] < 0  # tip lowers more at the end


# --- springs ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("slot", ["drive_spring", "driven_spring"])
def test_a_preloaded_spring_raises_engine_speed(job, fitted, slot):
    first, last = loads(job, fitted, slot)
    before, after = (with_loads(job, fitted, slot, first + more, last + more) for more in (0, 50))
    assert (held(rise(before, after)) > 0).all()


@pytest.mark.parametrize("slot", ["drive_spring", "driven_spring"])
def test_a_stiffer_spring_raises_engine_speed_towards_the_end(job, fitted, slot):
    first, last = loads(job, fitted, slot)
    found = rise(with_loads(job, fitted, slot, first, last), stiffer(job, fitted, slot, 150))
    assert held(found[..., 0]) == pytest.approx(0, abs=1e-9)
    assert (held(found[..., 1:]) > 0).all()
    half = found.shape[-1] // 2
    assert held(found[..., half:]).mean() > held(found[..., :half]).mean()


def test_more_twist_raises_engine_speed(job, fitted):
    assert (held(rise(wound(job, fitted, 20), wound(job, fitted, 40))) > 0).all()


def test_more_twist_adds_its_largest_share_of_spring_thrust_at_the_start(job, fitted):
    less, more = (sides(*wound(job, fitted, degrees))[1].fixed for degrees in (20, 40))
    assert (np.diff(more / less) < 0).all()


def test_beside_a_stiffer_torsion_spring_more_twist_works_at_the_start(job, fitted):
    base = wound(job, fitted, 20)
    by_twist, by_rate = rise(base, wound(job, fitted, 30)), rise(base, wound(job, fitted, 20, 1.3 * TORSION_RATE))
    assert (held(np.diff(by_twist / by_rate)) < 0).all()


def test_a_preload_works_at_the_start_beside_a_stiffer_spring(job, fitted):
    """What the trade sees of a preload: it acts over the whole shift, and next to a stiffer spring at its start."""
    first, last = loads(job, fitted, "driven_spring")
    base = with_loads(job, fitted, "driven_spring", first, last)
    by_preload = rise(base, with_loads(job, fitted, "driven_spring", first + 60, last + 60))
    by_rate = rise(base, stiffer(job, fitted, "driven_spring", 60))
    assert (held(by_preload) > 0).all()
    assert (held(np.diff(by_rate / by_preload)) > 0).all()
    assert held(by_rate[..., 0]) == pytest.approx(0, abs=1e-9)


def test_the_share_of_driven_thrust_that_reaches_the_drive_clutch_grows_over_the_shift(job, fitted):
    """Twist and preload add the same driven thrust everywhere; of it the drive clutch feels most in high gear."""
    train, driven = job.drivetrain, sides(job, fitted)[1]
    pull = train.engine.at(train.target_speed) / train.path.drive_radius
    more = DrivenSide(driven.fixed + 1.0, driven.per_pull)
    reaches = needed(job, more, pull) - needed(job, driven, pull)
    assert (reaches > 0).all()
    assert (np.diff(reaches) > 0).all()
    assert (np.diff(train.path.drive_wrap / train.path.driven_wrap) > 0).all()  # and this is why


@pytest.mark.parametrize("slot", ["drive_spring", "driven_spring"])
def test_the_lightest_spring_that_holds_the_belt_wastes_least(job, fitted, slot):
    ends, loss, holds = loads(job, fitted, slot), [], []
    for factor in np.linspace(0.7, 2.0, 9):
        trial, kit = with_loads(job, fitted, slot, *(factor * ends))
        drive, driven = unlimited(stage_of(trial), kit)
        loss.append((drive if slot == "drive_spring" else driven).loss[0])
        holds.append(driven.margin[0] >= 0)
    assert (np.diff(loss) >= 0).all()
    assert loss[-1] > loss[0]
    assert loss[holds.index(True)] == min(np.array(loss)[holds])


def test_a_spring_marked_with_two_loads_holds_them_at_both_ends_of_the_shift(job, fitted):
    trial = with_loads(job, fitted, "drive_spring", 400, 900)
    spring = sides(*trial)[0].spring
    share = job.drivetrain.path.drive_travel / job.drivetrain.path.drive_travel[-1]
    assert spring[-1] == pytest.approx(900, rel=1e-9)
    assert spring == pytest.approx(400 + 500 * share, rel=1e-9)  # linear between


# --- load and friction --------------------------------------------------------------------------------------------


def test_doubled_road_load_at_full_throttle_shifts_down_and_keeps_engine_speed(job, fitted):
    """Steady running is where wheel force and road load meet; the load is doubled from a position in high gear."""
    train, state = job.drivetrain, state_of(job, fitted)
    position = train.path.position
    here = [(branch, -1) for branch in (UPSHIFT, BACKSHIFT)]  # load falls off first, then doubles
    road, force = [], []
    for at in here:
        speed = state.speed[at]
        lost = belt_loss(
            state.tight_net[at],
            state.slack_net[at],
            speed * train.path.drive_radius,
            train.path,
            train.grip.seat,
            train.losses,
        )
        road.append(train.vehicle.road_speed(speed, train.path.ratio))
        force.append((state.torque[at] * speed - lost) * train.vehicle.driveline_efficiency / road[-1])
    load = [resistance(train.vehicle.mass, 0.05, 0.05, v, train.vehicle.drag_area, train.air_density) for v in road]
    before = 0.8
    share = np.interp(before, position, force[0]) / np.interp(before, position, load[0])
    after = crossing(force[1] - 2 * share * load[1], position)
    assert 0 < after < before - 0.2
    speeds = [float(np.interp(s, position, state.speed[at])) for s, at in zip((before, after), here, strict=True)]
    ways = [float(np.interp(s, position, v)) for s, v in zip((before, after), road, strict=True)]
    assert abs(np.log(speeds[1] / speeds[0])) < 0.2 * abs(np.log(ways[1] / ways[0]))
    assert state.speed[:, -1].min() <= min(speeds)
    assert max(speeds) <= state.speed[:, -1].max()


def test_friction_makes_engine_speed_a_band_in_every_kit(job):
    """Upshift is never below backshift, for a random draw of the demo's kits."""
    rng, seen, stage = np.random.default_rng(8), 0, stage_of(job)
    for _ in range(60):
        parts = {slot: str(rng.choice(options_of(job, slot))) for slot in SLOT_FAMILIES} | {"belt": job.spec.belt}
        wound_spring = job.shelf.family("driven_springs")[parts["driven_spring"]].kind == "torsion"
        twists = [t for t in job.twists if (t is not None) == wound_spring]
        kit = Kit(parts, {"twist": twists[rng.integers(len(twists))]})
        if sides_of_kit(stage, kit) is None:
            continue
        seen += 1
        up, back = (speeds(job, kit)[branch] for branch in (UPSHIFT, BACKSHIFT))
        both = np.isfinite(up) & np.isfinite(back)
        assert (up[both] >= back[both] * (1 - 1e-10)).all()
    assert seen >= 5
