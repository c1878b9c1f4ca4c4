"""The model as a textbook would work it: plain formulas in numbered steps, from plain numbers of one kit.

Nothing of the product is imported here. All numbers are SI, angles in rad, engine speeds in rad/s. Branch 0 is the
upshift (the drive sheave closes, the driven opens), branch 1 the backshift; `sign(branch)` is +1 and -1.

What is read from outside: slip limits `lam1`, `lam2` (largest T1'/T2' of drive and driven sheave at each position).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import acos, atan, atan2, cos, exp, hypot, log, pi, sin, sqrt, tan

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize_scalar

GRAVITY = 9.80665  # m/s^2, standard
LEAST_ACCELERATION = 0.05  # m/s^2, below which a machine no longer gains
MOST_RESERVE = 10.0  # [-], reserves to slip are told up to here
CELLS = 2000  # of the time integrals; midpoint rule, so the error falls as 1 / CELLS^2

RPM = pi / 30.0
KMH = 1.0 / 3.6
UPSHIFT, BACKSHIFT = 0, 1


def sign(branch: int) -> float:
    return 1.0 if branch == UPSHIFT else -1.0


# ----------------------------------------------------------------------------------------------------------------------
# What a kit, its machine and its ground are given by


@dataclass(frozen=True)
class Belt:
    length: float  # m, pitch
    mass_per_length: float  # kg/m
    max_tension: float  # N
    friction: float  # flank, mu
    kinetic_friction: float  # flank, of a belt that slips while the machine pulls away
    seating: float  # s0
    top_width: float  # m
    bending: float  # N m
    wedging: float
    stretch_stiffness: float  # N, EA
    wedge_stiffness: float  # Pa, k_w


@dataclass(frozen=True)
class Machine:
    half_angle: float
    centre: float
    width: float  # m, top width that the four stop radii hold for
    drive_stops: tuple[float, float]  # R1min, R1max
    driven_stops: tuple[float, float]  # R2min, R2max
    drive_bush: float
    guide_friction: float
    guide_radius: float
    drive_share: float  # t1
    driven_bush: float
    driven_share: float  # t2
    ramp_friction: float
    drive_spring_length: float  # installed
    driven_spring_length: float
    mass: float
    drag_area: float
    wheel_radius: float
    efficiency: float
    cooling: float  # W/K
    cooling_speed: float | None  # rad/s, where the conductance is stated for a speed
    altitude: float
    temperature: float  # degC
    engine: tuple[Sequence[float], Sequence[float]]  # rad/s, N m, as the engine gives on site
    wanted_margin: float


@dataclass(frozen=True)
class Ground:
    name: str
    share: float
    rolling: float
    adhesion: float
    grade: float
    speeds: tuple[float, float]  # m/s
    torque: float  # share of full torque
    load_changes: float  # 1/s
    starts: float  # 1/s
    reduction: float
    target: float | None = None  # rad/s


@dataclass(frozen=True)
class Spring:
    rate: float  # N/m
    free: float  # m
    torsion: float = 0.0  # N m/rad


@dataclass(frozen=True)
class Ramp:
    radius: float
    points: tuple[tuple[float, float], ...]  # (travel, angle); one point: a straight ramp


@dataclass(frozen=True)
class TableArms:
    """Thrust of the set measured at one speed; bare, and for every kg of one tuning mass at a station."""

    speed: float
    travel: Sequence[float]
    bare: Sequence[float]  # N
    per_mass: Sequence[Sequence[float]]  # a row a station, N/kg
    masses: Sequence[float]  # kg, one mass a station
    band: float


@dataclass(frozen=True)
class PivotArms:
    """Arms with a circular-arc face; lengths along and across in the arm's own frame, its pivot the origin."""

    count: int
    pivot_radius: float  # r_p
    pin_diameter: float
    pivot_friction: float
    roller_diameter: float
    roller_outboard: float  # roller centre from the pivot along the shaft at zero travel
    roller_height: float  # and outward
    roller_friction: float
    body_mass: float
    body_centre: tuple[float, float]
    gyration: tuple[float, float]  # radii of gyration about the pivot along and across the line pivot - centre
    face_centre: tuple[float, float]
    face_radius: float
    points: tuple[tuple[float, float, float], ...]  # tuning masses: (mass, along, across)


@dataclass(frozen=True)
class Kit:
    arms: TableArms | PivotArms
    drive_spring: Spring
    driven_spring: Spring
    ramp: Ramp
    twist: float
    parts: dict[str, tuple[str, float]] = field(default_factory=dict)  # slot -> (part, price)


# ----------------------------------------------------------------------------------------------------------------------
# Step 1. Engine and air


@dataclass(frozen=True)
class Engine:
    torque: Callable[[float], float]
    peak_speed: float
    peak_power: float


def engine(speeds: Sequence[float], torques: Sequence[float]) -> Engine:
    """1.1 Torque between the points of the curve by a monotone cubic (PCHIP); 1.2 where torque x speed is largest."""
    curve = PchipInterpolator(np.asarray(speeds), np.asarray(torques))
    rough = np.linspace(speeds[0], speeds[-1], 20001)
    best = int(np.argmax(curve(rough) * rough))
    low, high = rough[max(best - 1, 0)], rough[min(best + 1, len(rough) - 1)]
    found = minimize_scalar(
        lambda w: -float(curve(w)) * w, bounds=(low, high), method="bounded", options={"xatol": 1e-9}
    )
    return Engine(lambda w: float(curve(w)), float(found.x), -float(found.fun))


