"""Writes the demo scenario: catalog/parts/*.yaml, from invented numbers and the solver run backwards.

All of it is made up: the rescue team, its machine, the workshop and every part. Arms are found backwards: from the
inertia slope wanted, by way of arm angle and roller path, to the contact face. Run from the top folder:

    python tests/demo/generate.py
"""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import CubicSpline

from solver.arm_bodies import Body, body_on_line, gyration_of_pendulum, outline_body, point_mass

PARTS = Path(__file__).parents[2] / "catalog" / "parts"

# The demo machine's drive clutch, as in configs/machine.yaml.
TRAVEL, ROLLER, PIVOT, OUTBOARD, HEIGHT = 24.01e-3, 7.5e-3, 47e-3, 34e-3, 2e-3
ARMS = 3
TARGET = 728.0  # rad/s
BODY = (0.064, 35e-3, -6e-3)  # mass, along, across
GYRATION = (40e-3, 9e-3)  # about the pivot, along and across the line from pivot to centre
OUTLINE = [(-7, -4), (0, -9), (22, -13), (48, -19), (62, -22), (64, -13), (46, -3), (24, 2), (4, 6), (-6, 4)]  # mm
SEATS = {"heel": (16e-3, -4e-3), "mid": (37e-3, -9e-3), "tip": (54e-3, -14e-3)}
NOMINAL = {"heel": 9e-3, "mid": 11e-3, "tip": 12e-3}


def face(thrust: np.ndarray, start_angle: float, bare: Body) -> list[tuple[float, float]]:
    """Contact face that gives a thrust [N] at target speed, a cubic through values evenly spaced over the travel."""
    x = np.linspace(-0.7e-3, TRAVEL + 1.2e-3, 25)
    slope = CubicSpline(np.linspace(0, TRAVEL, len(thrust)), 2 * thrust / TARGET**2)(x)
    masses = [point_mass(NOMINAL[name], *SEATS[name]) for name in SEATS]
    moments = [astuple(body) for body in (bare, *masses)]
    mass, along, across, j_along, j_across, j_product = (sum(column) for column in zip(*moments, strict=True))
    along, across = (sum(m[0] * m[k] for m in moments) for k in (1, 2))  # first moments

    def inertia(q: np.ndarray) -> np.ndarray:
        first = along * np.sin(q) + across * np.cos(q)
        second = j_along * np.sin(q) ** 2 + j_across * np.cos(q) ** 2 + j_product * np.sin(2 * q)
        return ARMS * (mass * PIVOT**2 + 2 * PIVOT * first + second)

    angles = np.linspace(start_angle - 0.3, start_angle + 0.9, 6001)
    swung = cumulative_trapezoid(slope, x, initial=0)
    swung += inertia(np.array([start_angle]))[0] - np.interp(0, x, swung)
    angle = np.interp(swung, inertia(angles), angles)
    polar = np.arctan2(HEIGHT, OUTBOARD + x) - angle
    distance = np.hypot(OUTBOARD + x, HEIGHT)
    centre = np.column_stack([distance * np.cos(polar), distance * np.sin(polar)])
    tangent = CubicSpline(distance, centre)(distance, 1)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    points = centre - ROLLER * np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return [(round(u, 3), round(v, 3)) for u, v in points * 1e3]


def quoted(text: str) -> str:
    return f'"{text}"'


def part(name: str, description: str, basis: str, price: str, stock: int, source: str, *lines: str) -> str:
    head = [
        f"- id: {quoted(name)}",
        f"  description: {quoted(description)}",
        f"  source: {quoted(source)}",
        f"  basis: {basis}",
    ]
    head += [f"  price: {quoted(price)}"] if price else []
    return "\n".join([*head, f"  stock: {stock}", *(f"  {line}" for line in lines)])


def write(family: str, note: str, parts: list[str]) -> None:
    text = f"# {note}\n# Invented for the demo; not data of any real part.\nfamily: {family}\nparts:\n"
    body = "\n".join("\n".join("  " + line if line else line for line in p.splitlines()) for p in parts)
    (PARTS / f"{family}.yaml").write_text(text + body + "\n", encoding="utf-8")


LEDGER = "invented ledger of the Quernmoor bench"
DRIVE_FIT = ['fits: ["quern-drive"]']
COIL = ['outer_diameter: "68 mm"', 'inner_diameter: "56 mm"', 'solid_length: "29 mm"']


def lbf(newton: float) -> str:
    return f"{newton / 4.4482216:.1f} lbf"


