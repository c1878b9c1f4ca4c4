"""How small and how large a quantity of any machine may be: one table, from which every field takes its outer limits.

The ranges are generous: ten times and more beyond any off-road machine, so that odd units and toys pass; what they keep
out are slips of the pen (1e30 kg) with which sums overflow further on. A field may set limits of its own instead.
"""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["RANGES"]

# SI unit -> least size of a value that is not zero, and largest size.
RANGES: Mapping[str, tuple[float, float]] = {
    "1": (1e-6, 1e4),
    "m": (1e-5, 10.0),
    "m^2": (1e-4, 100.0),
    "N": (1e-3, 1e6),
    "N/m": (1.0, 1e9),
    "rad": (1e-3, 100.0),
    "kg": (1e-6, 100.0),
    "s": (1e-3, 1e6),
    "rad/s": (0.1, 1e4),
    "N m": (1e-3, 1e5),
    "N m/rad": (1e-3, 1e6),
    "W": (0.1, 1e8),
    "W/K": (1.0, 1e5),
    "N/kg": (1e-3, 1e7),
    "N/m^2": (1e4, 1e12),
    "K": (100.0, 1e3),
    "Pa": (1.0, 1e12),
    "m/s": (1e-3, 1e3),
    "kg/m": (1e-3, 100.0),
    "kg/m^3": (1e-3, 1e5),
    "kg m^2": (1e-6, 1e3),
    "1/s": (1e-6, 1e3),
}