def air_density(altitude: float, temperature: float) -> float:
    """1.3 Pressure of the standard troposphere, density at the temperature of the day."""
    pressure = 101325.0 * (1.0 - 0.0065 * altitude / 288.15) ** (9.80665 * 0.0289644 / (8.314462618 * 0.0065))
    return pressure * 0.0289644 / (8.314462618 * (temperature + 273.15))


# ----------------------------------------------------------------------------------------------------------------------
# Step 2. Belt on its sheaves


def lean(r1, r2, centre):
    """2.1 sin f = (R2 - R1) / C."""
    return np.arcsin((r2 - r1) / centre)


def belt_length(r1, r2, centre):
    """2.2 Open belt: two straight runs C cos f, arcs of pi - 2 f and pi + 2 f."""
    f = lean(r1, r2, centre)
    return 2.0 * centre * np.cos(f) + r1 * (pi - 2.0 * f) + r2 * (pi + 2.0 * f)


def driven_radius(r1, length, centre):
    """2.3 R2 of a given belt, by Newton: dL/dR2 = th2, dL/dR1 = th1."""
    r1 = np.asarray(r1, float)
    r2 = (length - 2.0 * centre) / pi - r1
    for _ in range(30):
        r2 = r2 - (belt_length(r1, r2, centre) - length) / (pi + 2.0 * lean(r1, r2, centre))
    return r2


@dataclass(frozen=True)
class Path:
    """Shift positions; what the belt and both sheaves do there."""

    s: np.ndarray
    r1: np.ndarray
    r2: np.ndarray
    th1: np.ndarray
    th2: np.ndarray
    x1: np.ndarray
    x2: np.ndarray
    dx1: np.ndarray  # dx1/ds
    dx2: np.ndarray
    begins_at: str
    ends_at: str

    @property
    def ratio(self) -> np.ndarray:
        return self.r2 / self.r1


def path(machine: Machine, belt: Belt, s: np.ndarray) -> Path:
    """2.4 Stops of a narrower belt, the two ends of the shift, and every position between them."""
    b, c = machine.half_angle, machine.centre
    deeper = (machine.width - belt.top_width) / 2.0 / tan(b)
    r1_min, r1_max = (r - deeper for r in machine.drive_stops)
    r2_min, r2_max = (r - deeper for r in machine.driven_stops)

    def partner(r2: float) -> float:  # R1 of a given R2: the length formula is symmetric
        return float(driven_radius(r2, belt.length, c))

    first = max(r1_min, partner(r2_max))
    last = min(r1_max, partner(r2_min))
    r1 = first + (last - first) * s
    r2 = driven_radius(r1, belt.length, c)
    f = lean(r1, r2, c)
    th1, th2 = pi - 2.0 * f, pi + 2.0 * f
    dr1 = np.full_like(s, last - first)
    return Path(
        s=s,
        r1=r1,
        r2=r2,
        th1=th1,
        th2=th2,
        x1=2.0 * tan(b) * (r1 - r1_min),
        x2=2.0 * tan(b) * (r2_max - r2),
        dx1=2.0 * tan(b) * dr1,
        dx2=2.0 * tan(b) * th1 / th2 * dr1,  # the length stays: th1 dR1 + th2 dR2 = 0
        begins_at="driven sheave at R2max" if partner(r2_max) > r1_min else "drive sheave at R1min",
        ends_at="driven sheave at R2min" if partner(r2_min) < r1_max else "drive sheave at R1max",
    )


# ----------------------------------------------------------------------------------------------------------------------
# Step 3. Springs and ramp


def spring_load(spring: Spring, installed: float, travel: float) -> float:
    """3.1 Rate times (free length - length), the length being the installed one less the travel."""
    return spring.rate * (spring.free - (installed - travel))


def ramp_angle(ramp: Ramp, x2: float) -> float:
    """3.2 Angle from the plane of rotation, even between the points."""
    return float(np.interp(x2, [p[0] for p in ramp.points], [p[1] for p in ramp.points]))


def ramp_rotation(ramp: Ramp, x2: float) -> float:
    """3.3 Rotation of the moving sheave from its stop: integral of dx / (r tan a), piece by piece.

    Where a = a0 + m x the integral of dx / tan a is ln(sin a1 / sin a0) / m, and dx / tan a0 where m = 0.
    """
    ends = [0.0, *(p[0] for p in ramp.points if 0.0 < p[0] < x2), x2]
    turned = 0.0
    for low, high in pairwise(ends):
        a0, a1 = ramp_angle(ramp, low), ramp_angle(ramp, high)
        if a0 == a1:
            turned += (high - low) / tan(a0)
        else:
            turned += log(sin(a1) / sin(a0)) * (high - low) / (a1 - a0)
    return turned / ramp.radius


def ramp_gain(machine: Machine, ramp: Ramp, x2: float, branch: int) -> float:
    """3.4 k = 1 / (r tan(a - sg rho)), axial force for each unit of torque on the ramp, 1/m."""
    return 1.0 / (ramp.radius * tan(ramp_angle(ramp, x2) - sign(branch) * atan(machine.ramp_friction)))


def spring_torque(kit: Kit, x2: float) -> float:
    """3.5 M_s = k_t (twist + rotation)."""
    return kit.driven_spring.torsion * (kit.twist + ramp_rotation(kit.ramp, x2))


def driven_fixed(machine: Machine, kit: Kit, x2: float, branch: int) -> float:
    """3.6 P = spring load + M_s k."""
    load = spring_load(kit.driven_spring, machine.driven_spring_length, x2)
    return load + spring_torque(kit, x2) * ramp_gain(machine, kit.ramp, x2, branch)


def driven_per_pull(machine: Machine, kit: Kit, r2: float, x2: float, branch: int) -> float:
    """3.7 Q = t2 R2 k."""
    return machine.driven_share * r2 * ramp_gain(machine, kit.ramp, x2, branch)