def drive_springs() -> list[str]:
    woods = "alder ash aspen beech birch bramble cherry elder elm hawthorn hazel holly hornbeam juniper larch".split()
    out = []
    # installed load, full-shift load over 24 mm, pocket length 66 mm
    grid = [(a, a + b) for a in (380, 430, 480, 530, 580) for b in (380, 520, 660)]
    for number, (name, (first, last)) in enumerate(zip(woods, grid, strict=True)):
        words = f"drive spring, {first} N installed, {last} N at full shift"
        rate = (last - first) / 24.0  # N/mm
        if number % 3 == 0:
            form = [f'marked: {{installed: "{lbf(first)}", full_shift: "{lbf(last)}"}}', *COIL]
        elif number % 3 == 1:
            free = 66 + first / rate
            form = [
                f'linear: {{rate: "{rate:.3f} N/mm", free_length: "{free:.2f} mm", installed_length: "66 mm"}}',
                *COIL,
            ]
        else:
            rows = [(66 - 6 * i, first + rate * 6 * i + (0, 3, 2, 4, 0)[i]) for i in range(5)]
            table = ", ".join(f'{{length: "{a} mm", load: "{b:.0f} N"}}' for a, b in rows)
            form = [f"table: [{table}]", *COIL]
        basis = "measured" if number % 3 == 2 else "datasheet"
        out.append(part(name, words, basis, f"{24 + number % 5}.50 EUR", number % 4, LEDGER, *DRIVE_FIT, *form))

    def wire(d: float, mean: float, active: float, free: float, material: str = "chrome-silicon") -> str:
        return (
            f'wire: {{diameter: "{d} mm", mean_diameter: "{mean} mm", active_coils: {active}, '
            f'total_coils: {active + 2}, free_length: "{free} mm", material: {material}}}'
        )

    for name, d, active, free in [
        ("maple", 5.2, 3.2, 88.0), ("oak", 5.4, 3.4, 90.0), ("osier", 5.0, 3.0, 92.0), ("pine", 5.3, 2.9, 85.0),
        ("poplar", 5.5, 3.6, 89.0),
    ]:  # fmt: skip
        words = f"drive spring of {d} mm wire, {active} active coils"
        out.append(part(name, words, "datasheet", "27.00 EUR", 2, LEDGER, *DRIVE_FIT, wire(d, 62, active, free)))
    out.append(part("rowan", "drive spring of thin wire: overstressed", "datasheet", "19.00 EUR", 1, LEDGER,
                    *DRIVE_FIT, wire(4.2, 62, 1.1, 92.0, "hard-drawn")))  # fmt: skip
    out.append(part("sallow", "drive spring with many coils: binds", "datasheet", "22.00 EUR", 3, LEDGER,
                    *DRIVE_FIT, wire(5.6, 62, 5.9, 104.0)))  # fmt: skip
    out.append(part("spruce", "drive spring of the larger clutch", "datasheet", "31.00 EUR", 0, LEDGER,
                    'fits: ["loam-drive"]', 'marked: {installed: "560 N", full_shift: "1150 N"}',
                    'outer_diameter: "82 mm"', 'inner_diameter: "69 mm"', 'solid_length: "30 mm"'))  # fmt: skip
    out.append(part("willow", "drive spring too wide for the pocket", "estimated", "25.00 EUR", 1, LEDGER, *DRIVE_FIT,
                    'marked: {installed: "500 N", full_shift: "1000 N"}',
                    'outer_diameter: "74 mm"', 'inner_diameter: "62 mm"', 'solid_length: "28 mm"'))  # fmt: skip
    return out


