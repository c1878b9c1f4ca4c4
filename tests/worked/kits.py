"""Three invented kits in plain numbers, each beside the kit that is fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

import formulas as f
import given
import numpy as np
from given import KMH, RPM

MM, GRAM, DEG, MINUTE = 1e-3, 1e-3, pi / 180.0, 60.0


@dataclass(frozen=True)
class Case:
    """A job with its kit, its fitted kit, and the slip limits that stand in for the stored table."""

    name: str
    machine: given.Machine
    belt: given.Belt
    grounds: tuple[given.Ground, ...]
    kit: given.Kit
    fitted: given.Kit
    lam1: np.ndarray
    lam2: np.ndarray
    weights: tuple[float, float, float]


def curve(*points: tuple[float, float]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return tuple(rpm * RPM for rpm, _ in points), tuple(torque for _, torque in points)


def slots(**parts: tuple[str, float]) -> dict[str, tuple[str, float]]:
    return parts


def other(kit: given.Kit, parts: dict[str, tuple[str, float]], **fields) -> given.Kit:
    """The same kit with some parts changed."""
    return replace(kit, parts=kit.parts | parts, **fields)


# ----------------------------------------------------------------------------------------------------------------------
# Meadow: table arms, compression spring, one straight ramp; the driven stop begins the shift; wet grass spins the tyres

MEADOW_ENGINE = curve(
    (1500, 44.0),
    (2500, 52.0),
    (3500, 60.0),
    (4500, 64.0),
    (5500, 65.5),
    (6000, 64.8),
    (6500, 62.5),
    (7000, 58.5),
    (7500, 52.5),
    (8000, 45.0),
)

MEADOW_ARMS = given.TableArms(
    speed=6800 * RPM,
    travel=(0.0, 6 * MM, 12 * MM, 18 * MM, 26 * MM),
    bare=(3900.0, 3380.0, 3150.0, 3150.0, 3250.0),
    per_mass=tuple(
        tuple(value / GRAM for value in row)
        for row in (
            (14.0, 13.2, 12.8, 12.5, 12.2),  # heel, N/g
            (37.0, 35.0, 34.2, 33.6, 33.0),  # mid
            (56.0, 53.5, 52.5, 51.8, 51.0),  # tip
        )
    ),
    masses=(10 * GRAM, 13 * GRAM, 14 * GRAM),
    band=0.03,
)

MEADOW_FITTED = given.Kit(
    arms=MEADOW_ARMS,
    drive_spring=given.Spring(rate=23_000.0, free=86 * MM),
    driven_spring=given.Spring(rate=22_000.0, free=106 * MM),
    ramp=given.Ramp(42 * MM, ((0.0, 41 * DEG),)),
    twist=0.0,
    parts=slots(
        drive_spring=("ds-soft", 24.5),
        flyweight=("table-arm", 96.0),
        heel=("heel-10", 14.0),
        mid=("mid-13", 15.5),
        tip=("tip-14", 16.0),
        driven_spring=("vs-soft", 26.0),
        helix=("ramp-41", 78.0),
        twist=("none", 0.0),
    ),
)

MEADOW = Case(
    name="meadow",
    machine=given.Machine(
        half_angle=13 * DEG,
        centre=260 * MM,
        width=34 * MM,
        drive_stops=(34 * MM, 86 * MM),
        driven_stops=(64 * MM, 112 * MM),
        drive_bush=0.05,
        guide_friction=0.04,
        guide_radius=38 * MM,
        drive_share=0.5,
        driven_bush=0.06,
        driven_share=0.5,
        ramp_friction=0.036,
        drive_spring_length=66 * MM,
        driven_spring_length=70 * MM,
        mass=1000.0,
        drag_area=1.6,
        wheel_radius=310 * MM,
        efficiency=0.90,
        cooling=55.0,
        cooling_speed=None,
        altitude=400.0,
        temperature=12.0,
        engine=MEADOW_ENGINE,
        wanted_margin=0.20,
    ),
    belt=given.Belt(
        length=1003 * MM,
        mass_per_length=0.42,
        max_tension=4400.0,
        friction=0.35,
        kinetic_friction=0.35,
        seating=1.0,
        top_width=34 * MM,
        bending=1.2,
        wedging=0.017,
        stretch_stiffness=160e3,
        wedge_stiffness=60e6,
    ),
    grounds=(
        given.Ground("farm track", 0.6, 0.04, 0.60, 0.03, (26 * KMH, 62 * KMH), 1.0, 3 / MINUTE, 0.5 / MINUTE, 11.0),
        given.Ground("wet meadow", 0.4, 0.08, 0.40, 0.06, (23 * KMH, 41 * KMH), 0.9, 4 / MINUTE, 1 / MINUTE, 11.0),
    ),
    kit=other(
        MEADOW_FITTED,
        slots(drive_spring=("ds-firm", 27.5), driven_spring=("vs-firm", 29.0), tip=("tip-17", 17.5)),
        drive_spring=given.Spring(rate=25_000.0, free=87 * MM),
        driven_spring=given.Spring(rate=24_000.0, free=110 * MM),
        arms=replace(MEADOW_ARMS, masses=(10 * GRAM, 13 * GRAM, 17 * GRAM)),
    ),
    fitted=MEADOW_FITTED,
    lam1=np.full(9, 21.0),
    lam2=np.array([6.64, 6.22, 5.83, 5.46, 5.10, 4.77, 4.45, 4.15, 3.86]),
    weights=(1.0, 1.0, 1.0),
)

# ----------------------------------------------------------------------------------------------------------------------
# Pass: torsion spring wound on a bent ramp, a narrower belt, low range on the climb, a target of its own on the road

PASS_ENGINE = curve(
    (1500, 50.0),
    (2500, 60.0),
    (3500, 68.0),
    (4500, 72.5),
    (5250, 73.5),
    (6000, 72.0),
    (6500, 69.0),
    (7000, 64.0),
    (7500, 57.0),
    (8000, 48.0),
)

PASS_ARMS = given.TableArms(
    speed=6500 * RPM,
    travel=(0.0, 7 * MM, 14 * MM, 20 * MM, 26 * MM),
    bare=(4800.0, 4050.0, 3800.0, 3780.0, 3980.0),
    per_mass=tuple(
        tuple(value / GRAM for value in row)
        for row in (
            (13.0, 12.4, 12.0, 11.8, 11.6),
            (34.0, 32.5, 31.6, 31.0, 30.5),
            (52.0, 50.0, 49.0, 48.5, 48.0),
        )
    ),
    masses=(8 * GRAM, 11 * GRAM, 14 * GRAM),
    band=0.025,
)

PASS_FITTED = given.Kit(
    arms=PASS_ARMS,
    drive_spring=given.Spring(rate=24_000.0, free=85 * MM),
    driven_spring=given.Spring(rate=18_000.0, free=104 * MM, torsion=0.16 / DEG),
    ramp=given.Ramp(42 * MM, ((0.0, 44 * DEG),)),
    twist=20 * DEG,
    parts=slots(
        drive_spring=("ds-24", 25.5),
        flyweight=("table-arm", 104.0),
        heel=("heel-8", 13.0),
        mid=("mid-11", 14.5),
        tip=("tip-14", 16.0),
        driven_spring=("vs-torsion", 35.0),
        helix=("ramp-44", 78.0),
        twist=("20 deg", 0.0),
    ),
)

PASS = Case(
    name="pass",
    machine=given.Machine(
        half_angle=13 * DEG,
        centre=255 * MM,
        width=34 * MM,
        drive_stops=(35 * MM, 86 * MM),
        driven_stops=(64 * MM, 114 * MM),
        drive_bush=0.04,
        guide_friction=0.06,
        guide_radius=40 * MM,
        drive_share=0.4,
        driven_bush=0.05,
        driven_share=0.55,
        ramp_friction=0.03,
        drive_spring_length=66 * MM,
        driven_spring_length=70 * MM,
        mass=1150.0,
        drag_area=1.8,
        wheel_radius=320 * MM,
        efficiency=0.88,
        cooling=60.0,
        cooling_speed=6950 * RPM,
        altitude=1200.0,
        temperature=25.0,
        engine=PASS_ENGINE,
        wanted_margin=0.25,
    ),
    belt=given.Belt(
        length=978 * MM,
        mass_per_length=0.40,
        max_tension=2880.0,
        friction=0.37,
        kinetic_friction=0.30,
        seating=0.9,
        top_width=32.8 * MM,
        bending=1.1,
        wedging=0.018,
        stretch_stiffness=150e3,
        wedge_stiffness=55e6,
    ),
    grounds=(
        given.Ground(
            "pass road", 0.7, 0.03, 0.65, 0.05, (27 * KMH, 66 * KMH), 0.95, 2 / MINUTE, 0.4 / MINUTE, 11.4, 6300 * RPM
        ),
        given.Ground("scree climb", 0.3, 0.09, 0.62, 0.28, (14 * KMH, 28 * KMH), 0.85, 5 / MINUTE, 1 / MINUTE, 21.0),
    ),
    kit=other(
        PASS_FITTED,
        slots(helix=("ramp-bent", 118.0), twist=("40 deg", 0.0), mid=("mid-13", 15.5)),
        ramp=given.Ramp(42 * MM, ((0.0, 47 * DEG), (8 * MM, 41 * DEG), (24 * MM, 39 * DEG))),
        twist=40 * DEG,
        arms=replace(PASS_ARMS, masses=(8 * GRAM, 13 * GRAM, 14 * GRAM)),
    ),
    fitted=PASS_FITTED,
    lam1=np.full(7, 21.0),
    lam2=np.array([7.03, 6.43, 5.88, 5.37, 4.89, 4.44, 4.03]),
    weights=(1.0, 2.0, 0.5),
)

# ----------------------------------------------------------------------------------------------------------------------
# Quarry: pivoting arms with a circular-arc face, pin friction; a ground too steep for the top of its range

QUARRY_ENGINE = curve(
    (1500, 40.0),
    (2500, 50.0),
    (3500, 57.0),
    (4500, 61.0),
    (5250, 62.0),
    (6000, 61.0),
    (6500, 59.0),
    (7000, 55.5),
    (7500, 50.0),
    (8000, 43.0),
)

FACE_CENTRE = (-14.0 * MM, -63.0 * MM)
FACE_RADIUS = 67.5 * MM
HEEL, MID, TIP = (16 * MM, -4 * MM), (37 * MM, -9 * MM), (54 * MM, -14 * MM)

QUARRY_ARMS = given.PivotArms(
    count=3,
    pivot_radius=47 * MM,
    pin_diameter=8 * MM,
    pivot_friction=0.08,
    roller_diameter=15 * MM,
    roller_outboard=34 * MM,
    roller_height=2 * MM,
    roller_friction=0.02,
    body_mass=86 * GRAM,
    body_centre=(35 * MM, -6 * MM),
    gyration=(40 * MM, 8 * MM),
    face_centre=FACE_CENTRE,
    face_radius=FACE_RADIUS,
    points=((10 * GRAM, *HEEL), (13 * GRAM, *MID), (14 * GRAM, *TIP)),
)

QUARRY_FITTED = given.Kit(
    arms=QUARRY_ARMS,
    drive_spring=given.Spring(rate=22_000.0, free=86 * MM),
    driven_spring=given.Spring(rate=21_000.0, free=108 * MM),
    ramp=given.Ramp(42 * MM, ((0.0, 45 * DEG), (24 * MM, 40 * DEG))),
    twist=0.0,
    parts=slots(
        drive_spring=("ds-22", 24.0),
        flyweight=("arc-arm", 104.0),
        heel=("heel-10", 14.0),
        mid=("mid-13", 15.5),
        tip=("tip-14", 16.0),
        driven_spring=("vs-21", 26.0),
        helix=("ramp-45-40", 92.0),
        twist=("none", 0.0),
    ),
)

QUARRY = Case(
    name="quarry",
    machine=given.Machine(
        half_angle=12.5 * DEG,
        centre=258 * MM,
        width=33 * MM,
        drive_stops=(34 * MM, 84 * MM),
        driven_stops=(64 * MM, 113 * MM),
        drive_bush=0.03,
        guide_friction=0.0,
        guide_radius=40 * MM,
        drive_share=0.5,
        driven_bush=0.04,
        driven_share=0.5,
        ramp_friction=0.04,
        drive_spring_length=66 * MM,
        driven_spring_length=70 * MM,
        mass=950.0,
        drag_area=1.5,
        wheel_radius=300 * MM,
        efficiency=0.91,
        cooling=50.0,
        cooling_speed=None,
        altitude=0.0,
        temperature=18.0,
        engine=QUARRY_ENGINE,
        wanted_margin=0.20,
    ),
    belt=given.Belt(
        length=997 * MM,
        mass_per_length=0.41,
        max_tension=4200.0,
        friction=0.33,
        kinetic_friction=0.33,
        seating=0.85,
        top_width=33 * MM,
        bending=1.0,
        wedging=0.016,
        stretch_stiffness=155e3,
        wedge_stiffness=58e6,
    ),
    grounds=(
        given.Ground("haul road", 0.5, 0.035, 0.60, 0.02, (25 * KMH, 64 * KMH), 0.8, 3 / MINUTE, 1 / MINUTE, 10.6),
        given.Ground("ramp out", 0.3, 0.05, 0.60, 0.22, (24 * KMH, 60 * KMH), 1.0, 1.5 / MINUTE, 0.5 / MINUTE, 10.6),
        given.Ground("mud floor", 0.2, 0.12, 0.45, 0.0, (24 * KMH, 40 * KMH), 0.9, 5 / MINUTE, 1.5 / MINUTE, 10.6),
    ),
    kit=other(
        QUARRY_FITTED,
        slots(driven_spring=("vs-23", 28.0), helix=("ramp-43", 78.0), heel=("heel-6", 12.0)),
        driven_spring=given.Spring(rate=23_000.0, free=116 * MM),
        ramp=given.Ramp(42 * MM, ((0.0, 43 * DEG),)),
        arms=replace(QUARRY_ARMS, points=((6 * GRAM, *HEEL), (13 * GRAM, *MID), (14 * GRAM, *TIP))),
    ),
    fitted=QUARRY_FITTED,
    lam1=np.full(8, 21.0),
    lam2=np.array([6.43, 5.99, 5.58, 5.19, 4.83, 4.48, 4.15, 3.84]),
    weights=(2.0, 1.0, 1.0),
)

CASES = (MEADOW, PASS, QUARRY)


def arc_face(points: int = 70, low: float = 18.0, high: float = 64.0) -> list[tuple[float, float]]:
    """Face of the quarry arm as points in mm, from `high` to `low` degrees about its centre (heel to tip)."""
    angles = np.radians(np.linspace(high, low, points))
    return [
        (
            round((FACE_CENTRE[0] + FACE_RADIUS * np.cos(a)) / MM, 9),
            round((FACE_CENTRE[1] + FACE_RADIUS * np.sin(a)) / MM, 9),
        )
        for a in angles
    ]


def work_out(
    case: Case,
    lam1: np.ndarray | None = None,
    lam2: np.ndarray | None = None,
    target: float | None = None,
    cells: int = given.CELLS,
) -> tuple[f.Worked, f.Worked, dict[str, float]]:
    """Kit and fitted kit of a case, and all terms of the kit."""
    even = np.linspace(0.0, 1.0, len(case.lam2))  # where the limits beside the case stand
    limits = case.lam1 if lam1 is None else lam1, np.interp(even**1.5, even, case.lam2) if lam2 is None else lam2
    kit, fitted = (
        f.work_out(case.machine, case.belt, case.grounds, one, *limits, cells=cells, target=target)
        for one in (case.kit, case.fitted)
    )
    cost, changes = f.cost_and_changes(case.kit, case.fitted)
    terms = kit.terms | {"belt_life": f.belt_life(kit, fitted), "cost": cost, "changes": float(changes)}
    terms["score"] = f.score(terms, case.machine.wanted_margin, case.weights)
    return kit, fitted, terms