# ----------------------------------------------------------------------------------------------------------------------
# Step 4. Flyweights: thrust for each w^2, without friction and on both branches


@dataclass(frozen=True)
class Thrust:
    free: float  # f, without friction, N s^2
    up: float  # A_0
    back: float  # A_1

    def on(self, branch: int) -> float:
        return self.up if branch == UPSHIFT else self.back


def table_thrust(arms: TableArms, x1: float) -> Thrust:
    """4.1 From a measured table: thrust over speed squared, bare plus every mass; the band parts the branches."""
    measured = float(np.interp(x1, arms.travel, arms.bare))
    for row, mass in zip(arms.per_mass, arms.masses, strict=True):
        measured += float(np.interp(x1, arms.travel, row)) * mass
    f = measured / arms.speed**2
    return Thrust(f, f * (1.0 - arms.band), f * (1.0 + arms.band))


def arm_moments(arms: PivotArms) -> tuple[float, float, float, float, float, float]:
    """4.2 m, m a_c, m c_c, J_aa, J_cc, J_ac of one arm about its pivot, tuning masses as points.

    Radii of gyration k_u along and k_v across the line from pivot to centre, which stands at angle g to the arm's axis:
    J_aa = m (k_u^2 cos^2 g + k_v^2 sin^2 g), J_cc = m (k_u^2 sin^2 g + k_v^2 cos^2 g),
    J_ac = m (k_u^2 - k_v^2) sin g cos g.
    """
    m = arms.body_mass
    along, across = arms.body_centre
    k_u, k_v = arms.gyration
    g = atan2(across, along)
    totals = np.array(
        [
            m,
            m * along,
            m * across,
            m * (k_u**2 * cos(g) ** 2 + k_v**2 * sin(g) ** 2),
            m * (k_u**2 * sin(g) ** 2 + k_v**2 * cos(g) ** 2),
            m * (k_u**2 - k_v**2) * sin(g) * cos(g),
        ]
    )
    for mass, a, c in arms.points:
        totals = totals + mass * np.array([1.0, a, c, a * a, c * c, a * c])
    m, ma, mc, jaa, jcc, jac = (float(t) for t in totals)
    return m, ma, mc, jaa, jcc, jac


def arm_angle(arms: PivotArms, x1: float) -> float:
    """4.3 q from the triangle pivot - centre of the face - roller centre, all three sides known.

    The roller centre stands off the face by its radius, so it is face radius + roller radius from the face's centre.
    Roller centre in space: (outboard + x1, height) from the pivot. Cosine rule at the pivot.
    """
    out, up = arms.roller_outboard + x1, arms.roller_height
    to_roller = hypot(out, up)
    to_face = hypot(*arms.face_centre)
    reach = arms.face_radius + arms.roller_diameter / 2.0
    opening = acos((to_roller**2 + to_face**2 - reach**2) / (2.0 * to_roller * to_face))
    return atan2(up, out) - opening - atan2(arms.face_centre[1], arms.face_centre[0])


def arm_inertia(arms: PivotArms, q: float) -> float:
    """4.4 Swung inertia of the set about the shaft."""
    m, ma, mc, jaa, jcc, jac = arm_moments(arms)
    r = arms.pivot_radius
    one = m * r**2 + 2 * r * (ma * sin(q) + mc * cos(q)) + jaa * sin(q) ** 2 + jcc * cos(q) ** 2 + jac * sin(2 * q)
    return arms.count * one


def arm_thrust(arms: PivotArms, x1: float) -> Thrust:
    """4.5 Moments about the pivot at w = 1: contact force N along the face normal n, friction mu N along the face.

    Axes: outboard, outward. t is the way the roller runs along the face while the sheave closes (towards the tip). The
    arm bears on the roller with N (n - mu t) at the point of contact while closing, N (n + mu t) while opening. The pin
    holds back with mu_p r_pin |R|, R the centrifugal force of the arm and what the roller bears on it with.
    """
    q = arm_angle(arms, x1)
    m, ma, mc, jaa, jcc, jac = arm_moments(arms)
    r = arms.pivot_radius
    swing = r * (ma * cos(q) - mc * sin(q)) + 0.5 * (jaa - jcc) * sin(2 * q) + jac * cos(2 * q)  # 1/2 dI/dq of one
    outward = m * r + ma * sin(q) + mc * cos(q)  # centrifugal force of one arm

    a, c = arms.face_centre
    face = np.array([a * cos(q) - c * sin(q), a * sin(q) + c * cos(q)])
    roller = np.array([arms.roller_outboard + x1, arms.roller_height])
    n = (roller - face) / (arms.face_radius + arms.roller_diameter / 2.0)
    t = np.array([n[1], -n[0]])
    contact = roller - n * arms.roller_diameter / 2.0

    def thrust(mu: float, pin: float) -> float:
        force = n - mu * t
        lever = contact[0] * force[1] - contact[1] * force[0]

        def unbalanced(push: float) -> float:
            on_pin = np.array([0.0, outward]) - push * force
            return push * lever - swing + pin * hypot(on_pin[0], on_pin[1])

        push = brentq(unbalanced, 0.0, 5.0 * swing / lever, xtol=1e-18, rtol=1e-14)
        return float(arms.count * push * force[0])

    mu, pin = arms.roller_friction, arms.pivot_friction * arms.pin_diameter / 2.0
    return Thrust(thrust(0.0, 0.0), thrust(mu, pin), thrust(-mu, -pin))


def thrust_per_speed2(arms: TableArms | PivotArms, x1: float) -> Thrust:
    return table_thrust(arms, x1) if isinstance(arms, TableArms) else arm_thrust(arms, x1)