def flyweights() -> list[str]:
    seats = {
        "heel": ('"m6"', "14 mm"), "mid": ('"m6"', "20 mm"), "tip": ('"m5"', "16 mm"),
    }  # fmt: skip

    def stations(names: tuple[str, ...] = ("heel", "mid", "tip"), must: str = "") -> list[str]:
        lines = ["stations:"]
        for name in names:
            (along, across), (seat, depth) = SEATS[name], seats[name]
            empty = ", may_be_empty: false" if name == must else ""
            lines.append(
                f'  {name}: {{along: "{along * 1e3:g} mm", across: "{across * 1e3:g} mm", seat: {seat}, '
                f'depth: "{depth}"{empty}}}'
            )
        return lines

    def arm(
        thrust: tuple[float, ...], angle: float = 0.2, mass: float = BODY[0], cut: int = 0, way: str = "two"
    ) -> list[str]:
        """Arms whose body is told in one of the ways a workshop has: both radii of gyration, a pendulum, an outline."""
        centre = f'mass: "{mass * 1e3:g} g", along: "{BODY[1] * 1e3:g} mm", across: "{BODY[2] * 1e3:g} mm"'
        if way == "outline":
            bare = outline_body(np.array(OUTLINE) * 1e-3, mass)
            corners = ", ".join(f"[{u}, {v}]" for u, v in OUTLINE)
            told = [f'body: {{mass: "{mass * 1e3:g} g", outline: {{unit: mm, points: [{corners}]}}}}']
        elif way == "pendulum":
            distance = float(np.hypot(*BODY[1:]))
            period = round(2 * np.pi * GYRATION[0] / np.sqrt(9.80665 * distance), 3)
            bare = body_on_line(mass, *BODY[1:], gyration_of_pendulum(period, distance))
            told = [f'body: {{{centre}, pendulum: "{period} s"}}']
        else:
            bare = body_on_line(mass, *BODY[1:], *GYRATION)
            both = ", ".join(f'"{k * 1e3:g} mm"' for k in GYRATION)
            told = [f"body: {{{centre}, gyration: [{both}]}}"]
        points = face(np.array(thrust), angle, bare)
        points = points[: len(points) - cut]
        rows = ["  unit: mm", "  points:", *(f"    - [{u}, {v}]" for u, v in points)]
        return [*told, "profile:", *rows]

    def fitting(pin: str = "8 mm", roller: str = "15 mm", count: int = 3, fits: str = "quern-drive") -> list[str]:
        return [f'fits: ["{fits}"]', f"count: {count}", f'pin_diameter: "{pin}"', f'roller_diameter: "{roller}"']

    made = [
        # thrust at target speed with the nominal masses, at 0, 1/3, 2/3 and full travel
        ("cradle", "even push, a little more at the start", (4700, 4130, 3990, 4030)),
        ("crook", "strong start, falling to shift-out", (5000, 4200, 3850, 3720)),
        ("sickle", "soft start, growing to shift-out", (4350, 4000, 4080, 4380)),
        ("scythe", "strong at both ends", (4900, 4020, 3920, 4180)),
        ("adze", "level push over the whole shift", (4350, 4200, 4110, 4060)),
    ]
    ways = {"scythe": "outline", "adze": "pendulum"}
    out = [
        part(name, f"arms, {words}", "measured", f"{96 + 4 * i}.00 EUR", i % 3 + 1, LEDGER, *fitting(),
             *arm(thrust, way=ways.get(name, "two")), *stations())
        for i, (name, words, thrust) in enumerate(made)
    ]  # fmt: skip
    travel = [0, 6, 12, 18, 24.5]
    bare = [2740, 2430, 2340, 2350, 2370]
    per = {
        "heel": [14.0, 13.2, 12.8, 12.5, 12.2],
        "mid": [37.0, 35.0, 34.2, 33.6, 33.0],
        "tip": [56.0, 53.5, 52.5, 51.8, 51.0],
    }
    rows = [f"    {s}: [{', '.join(chr(34) + f'{v} N/g' + chr(34) for v in values)}]" for s, values in per.items()]
    table = [
        "thrust:", '  speed: "6950 rpm"', f'  travel: [{", ".join(chr(34) + f"{v} mm" + chr(34) for v in travel)}]',
        f'  bare: [{", ".join(chr(34) + f"{v} N" + chr(34) for v in bare)}]', "  per_mass:", *rows,
    ]  # fmt: skip
    out.append(part("yoke", "arms known by a bench table only", "measured", "104.00 EUR", 1,
                    "invented thrust bench sheet", *fitting(), *table, *stations()))  # fmt: skip
    out.append(part("flail", "arms that need a tip mass", "datasheet", "99.00 EUR", 0, LEDGER, *fitting(),
                    *arm((4850, 4210, 4020, 3960), mass=0.060), *stations(must="tip")))  # fmt: skip
    out.append(part("mattock", "arms with a face cut short: the roller runs off", "estimated", "60.00 EUR", 1, LEDGER,
                    *fitting(), *arm((5050, 4420, 4280, 4330), cut=3), *stations()))  # fmt: skip
    out.append(part("harrow", "arms for four pins", "datasheet", "120.00 EUR", 1, LEDGER, *fitting(count=4),
                    *arm((5050, 4420, 4280, 4330)), *stations()))  # fmt: skip
    return out


