"""Every step of the worked kits, printed.

python tests/worked/sheet.py
"""

from __future__ import annotations

import clutches
import formulas as f
import given
import kits
import numpy as np
from given import KMH, RPM
from kits import DEG, MM


def show(case: kits.Case) -> None:
    kit, fitted, terms = kits.work_out(case)
    p = kit.path

    def row(words: str, values, digits: int = 2) -> None:
        print(f"   {words:<34}" + "".join(f"{float(value):11.{digits}f}" for value in values))

    print(f"\n=== {case.name} ===")
    print(f"1  Peak power {kit.engine.peak_power:.2f} W at {kit.engine.peak_speed / RPM:.3f} rpm")
    print(f"2  Shift begins with the {p.begins_at}, ends with the {p.ends_at}")
    row("s", p.s, 4)
    row("R1, mm", p.r1 / MM, 4)
    row("R2, mm", p.r2 / MM, 4)
    row("ratio", p.ratio, 4)
    row("x1, mm", p.x1 / MM, 4)
    row("x2, mm", p.x2 / MM, 4)
    print("3  Springs and ramp")
    row("K, N", kit.drive_loads)
    row("driven spring, N", kit.driven_loads)
    for branch, name in enumerate(("up", "back")):
        row(f"P {name}, N", [place.fixed for place in kit.places[branch]])
        row(f"Q {name}", [place.per_pull for place in kit.places[branch]], 4)
    print("4  Flyweights, thrust / w^2, N s^2 x 1e-3")
    if isinstance(case.kit.arms, given.PivotArms):
        row("arm angle, deg", [clutches.arm_angle(case.kit.arms, x) / DEG for x in p.x1], 4)
    row("without friction", [1e3 * t.free for t in kit.thrusts], 5)
    row("up", [1e3 * t.up for t in kit.thrusts], 5)
    row("back", [1e3 * t.back for t in kit.thrusts], 5)
    print("5  Belt on the upshift at full torque of the peak-power speed")
    pulls = [kit.engine.torque(kit.engine.peak_speed) / place.r1 for place in kit.places[0]]
    row("D, N", pulls)
    row("T1', N", [clutches.tensions(place, pull)[0] for place, pull in zip(kit.places[0], pulls, strict=True)])
    row("c_slip", [clutches.slip_thrust(place) for place in kit.places[0]], 4)
    for word, which in (("drive", 0), ("driven", 1)):
        row(
            f"reserve of the {word} sheave, %",
            [
                100 * clutches.slip_reserves(place, pull)[which]
                for place, pull in zip(kit.places[0], pulls, strict=True)
            ],
        )
    print("8  Balance at full torque, rpm")
    row("up", kit.curve[0] / RPM)
    row("back", kit.curve[1] / RPM)
    print("7  Time on each ground")
    for number, ground in enumerate(case.grounds):
        low, high = kit.duty.ranges[number]
        print(
            f"   {ground.name}: target {kit.duty.targets[number] / RPM:.2f} rpm,"
            f" {low / KMH:.2f} to {high / KMH:.2f} km/h,"
            f" run-up {kit.duty.run_up_times[number]:.3f} s, cycle {kit.duty.cycle_times[number]:.3f} s,"
            f" cut {kit.duty.cuts[number]:.4f}"
        )
        for branch, name in enumerate(("up", "back")):
            weights = np.zeros(len(p.s))
            for visit in kit.duty.visits:
                if (visit.ground, visit.branch) == (number, branch):
                    weights[visit.position] += visit.weight
            row(f"weight {name}, %", 100 * weights, 4)
        row("sweeps, 1/s x 1e-3", 1e3 * kit.duty.sweeps[number], 4)
    print("9  Grounds")
    for number, (ground, line) in enumerate(zip(case.grounds, kit.grounds, strict=True)):
        numbers = ", ".join(f"{key} {value:.3f}" for key, value in line.items())
        print(f"   {ground.name}: {numbers}, belt {kit.temperatures[number]:.3f} degC")
    print(f"   Margin bound by the {kit.binding}")
    print("   Spring loss, W: " + ", ".join(f"{key} {value:.4f}" for key, value in kit.spring_loss_parts.items()))
    print(
        "   Life: tension {:.4f}, slip {:.4f} of the fitted kit's".format(
            *(mine / its for mine, its in zip(kit.wear, fitted.wear, strict=True))
        )
    )
    print("10 Terms: " + ", ".join(f"{key} {value:.6f}" for key, value in terms.items()))
    print("11 Pulling away")
    for torque in (1.0, 0.25):
        for ground in case.grounds:
            away = f.pulling_away(kit, ground, torque)
            print(
                f"   {torque:.0%} torque, {ground.name}: takes up at {away.take_up / RPM:.3f} rpm, locks at"
                f" {away.lock_up / KMH:.3f} km/h after {away.seconds:.2f} s and {away.heat / 1e3:.3f} kJ"
            )


def main() -> None:
    for case in kits.CASES:
        show(case)


if __name__ == "__main__":
    main()