# ----------------------------------------------------------------------------------------------------------------------
# Step 5. Belt tensions and sheave thrusts at one position


@dataclass(frozen=True)
class Place:
    """One position on one branch: all that the force balance needs there, as plain numbers."""

    machine: Machine
    belt: Belt
    branch: int
    r1: float
    r2: float
    th1: float
    th2: float
    lam1: float
    lam2: float
    fixed: float  # P
    per_pull: float  # Q

    @property
    def seat(self) -> float:
        """5.1 2 tan(b + s0 rho)."""
        return 2.0 * tan(self.machine.half_angle + self.belt.seating * atan(self.belt.friction))

    @property
    def a(self) -> float:
        """5.2 Active arc for each unit of ln(T1'/T2')."""
        return sin(self.machine.half_angle) / self.belt.friction

    @property
    def c(self) -> float:
        """5.3 Thrust of the active arc for each newton of pull."""
        return cos(self.machine.half_angle) / (2.0 * self.belt.friction)


def side_load(tight: float, slack: float, wrap: float) -> float:
    """5.4 Pull of both runs on one shaft."""
    return sqrt(tight**2 + slack**2 - 2.0 * tight * slack * cos(wrap))


def drive_needed(place: Place, slack: float, pull: float) -> float:
    """5.5 Thrust asked of the drive clutch: the belt's, and what bush and guide hold back."""
    m = place.machine
    tight = slack + pull
    held = 0.5 * m.drive_bush * side_load(tight, slack, place.th1)
    held += m.guide_friction * m.drive_share * pull * place.r1 / m.guide_radius
    return tight * place.th1 / place.seat + sign(place.branch) * held


def driven_carried(place: Place, slack: float, pull: float) -> float:
    """5.6 Thrust that the driven sheave must give for these tensions, with its own bush.

    Where the active arc would be longer than the wrap, the line goes on straight from there.
    """

    def line(t2: float) -> float:
        arc = place.a * log((t2 + pull) / t2)
        bush = 0.5 * place.machine.driven_bush * side_load(t2 + pull, t2, place.th2)
        return t2 * (place.th2 - arc) / place.seat + place.c * pull - sign(place.branch) * bush

    least = pull / (exp(place.th2 / place.a) - 1.0)
    if slack >= least:
        return line(slack)
    step = least * 1e-6
    return line(least) + (line(least + step) - line(least - step)) / (2.0 * step) * (slack - least)


def slack_of(place: Place, thrust: float, pull: float) -> float:
    """5.7 T2' of a thrust on the driven sheave."""
    return float(brentq(lambda t2: driven_carried(place, t2, pull) - thrust, 1e-6, 1e6, xtol=1e-11, rtol=1e-14))


def tensions(place: Place, pull: float) -> tuple[float, float]:
    """5.8 T1', T2' of the kit: the driven clutch gives P + Q D."""
    slack = slack_of(place, place.fixed + place.per_pull * pull, pull)
    return slack + pull, slack


def slip_thrust(place: Place) -> float:
    """5.9 c_slip: thrust on the driven sheave, for each newton of pull, at which it slips (T1'/T2' = lam2)."""
    return driven_carried(place, 1.0 / (place.lam2 - 1.0), 1.0)


def slip_reserves(place: Place, pull: float) -> tuple[float, float]:
    """5.10 Reserve to slip of the drive and of the driven sheave."""
    tight, _ = tensions(place, pull)
    drive = tight * (1.0 - 1.0 / place.lam1) / pull - 1.0
    short = slip_thrust(place) - place.per_pull
    driven = place.fixed / (short * pull) - 1.0 if short > 0.0 else float("inf")
    return min(drive, MOST_RESERVE), min(driven, MOST_RESERVE)


def least_tensions_of_kit(place: Place, pull: float, wanted: float) -> tuple[float, float]:
    """5.11 Tensions with the same ramp and springs just strong enough for the wanted reserve."""
    thrust = max(slip_thrust(place) - place.per_pull, 0.0) * (1.0 + wanted) * pull + place.per_pull * pull
    slack = slack_of(place, thrust, pull)
    tight = max(slack + pull, (1.0 + wanted) * pull / (1.0 - 1.0 / place.lam1))
    return tight, tight - pull


# ----------------------------------------------------------------------------------------------------------------------
# Step 6. Belt losses and the wheel


def slip(belt: Belt, half_angle: float, tight, slack, r1, r2):
    """6.1 Speed lost: stretch, and the belt wedging deeper into one sheave than the other."""
    seat = 2.0 * tan(half_angle + belt.seating * atan(belt.friction))
    wedged = (tight / r1**2 - slack / r2**2) / (belt.wedge_stiffness * seat)
    return np.maximum(0.0, (tight - slack) / belt.stretch_stiffness + wedged)


def belt_loss(belt: Belt, half_angle: float, tight, slack, r1, r2, speed):
    """6.2 Bending, wedging and slip, W."""
    pull = tight - slack
    lost = belt.bending * (1.0 / r1 + 1.0 / r2) + belt.wedging * (tight + slack)
    return speed * (lost + slip(belt, half_angle, tight, slack, r1, r2) * pull)


def wheel_force(machine: Machine, belt: Belt, ground: Ground, w: float, r1, r2, lam, pull):
    """6.3 Force at the wheels with the belt at its least tensions T1' = D lam / (lam - 1)."""
    tight = pull * lam / (lam - 1.0)
    belt_speed = w * r1
    lost = belt_loss(belt, machine.half_angle, tight, tight - pull, r1, r2, belt_speed)
    return machine.efficiency * (pull * belt_speed - lost) / road_speed(machine, ground, w, r2 / r1)


