"""Steps 2 to 5 of a worked kit: belt path, springs and ramp, flyweights, tensions and thrusts at one position."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import acos, atan, atan2, cos, exp, hypot, log, pi, sin, sqrt, tan

import numpy as np
from given import MOST_RESERVE, UPSHIFT, Belt, Kit, Machine, PivotArms, Ramp, Spring, TableArms, sign
from scipy.optimize import brentq

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