def masses() -> list[str]:
    out = []
    for station, seat, sizes in [
        ("heel", "m6", (4, 6, 8, 10, 12, 18)), ("mid", "m6", (5, 7, 9, 11, 13, 16)), ("tip", "m5", (6, 8, 10, 12, 14, 17)),
    ]:  # fmt: skip
        for size in sizes:
            length = 4 + 0.75 * size
            thread = "m5" if (station, size) == ("mid", 16) else seat
            words = f"matched set of 3, {size} g each, for the {station}"
            out.append(part(f"{station}-{size}-g", words, "measured", f"{9 + size / 2:.2f} EUR", 1 + size % 3,
                            "invented scale sheet, sets matched to 0.1 g", f"stations: [{station}]", f'seat: "{thread}"',
                            f'length: "{length:g} mm"', f'mass: "{size} g"'))  # fmt: skip
    return out


def helices() -> list[str]:
    out = []

    def helix(name: str, words: str, angle: str, *more: str, fits: str = "quern-driven", roller: str = "12 mm",
              travel: str = "24 mm", price: str = "78.00 EUR", stock: int = 1) -> None:  # fmt: skip
        out.append(part(name, words, "datasheet", price, stock, LEDGER, f'fits: ["{fits}"]', 'radius: "42 mm"',
                        f'travel: "{travel}"', f'roller_diameter: "{roller}"', angle, *more))  # fmt: skip

    steps = 'twist_steps: ["20 deg", "40 deg", "60 deg"]'
    for degrees in (34, 36, 38, 40, 42, 44, 46):
        helix(f"ramp-{degrees}", f"one angle, {degrees} deg", f'angle: "{degrees} deg"', steps, stock=degrees % 3)
    for first, last in [
        (46, 38),
        (44, 36),
        (42, 34),
        (40, 34),
        (44, 40),
        (42, 38),
        (40, 36),
        (38, 34),
        (48, 40),
        (36, 40),
    ]:
        helix(f"ramp-{first}-{last}", f"{first} deg falling evenly to {last} deg" if first > last else
              f"{first} deg rising evenly to {last} deg",
              f'ramp: [{{travel: "0 mm", angle: "{first} deg"}}, {{travel: "21 mm", angle: "{last} deg"}}]', steps,
              price="92.00 EUR", stock=(first + last) % 4)  # fmt: skip
    for first, middle, last in [(47, 40, 39), (45, 38, 37), (43, 37, 36)]:
        helix(f"ramp-{first}-{middle}-{last}", f"{first} deg, {middle} deg from 8 mm, {last} deg at the end",
              f'ramp: [{{travel: "0 mm", angle: "{first} deg"}}, {{travel: "8 mm", angle: "{middle} deg"}}, '
              f'{{travel: "21 mm", angle: "{last} deg"}}]', 'twist_range: ["10 deg", "60 deg"]', price="118.00 EUR")  # fmt: skip
    helix("ramp-flat-start", "flat first step: locks itself",
          'ramp: [{travel: "0 mm", angle: "0.5 deg"}, {travel: "4 mm", angle: "38 deg"}]', steps)  # fmt: skip
    helix("ramp-40-short", "40 deg, ends early", 'angle: "40 deg"', steps, travel="18 mm")
    helix("ramp-40-wide", "40 deg for a wide roller", 'angle: "40 deg"', steps, roller="16 mm")
    helix("ramp-40-loam", "40 deg for the larger clutch", 'angle: "40 deg"', steps, fits="loam-driven", stock=0)
    return out