def road_speed(machine: Machine, ground: Ground, w: float, ratio):
    """6.4 v = w r_w / (i i_g)."""
    return w * machine.wheel_radius / (ratio * ground.reduction)


def resistance(machine: Machine, ground: Ground, v):
    """6.5 Rolling, grade (a tangent) and air."""
    t = atan(ground.grade)
    rolling = machine.mass * GRAVITY * (ground.rolling * cos(t) + sin(t))
    return rolling + 0.5 * air_density(machine.altitude, machine.temperature) * machine.drag_area * v**2


def adhesion_pull(machine: Machine, belt: Belt, ground: Ground, r1, r2, lam):
    """6.6 Belt pull at which the tyres slip, F(D) = adhesion m g cos t; infinite if no pull makes them slip.

    At the least tensions T1' + T2' = D (lam + 1)/(lam - 1) and slip = e D, so F(D) = G (D - B - u D - e D^2) with
    G = eta v_b / v = eta R1 i i_g / r_w, B the bending and u the wedging loss for each newton of pull: a quadratic. Its
    lesser root is meant.
    """
    most = ground.adhesion * machine.mass * GRAVITY * cos(atan(ground.grade))
    gear = machine.efficiency * r2 * ground.reduction / machine.wheel_radius
    bend = belt.bending * (1.0 / r1 + 1.0 / r2)
    per_pull = 1.0 - belt.wedging * (lam + 1.0) / (lam - 1.0)
    e = slip(belt, machine.half_angle, lam / (lam - 1.0), 1.0 / (lam - 1.0), r1, r2)
    rest = per_pull**2 - 4.0 * e * (bend + most / gear)
    # the form 2 c / (b + sqrt(b^2 - 4 a c)) also holds for e = 0
    return np.where(rest >= 0.0, 2.0 * (bend + most / gear) / (per_pull + np.sqrt(np.maximum(rest, 0.0))), np.inf)


# ----------------------------------------------------------------------------------------------------------------------
# Step 7. Time on a ground


@dataclass(frozen=True)
class Visit:
    """Time of one ground at one position: branch, share of full torque asked, weight and what holds the pull."""

    ground: int
    branch: int
    torque: float
    position: int
    run_up: bool
    weight: float
    pull: float  # at the target speed, as carried
    limited: bool  # tyres slip before the torque asked for
    sweeps: float  # load changes that pass, a second


@dataclass(frozen=True)
class Duty:
    visits: tuple[Visit, ...]
    sweeps: np.ndarray  # (ground, position), cycles a second
    targets: tuple[float, ...]
    ranges: tuple[tuple[float, float], ...]  # road speeds run at, m/s
    cuts: tuple[float, ...]
    run_up_times: tuple[float, ...]
    cycle_times: tuple[float, ...]


def spread(at: np.ndarray, amount: np.ndarray, s: np.ndarray) -> np.ndarray:
    """7.1 Amounts at any s, shared linearly between the two positions beside them."""
    low = np.clip(np.searchsorted(s, at, side="right") - 1, 0, len(s) - 2)
    part = (at - s[low]) / (s[low + 1] - s[low])
    out = np.zeros(len(s))
    np.add.at(out, low, amount * (1.0 - part))
    np.add.at(out, low + 1, amount * part)
    return out


