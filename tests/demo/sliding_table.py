"""Writes solver/sliding_table.csv: active arcs and thrusts of the full sliding-angle theory. Takes some seconds.

python tests/demo/sliding_table.py
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from solver.belt_sliding import active_arc

FILE = Path(__file__).parents[2] / "solver" / "sliding_table.csv"
FRICTION = np.array([0.15, 0.16, 0.17, 0.18, 0.19, 0.2, 0.215, 0.23, 0.25, 0.275, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6])
HALF_ANGLE = np.radians([10, 11, 12, 13, 14, 15, 16])
ROOT_LOG = np.concatenate([[0.0], np.linspace(0.1, np.sqrt(np.log(22.0)), 24)])


def rows() -> list[str]:
    out = []
    arcs = {
        (mu, b, pulley): active_arc(np.exp(ROOT_LOG[1:] ** 2), b, mu, 1.0, pulley)
        for mu in FRICTION
        for b in HALF_ANGLE
        for pulley in ("drive", "driven")
    }
    for n, root in enumerate(ROOT_LOG):
        for mu in FRICTION:
            for b in HALF_ANGLE:
                pair = [arcs[mu, b, pulley] for pulley in ("drive", "driven")]
                values = [v for arc in pair for v in ((0.0, 0.0) if n == 0 else (arc.arc[n - 1], arc.thrust[n - 1]))]
                out.append(f"{root:.9f},{mu:.9f},{b:.9f}," + ",".join(f"{v:.6f}" for v in values))
    return out


if __name__ == "__main__":
    head = [
        "# Active arc (rad) and its thrust over entry tension (-), compliance 1; from tests/demo/sliding_table.py.",
        "# Columns 1-3: sqrt(ln tension ratio), flank friction, half groove angle (rad).",
        "root_log,friction,half_angle,drive_arc,drive_thrust,driven_arc,driven_thrust",
    ]
    FILE.write_text("\n".join([*head, *rows()]) + "\n", encoding="utf-8")