def driven_springs() -> list[str]:
    birds = "bittern bunting chough corncrake curlew dipper dotterel dunlin fieldfare finch gannet goosander".split()
    body = ['outer_diameter: "70 mm"', 'inner_diameter: "58 mm"', 'solid_length: "30 mm"']
    fits = 'fits: ["quern-driven"]'
    out = []
    grid = [(a, a + b) for a in (640, 760, 880, 1000) for b in (360, 520, 680)]
    for number, (name, (first, last)) in enumerate(zip(birds, grid, strict=True)):
        words = f"driven spring, {first} N installed, {last} N at full shift"
        rate = (last - first) / 20.7
        if number % 2:
            form = f'linear: {{rate: "{rate / 0.1751268:.1f} lbf/in", free_length: "{70 + first / rate:.2f} mm", installed_length: "70 mm"}}'
        else:
            form = (
                f'marked: {{installed: "{first} N", full_shift: "{last} N", installed_length: "70 mm", '
                'full_shift_length: "49.3 mm"}'
            )
        out.append(part(name, words, "datasheet", f"{26 + number % 4}.00 EUR", number % 3, LEDGER, fits,
                        "kind: compression", form, *body))  # fmt: skip
    torsion = [
        ("grebe", 260, 420, 0.28), ("harrier", 330, 500, 0.28), ("heron", 200, 340, 0.36), ("hobby", 290, 430, 0.36),
        ("jackdaw", 380, 560, 0.32), ("kestrel", 430, 600, 0.24), ("knot", 170, 300, 0.38), ("lapwing", 480, 640, 0.24),
    ]  # fmt: skip
    for number, (name, first, last, rate) in enumerate(torsion):
        words = f"torsion spring, {first} N installed, {last} N at full shift, {rate} N m/deg"
        out.append(part(name, words, "measured", f"{33 + number}.00 EUR", 1 + number % 2, LEDGER, fits, "kind: torsion",
                        f'marked: {{installed: "{first} N", full_shift: "{last} N"}}', f'torsion_rate: "{rate} N m/deg"',
                        *body))  # fmt: skip
    wire = (
        'wire: {{diameter: "{} mm", mean_diameter: "64 mm", active_coils: {}, total_coils: {}, free_length: "{} mm", '
        "material: {}}}"
    )
    out.append(part("merlin", "torsion spring of 5.6 mm wire", "datasheet", "38.00 EUR", 1, LEDGER, fits, "kind: torsion",
                    wire.format(5.6, 4.0, 6.0, 101, "chrome-silicon")))  # fmt: skip
    out.append(part("ouzel", "torsion spring of thin wire: overstressed when wound", "datasheet", "21.00 EUR", 2, LEDGER,
                    fits, "kind: torsion", wire.format(4.6, 1.4, 3.4, 100, "hard-drawn")))  # fmt: skip
    out.append(part("pipit", "driven spring with many coils: binds", "datasheet", "24.00 EUR", 2, LEDGER, fits,
                    "kind: compression", wire.format(5.8, 6.4, 8.4, 122, "oil-tempered")))  # fmt: skip
    out.append(part("plover", "driven spring of the larger clutch", "datasheet", "30.00 EUR", 0, LEDGER,
                    'fits: ["loam-driven"]', "kind: compression", 'marked: {installed: "900 N", full_shift: "1500 N"}',
                    'outer_diameter: "84 mm"', 'inner_diameter: "72 mm"', 'solid_length: "31 mm"'))  # fmt: skip
    return out


def belts() -> list[str]:
    loss = 'losses: {bending: "1.2 N m", wedging: 0.017, stretch_stiffness: "160 kN", wedge_stiffness: "60 MPa"}'
    soft = 'losses: {bending: "1.4 N m", wedging: 0.021, stretch_stiffness: "150 kN", wedge_stiffness: "52 MPa"}'
    return [
        part("scree-belt", "the fitted belt, 34 mm top width", "estimated", "139.00 EUR", 2,
             "invented; friction 0.35 and losses as common practice, no source; no measured map exists",
             'fits: ["quern-drive", "quern-driven"]', 'pitch_length: "995 mm"', 'half_angle: "13 deg"',
             'mass_per_length: "0.42 kg/m"', 'max_tension: "4.4 kN"', "friction: 0.35", "kinetic_friction: 0.33",
             'top_width: "34 mm"', 'max_temperature: "110 degC"', loss),
        part("scree-belt-short", "a belt too short for this machine", "example", "139.00 EUR", 0, "invented",
             'fits: ["quern-drive", "quern-driven"]', 'pitch_length: "815 mm"', 'half_angle: "13 deg"',
             'mass_per_length: "0.42 kg/m"', 'max_tension: "4.4 kN"', "friction: 0.35", loss),
        part("scree-belt-soft", "a softer compound: more grip, more loss", "estimated", "152.00 EUR", 1,
             "invented; friction and losses as common practice, no source; no measured map exists",
             'fits: ["quern-drive", "quern-driven"]', 'pitch_length: "994 mm"', 'half_angle: "13 deg"',
             'mass_per_length: "0.43 kg/m"', 'max_tension: "4.2 kN"', "friction: 0.39", "kinetic_friction: 0.36",
             'top_width: "33.8 mm"', 'max_temperature: "105 degC"', soft),
    ]  # fmt: skip


if __name__ == "__main__":
    write("drive_springs", "Drive springs: installed at 66 mm, 24.0 mm of travel.", drive_springs())
    write("flyweights", "Flyweight arms, sets matched to 0.2 g.", flyweights())
    write("masses", "Tuning masses, matched sets of three.", masses())
    write("helices", "Helices; angles from the plane of rotation.", helices())
    write("driven_springs", "Driven springs: installed at 70 mm, 20.7 mm of travel.", driven_springs())
    write("belts", "Belts.", belts())