def duty(
    machine: Machine,
    belt: Belt,
    grounds: Sequence[Ground],
    s: np.ndarray,
    lam: np.ndarray,
    power: Engine,
    cells: int = CELLS,
) -> Duty:
    """7.2 Weights of all grounds, branches, torques and positions; they sum to 1. `lam`: the lesser slip limit."""
    visits: list[Visit] = []
    sweeps = np.zeros((len(grounds), len(s)))
    targets, ranges, cuts, run_ups, cycles = [], [], [], [], []
    coarse = path(machine, belt, s)
    for number, ground in enumerate(grounds):
        w = ground.target if ground.target is not None else power.peak_speed
        full = power.torque(w)

        def carried(p: Path, lam_here, share, ground=ground, full=full):
            """Pull asked or the one that adhesion holds, the lesser; and whether the tyres slip."""
            asked = share * full / p.r1
            held = adhesion_pull(machine, belt, ground, p.r1, p.r2, lam_here)
            return np.minimum(asked, held), held < asked

        def spare(at: np.ndarray, share: float, ground=ground, w=w, carried=carried) -> np.ndarray:
            """Wheel force less resistance, at any shift positions."""
            p, lam_here = path(machine, belt, at), np.interp(at, s, lam)
            force = wheel_force(machine, belt, ground, w, p.r1, p.r2, lam_here, carried(p, lam_here, share)[0])
            return force - resistance(machine, ground, road_speed(machine, ground, w, p.ratio))

        def speed_at(at: np.ndarray, ground=ground, w=w) -> np.ndarray:
            return road_speed(machine, ground, w, path(machine, belt, at).ratio)

        # 7.3 how far the machine gains at full torque, from the lowest gear on
        least = machine.mass * LEAST_ACCELERATION
        rough = np.linspace(0.0, 1.0, 20001)
        gains = spare(rough, 1.0) > least
        reach = 1.0 if gains.all() else float(rough[max(int(np.argmin(gains)) - 1, 0)])
        if reach == 0.0:
            raise ValueError(f"{ground.name}: the lowest gear does not gain")

        # 7.4 the range of road speeds, as far as the shift goes
        ends = speed_at(np.array([0.0, reach]))
        v_low, v_high = max(ground.speeds[0], float(ends[0])), min(ground.speeds[1], float(ends[1]))

        def position_of(v: float, reach=reach, speed_at=speed_at) -> float:
            if v <= float(speed_at(np.array([0.0]))[0]):
                return 0.0
            if v >= float(speed_at(np.array([reach]))[0]):
                return reach
            return float(brentq(lambda at: float(speed_at(np.array([at]))[0]) - v, 0.0, reach, xtol=1e-14))

        s_low, s_high = position_of(v_low), position_of(v_high)

        # 7.5 a run-up at full torque, from s = 0 to the top of the range
        edges = np.linspace(0.0, s_high, cells + 1)
        run_at = 0.5 * (edges[1:] + edges[:-1])
        run_dt = machine.mass * np.diff(speed_at(edges)) / spare(run_at, 1.0)

        # 7.6 a load change: up through the range at the torque asked, and as long again down
        edges = np.linspace(s_low, s_high, cells + 1)
        at_range = 0.5 * (edges[1:] + edges[:-1])
        dv = np.diff(speed_at(edges))
        up_dt = machine.mass * dv / np.maximum(spare(at_range, ground.torque), least)

        # 7.7 the rest of each second steady; all cut in proportion where there is no rest
        busy = ground.starts * run_dt.sum() + ground.load_changes * 2.0 * up_dt.sum()
        cut = min(1.0, 1.0 / busy)
        steady = 1.0 - busy * cut
        running = ground.load_changes * cut * up_dt + 0.5 * steady * dv / dv.sum()
        positions = spread(at_range, np.full(cells, (s_high - s_low) / cells), s)
        sweeps[number] = ground.share * ground.load_changes * cut * positions
        # 7.8 time with slipping tyres and without are told apart before they are shared between positions; a position
        # beyond the slipping takes the pull of full torque for what adhesion would hold there
        held = np.minimum(adhesion_pull(machine, belt, ground, coarse.r1, coarse.r2, lam), full / coarse.r1)
        passing = np.full(cells, ground.load_changes * cut * (s_high - s_low) / cells)
        for branch, torque, along, amount, passed, is_run_up in (
            (UPSHIFT, 1.0, run_at, ground.starts * cut * run_dt, 0.0 * passing, True),
            (UPSHIFT, ground.torque, at_range, running, passing, False),
            (BACKSHIFT, ground.torque, at_range, running, passing, False),
        ):
            slips = carried(path(machine, belt, along), np.interp(along, s, lam), torque)[1]
            for limited, pulls in ((False, torque * full / coarse.r1), (True, held)):
                weights = ground.share * spread(along, amount * (slips == limited), s)
                swept = ground.share * spread(along, passed * (slips == limited), s)
                visits.extend(
                    Visit(number, branch, torque, j, is_run_up, float(w), float(pull), limited, float(sweep))
                    for j, (w, pull, sweep) in enumerate(zip(weights, pulls, swept, strict=True))
                    if w > 0.0
                )
        targets.append(w)
        ranges.append((v_low, v_high))
        cuts.append(cut)
        run_ups.append(float(run_dt.sum()))
        cycles.append(2.0 * float(up_dt.sum()))
    return Duty(tuple(visits), sweeps, tuple(targets), tuple(ranges), tuple(cuts), tuple(run_ups), tuple(cycles))


# ----------------------------------------------------------------------------------------------------------------------
# Step 8. Balance of both clutches


def engine_speed(
    place: Place, thrust: Thrust, spring: float, power: Engine, torque: float, held: float | None, limit: float
) -> float:
    """8.1 w at which A w^2 - K is the thrust that the belt needs: pull torque T(w)/R1, or the one held by adhesion."""

    def over(w: float) -> float:
        pull = held if held is not None else torque * power.torque(w) / place.r1
        _, slack = tensions(place, pull)
        return thrust.on(place.branch) * w**2 - spring - drive_needed(place, slack, pull)

    return float(brentq(over, 160.0, limit, xtol=1e-10, rtol=1e-14))


# ----------------------------------------------------------------------------------------------------------------------
# Step 9. A kit worked out


@dataclass(frozen=True)
class Worked:
    """Every intermediate array and every term of one kit; flat lists run over `duty.visits`."""

    engine: Engine
    path: Path
    places: tuple[tuple[Place, ...], tuple[Place, ...]]  # branch, position
    thrusts: tuple[Thrust, ...]
    drive_loads: np.ndarray
    driven_loads: np.ndarray
    curve: np.ndarray  # (branch, position), rad/s, full torque with no ground to slip on
    duty: Duty
    speeds: np.ndarray  # a visit, rad/s
    reserves: np.ndarray  # a visit: (drive sheave, driven sheave, tension), at the target speed
    losses: np.ndarray  # a visit, W, at the target speed
    wear: tuple[float, float]  # a, s of the belt's life
    terms: dict[str, float]
    binding: str
    spring_loss_parts: dict[str, float]  # W
    temperatures: np.ndarray  # a ground, degC
    grounds: tuple[dict[str, float], ...]


def work_out(
    machine: Machine,
    belt: Belt,
    grounds: Sequence[Ground],
    kit: Kit,
    lam1: np.ndarray,
    lam2: np.ndarray,
    cells: int = CELLS,
    limit: float = 800.0,
    target: float | None = None,
) -> Worked:
    """9. All terms of a kit but those that need the fitted one (belt life, cost, changes).

    A `target` from outside takes the place of the speed of peak power.
    """
    power = engine(*machine.engine)
    if target is not None:
        power = replace(power, peak_speed=target)
    s = np.linspace(0.0, 1.0, len(lam1)) ** 1.5  # positions stand closer in low gear
    p = path(machine, belt, s)
    n = len(s)
    thrusts = tuple(thrust_per_speed2(kit.arms, float(x)) for x in p.x1)
    drive_loads = np.array([spring_load(kit.drive_spring, machine.drive_spring_length, x) for x in p.x1])
    driven_loads = np.array([spring_load(kit.driven_spring, machine.driven_spring_length, x) for x in p.x2])

    def place(branch: int, j: int) -> Place:
        return Place(
            machine,
            belt,
            branch,
            float(p.r1[j]),
            float(p.r2[j]),
            float(p.th1[j]),
            float(p.th2[j]),
            float(lam1[j]),
            float(lam2[j]),
            driven_fixed(machine, kit, float(p.x2[j]), branch),
            driven_per_pull(machine, kit, float(p.r2[j]), float(p.x2[j]), branch),
        )

    ups, backs = (tuple(place(branch, j) for j in range(n)) for branch in (UPSHIFT, BACKSHIFT))
    places = (ups, backs)
    curve = np.array(
        [
            [engine_speed(row[j], thrusts[j], drive_loads[j], power, 1.0, None, limit) for j in range(n)]
            for row in places
        ]
    )
    time = duty(machine, belt, grounds, s, np.minimum(lam1, lam2), power, cells)

    # 9.1 one line a visit: at the target speed, and at the kit's own speed
    lines = []
    for visit in time.visits:
        here, target = places[visit.branch][visit.position], time.targets[visit.ground]
        r1, r2, b = here.r1, here.r2, machine.half_angle
        tight, slack = tensions(here, visit.pull)
        v = target * r1
        loss = belt_loss(belt, b, tight, slack, r1, r2, v)
        light, lighter = least_tensions_of_kit(here, visit.pull, machine.wanted_margin)
        least = belt_loss(belt, b, light, lighter, r1, r2, v)
        drive, driven = slip_reserves(here, visit.pull)
        full = tight + belt.mass_per_length * v**2
        held = visit.pull if visit.limited else None
        w = engine_speed(here, thrusts[visit.position], drive_loads[visit.position], power, visit.torque, held, limit)
        pull = visit.pull if visit.limited else visit.torque * power.torque(w) / r1
        own_tight, own_slack = tensions(here, pull)
        own = pull * r1 * w - belt_loss(belt, b, own_tight, own_slack, r1, r2, w * r1)
        lines.append(
            {
                "weight": visit.weight,
                "w": w,
                "error": w / target - 1.0,
                "loss": loss,
                "least": least,
                "drive": drive,
                "driven": driven,
                "tension": belt.max_tension / full - 1.0,
                "bush1": side_load(tight, slack, here.th1) - side_load(light, lighter, here.th1),
                "bush2": side_load(tight, slack, here.th2) - side_load(light, lighter, here.th2),
                "given": max(own, 0.0),
                "asked": visit.pull * v,
                "fatigue": v * (full / belt.max_tension) ** 11,
                "rubbed": slip(belt, b, tight, slack, r1, r2)
                * visit.pull
                * v
                * (1.0 + 1.0 / max(min(drive, driven), 0.02)),
            }
        )
    column = {key: np.array([line[key] for line in lines]) for key in lines[0]}
    weight, ground_of = column["weight"], np.array([visit.ground for visit in time.visits])

    # 9.2 flatness, and the ground table
    terms = {"flatness": 100.0 * sqrt(float(np.sum(weight * column["error"] ** 2)))}
    table = []
    for number in range(len(grounds)):
        here = ground_of == number
        share = float(weight[here].sum())
        limited = np.array([visit.limited for visit in time.visits])[here]
        table.append(
            {
                "share": 100.0 * share,
                "mean": float(np.sum((weight * column["w"])[here])) / share / RPM,
                "lowest": float(column["w"][here].min()) / RPM,
                "highest": float(column["w"][here].max()) / RPM,
                "flatness": 100.0 * sqrt(float(np.sum((weight * column["error"] ** 2)[here])) / share),
                "limited": 100.0 * float(weight[here][limited].sum()) / share,
            }
        )

    # 9.3 margin, and what binds it
    reserves = np.stack([column["drive"], column["driven"], column["tension"]], axis=1)
    at, which = np.unravel_index(int(np.argmin(reserves)), reserves.shape)
    terms["belt_margin"] = 100.0 * float(reserves[at, which])
    visit = time.visits[at]
    binding = (
        f"{('drive sheave', 'driven sheave', 'tension')[which]} on {grounds[visit.ground].name},"
        f" position {visit.position}, {('upshift', 'backshift')[visit.branch]}, {visit.torque:.0%} torque"
    )

    # 9.4 spring loss
    sweeps = time.sweeps
    parts = {"belt": float(np.sum(weight * np.maximum(column["loss"] - column["least"], 0.0)))}
    rubbing = 0.0
    for visit, line in zip(time.visits, lines, strict=True):
        cycles = visit.sweeps  # run-ups are none
        rubbing += cycles * max(0.5 * machine.drive_bush * line["bush1"], 0.0) * float(p.dx1[visit.position])
        rubbing += cycles * max(0.5 * machine.driven_bush * line["bush2"], 0.0) * float(p.dx2[visit.position])
    parts["bushes"] = rubbing
    every = sweeps.sum(axis=0)
    parts["ramp"] = sum(
        float(every[j])
        * (ramp_gain(machine, kit.ramp, x, UPSHIFT) - ramp_gain(machine, kit.ramp, x, BACKSHIFT))
        * spring_torque(kit, x)
        * float(p.dx2[j])
        for j, x in enumerate(map(float, p.x2))
    )
    parts["drive spring"] = sum(
        float(every[j] * drive_loads[j])
        * (thrusts[j].free / thrusts[j].up - thrusts[j].free / thrusts[j].back)
        * float(p.dx1[j])
        for j in range(n)
    )
    terms["spring_loss"] = 100.0 * sum(parts.values()) / power.peak_power

    # 9.5 belt temperature of every ground, the hottest first in the term
    warm = []
    for number, target in enumerate(time.targets):
        here = ground_of == number
        mean = float(np.sum((weight * column["loss"])[here]) / weight[here].sum())
        conductance = machine.cooling
        if machine.cooling_speed is not None:
            conductance *= (target / machine.cooling_speed) ** 0.8
        warm.append(machine.temperature + mean / conductance)
    temperatures = np.array(warm)
    terms["belt_temperature"] = float(temperatures.max())

    # 9.6 belt life: fatigue and wear, both only to be set against the fitted kit's
    hot = 2.0 ** ((temperatures[ground_of] - 60.0) / 10.0)
    wear = float(np.sum(weight * column["fatigue"] * hot)), float(np.sum(weight * column["rubbed"]))

    # 9.7 power to the ground, engagement, worst speeds
    terms["ground_power"] = (
        100.0 * machine.efficiency * float(np.sum(weight * column["given"])) / float(np.sum(weight * column["asked"]))
    )
    off = np.array([w - time.targets[visit.ground] for visit, w in zip(time.visits, column["w"], strict=True)]) / RPM
    terms["worst_high"], terms["worst_low"] = float(off.max()), float(off.min())
    terms["engagement"] = sqrt(drive_loads[0] / thrusts[0].up) / RPM

    return Worked(
        engine=power,
        path=p,
        places=places,
        thrusts=thrusts,
        drive_loads=drive_loads,
        driven_loads=driven_loads,
        curve=curve,
        duty=time,
        speeds=column["w"],
        reserves=reserves,
        losses=column["loss"],
        wear=wear,
        terms=terms,
        binding=binding,
        spring_loss_parts=parts,
        temperatures=temperatures,
        grounds=tuple(table),
    )


# ----------------------------------------------------------------------------------------------------------------------
# Step 10. Against the fitted kit


def belt_life(kit: Worked, fitted: Worked) -> float:
    """10.1 1 / (a / (2 a_f) + s / (2 s_f))."""
    return 1.0 / (kit.wear[0] / (2.0 * fitted.wear[0]) + kit.wear[1] / (2.0 * fitted.wear[1]))


def cost_and_changes(kit: Kit, fitted: Kit) -> tuple[float, int]:
    """10.2 Prices of the parts that are not fitted, and slots that differ; twist is a slot without a price."""
    new = [slot for slot, part in kit.parts.items() if part != fitted.parts[slot]]
    return sum(kit.parts[slot][1] for slot in new), len(new)


def score(terms: dict[str, float], wanted: float, weights: tuple[float, float, float]) -> float:
    """10.3 Points for each 1 % flatness, 1 % loss, 10 % missing margin."""
    missing = max(100.0 * wanted - terms["belt_margin"], 0.0) / 10.0
    return weights[0] * terms["flatness"] + weights[1] * terms["spring_loss"] + weights[2] * missing


# ----------------------------------------------------------------------------------------------------------------------
# Step 11. Pulling away


@dataclass(frozen=True)
class PullingAway:
    take_up: float  # rad/s, at which the slipping belt carries the torque asked
    lock_up: float  # m/s, where the road has caught up
    heat: float  # J, rubbed off until then
    seconds: float


def capacity(place: Place, behind: Place, thrust: Thrust, spring: float, w: float) -> float:
    """11.1 Torque of the slipping belt on the drive sheave, as a cone clutch: 2 mu F / cos b at R1, mu of sliding.

    No more than the driven sheave carries by its own thrust, P / (c_slip - Q), on the backshift, where it has less.
    """
    closed = max(thrust.up * w**2 - spring, 0.0)
    held = replace(place, branch=BACKSHIFT, fixed=behind.fixed, per_pull=behind.per_pull)
    lacking = slip_thrust(held) - held.per_pull
    on_driven = held.fixed / lacking if lacking > 0.0 else float("inf")
    return min(2.0 * place.belt.kinetic_friction * closed / cos(place.machine.half_angle), on_driven) * place.r1


def pulling_away(work: Worked, ground: Ground, torque: float, limit: float = 800.0) -> PullingAway:
    """11.2 Take-up where capacity meets the torque; 11.3 lock-up at that engine speed in the lowest gear; 11.4 heat.

    The engine stays at take-up speed and gives M = torque T(w); the wheels get eta M i i_g / r_w, less what the ground
    resists with. Heat is the integral of M (w - v i i_g / r_w) dt until the road has caught up.
    """
    place, behind = work.places[UPSHIFT][0], work.places[BACKSHIFT][0]
    thrust, spring, power = work.thrusts[0], float(work.drive_loads[0]), work.engine
    machine = place.machine
    w = brentq(
        lambda w: capacity(place, behind, thrust, spring, w) - torque * power.torque(w),
        150.0,
        limit,
        xtol=1e-11,
        rtol=1e-14,
    )
    gear = place.r2 / place.r1 * ground.reduction / machine.wheel_radius  # engine rad/s for each m/s of road
    lock_up = w / gear
    moment = torque * power.torque(w)
    push = machine.efficiency * moment * gear

    edges = np.linspace(0.0, lock_up, CELLS + 1)
    heat = seconds = 0.0
    for low, high in pairwise(edges):
        v = 0.5 * (low + high)
        spare = push - resistance(machine, ground, float(v))
        if spare <= 0.0:
            return PullingAway(float(w), float(lock_up), float("inf"), float("inf"))
        dt = machine.mass * (high - low) / spare
        seconds += dt
        heat += moment * (w - v * gear) * dt
    return PullingAway(float(w), float(lock_up), float(heat), float(seconds))
