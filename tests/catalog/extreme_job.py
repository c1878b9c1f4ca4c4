"""A small job whose files use every numeric field once, and a walk over the limits of all of them."""

from __future__ import annotations

import json
import math
import shutil
import types
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Union, get_args, get_origin

import yaml
from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel

from catalog.jobfile import JobFile
from catalog.machine import Machine
from catalog.parts import FAMILIES
from catalog.quantities import Reader
from catalog.shelf import DEMO_PARTS

CONFIGS = Path(__file__).parents[2] / "configs"
Documents = dict[str, Any]


@dataclass(frozen=True)
class Number:
    """A numeric field: file and keys to it ("*" for every entry of a list), its unit, and its limits in SI."""

    file: str
    keys: tuple[str, ...]
    unit: str | None
    low: float
    high: float

    def text(self, value: float) -> object:
        """The value as the file would hold it; whole numbers for fields that are counted."""
        if self.unit is None:
            return int(value) if float(value).is_integer() else value
        return value if self.unit == "1" else f"{value!r} {self.unit}"


def numbers() -> list[Number]:
    """Every numeric field of every model."""
    models: dict[str, type[BaseModel]] = {"job.yaml": JobFile, "machine.yaml": Machine}
    found = [number for file, model in models.items() for number in _of_model(model, file, ())]
    for family, part in FAMILIES.items():
        found += _of_model(part, f"parts/{family}.yaml", ("parts", "*"))
    return found


def _limit(mark: Any) -> float:
    return float(next(getattr(mark, name) for name in ("ge", "gt", "le", "lt") if hasattr(mark, name)))


def _of_model(model: type[BaseModel], file: str, keys: tuple[str, ...]) -> Iterator[Number]:
    for name, field in model.model_fields.items():
        yield from _of_annotation(field.annotation, list(field.metadata), file, (*keys, name))


def _of_annotation(annotation: Any, metadata: list[Any], file: str, keys: tuple[str, ...]) -> Iterator[Number]:
    if hasattr(annotation, "__metadata__"):
        yield from _of_annotation(annotation.__origin__, [*annotation.__metadata__, *metadata], file, keys)
        return
    origin, inside = get_origin(annotation), get_args(annotation)
    if isinstance(annotation, type) and origin is None and issubclass(annotation, BaseModel):
        yield from _of_model(annotation, file, keys)
    elif annotation in (int, float):
        readers = [r for m in metadata if isinstance(r := getattr(getattr(m, "func", None), "__self__", None), Reader)]
        if readers:
            (reader,) = readers
            lows = [limit.value for limit in reader.limits if limit.words in ("above", "at least", "zero or at least")]
            highs = [limit.value for limit in reader.limits if limit.words in ("below", "at most")]
            yield Number(file, keys, reader.unit, max(lows, default=-math.inf), min(highs, default=math.inf))
        else:
            lows = [_limit(m) for m in _flat(metadata) if isinstance(m, (Ge, Gt))]
            highs = [_limit(m) for m in _flat(metadata) if isinstance(m, (Le, Lt))]
            yield Number(file, keys, None, max(lows, default=-math.inf), min(highs, default=math.inf))
    elif origin in (Union, types.UnionType):
        for option in inside:
            yield from _of_annotation(option, metadata if option in (int, float) else [], file, keys)
    elif origin is dict:
        yield from _of_annotation(inside[1], [], file, (*keys, "*"))
    elif origin in (list, tuple):
        for option in dict.fromkeys(inside):
            if option is not ...:
                yield from _of_annotation(option, [], file, (*keys, "*"))


def _flat(metadata: list[Any]) -> Iterator[Any]:
    for item in metadata:
        yield from getattr(item, "metadata", [item])


def leaves(data: Any, keys: tuple[str, ...]) -> Iterator[tuple[Any, Any]]:
    """Container and key of every value that the keys mean."""
    step, rest = keys[0], keys[1:]
    if step == "*":
        steps: list[Any] = list(range(len(data))) if isinstance(data, list) else list(data)
    else:
        steps = [step] if isinstance(data, dict) and data.get(step) is not None else []
    for each in steps:
        if rest:
            yield from leaves(data[each], rest)
        elif not isinstance(data[each], (dict, list)):
            yield data, each


_PART = {"description": "made up", "source": "made up", "basis": "example", "price": "10.00 EUR", "stock": 1}
_COIL = {"outer_diameter": "69 mm", "inner_diameter": "57 mm", "solid_length": "29 mm"}


def documents(*, plain: bool = False) -> Documents:
    """The files of the job: the demo's with few parts, and parts that state what the demo's do not.

    Where the machine may say one number or several, it says several; `plain` makes it say one.
    """
    spec = yaml.safe_load((CONFIGS / "rescue.yaml").read_text(encoding="utf-8"))
    kept = {spec["belt"], *spec["fitted"].values()}
    files: Documents = {"machine.yaml": yaml.safe_load((CONFIGS / "machine.yaml").read_text(encoding="utf-8"))}
    for path in DEMO_PARTS.glob("*.yaml"):
        file = yaml.safe_load(path.read_text(encoding="utf-8"))
        file["parts"] = [part for part in file["parts"] if part["id"] in kept]
        files[f"parts/{path.name}"] = file
    files["machine.yaml"]["engine"]["target_speed"] = "7200 rpm"
    machine = files["machine.yaml"]
    machine["engine"]["holds_power_to"] = "800 m"
    machine["drive_clutch"] |= {"pivot_friction": 0.03, "bush_friction": 0.02, "guide_friction": 0.02}
    machine["drive_clutch"] |= {"guide_radius": "45 mm", "torque_share": "50 %"}
    machine["driven_clutch"] |= {"torque_share": "50 %", "bush_friction": 0.02}
    machine |= {"reduction": 11.4, "belt_cooling": "60 W/K", "belt_width": "32 mm"}
    if not plain:
        machine |= {"reduction": {"high": 11.4, "low": 20.0}}
        machine |= {"belt_cooling": {"conductance": "60 W/K", "at": "7000 rpm"}}
    belt = files["parts/belts.yaml"]["parts"][0]
    belt |= {"seating": "90 %", "kinetic_friction": 0.3, "top_width": "31.5 mm", "max_temperature": "200 degC"}
    spec |= {"catalogue": ["parts"], "grid": {"positions": 5}}
    spec["grid"]["twist_step"] = "20 deg"
    spec["grounds"] = [ground | {"starts": "1 /min"} for ground in spec["grounds"][:2]]
    spec["grounds"][0]["target"] = "7000 rpm"
    spec["grounds"][0]["share"], spec["grounds"][1]["share"] = "50 %", "50 %"
    spec["limits"] |= {"idle_clearance": "300 rpm", "engine_speed": "7650 rpm", "spring_stress": "60 %"}
    spec["limits"] |= {"coil_clearance": "1 mm", "belt_margin": "-20 %", "budget": "400.00 EUR"}
    spec["limits"]["belt_temperature"] = "250 degC"
    spec["fitted"] |= {"driven_spring": "wound", "helix": "stepped", "twist": "40 deg"}
    files["job.yaml"] = spec
    drive, driven = {"fits": ["quern-drive"]}, {"fits": ["quern-driven"]}
    line = {"rate": "20 N/mm", "free_length": "90 mm", "installed_length": "66 mm"}
    marks = {"installed": "480 N", "full_shift": "960 N"}
    lengths = {"installed_length": "66 mm", "full_shift_length": "42 mm"}
    rows = [{"length": f"{66 - 6 * n} mm", "load": f"{480 + 120 * n} N"} for n in range(5)]
    wire = {"diameter": "5.5 mm", "mean_diameter": "63 mm", "active_coils": 4, "total_coils": 6}
    wire |= {"free_length": "90 mm", "material": "chrome-silicon"}
    coil = {"diameter": "5 mm", "mean_diameter": "63 mm", "active_coils": 4, "total_coils": 6}
    coil |= {"free_length": "100 mm", "material": "chrome-silicon"}
    files["parts/drive_springs.yaml"]["parts"] += [
        _PART | drive | _COIL | {"id": "by-rate", "linear": line},
        _PART | drive | _COIL | {"id": "by-marks", "marked": marks | lengths},
        _PART | drive | _COIL | {"id": "by-table", "table": rows},
        _PART | drive | {"id": "by-wire", "wire": wire},
    ]
    files["parts/driven_springs.yaml"]["parts"] += [
        _PART | driven | {"id": "wound", "kind": "torsion", "wire": coil},
        _PART | driven | _COIL | {"id": "by-hand", "kind": "torsion", "torsion_rate": "0.35 N m/deg"} | {
            "linear": line | {"installed_length": "70 mm", "free_length": "100 mm"}},
        _PART | driven | _COIL | {"id": "by-load", "kind": "compression", "marked": marks},
        _PART | driven | _COIL | {"id": "by-rows", "kind": "compression", "table": rows},
    ]  # fmt: skip
    helix = _PART | driven | {"radius": "42 mm", "travel": "30 mm", "roller_diameter": "12 mm"}
    ramp = [{"travel": "0 mm", "angle": "46 deg"}, {"travel": "24 mm", "angle": "38 deg"}]
    files["parts/helices.yaml"]["parts"] += [
        helix | {"id": "stepped", "angle": "42 deg", "twist_steps": ["20 deg", "40 deg"]},
        helix | {"id": "curved", "ramp": ramp, "twist_range": ["20 deg", "60 deg"]},
    ]
    bench: dict[str, Any] = {"speed": "7000 rpm", "friction_band": "5 %", "travel": ["0 mm", "13 mm", "26 mm"]}
    bench |= {"bare": ["1.5 kN", "2 kN", "2.5 kN"]}
    bench |= {"per_mass": {seat: ["40 N/g", "50 N/g", "60 N/g"] for seat in ("heel", "mid", "tip")}}
    arms = files["parts/flyweights.yaml"]["parts"]
    middle = {"mass": "64 g", "along": "35 mm", "across": "-6 mm"}  # and nothing of how it is spread
    arms[0]["body"] = middle
    same = {key: arms[0][key] for key in ("fits", "count", "pin_diameter", "roller_diameter", "stations")}
    arms.append(_PART | same | {"id": "benched", "thrust": bench})
    plate = {"unit": "mm", "points": [[-6, 5], [-6, -6], [30, -14], [62, -18], [62, -8], [20, 4]]}
    bodies: dict[str, Any] = {"by-outline": {"outline": plate, "thickness": "8 mm", "density": "7850 kg/m^3"}}
    bodies["by-gyration"] = middle | {"gyration": ["42 mm", "8 mm"]}
    bodies["by-pendulum"] = middle | {"pendulum": "0.42 s"}
    bodies["by-length"] = middle | {"length": "60 mm"}
    arms += [_PART | same | {"id": name, "profile": arms[0]["profile"], "body": body} for name, body in bodies.items()]
    return files


def write(files: Documents, folder: Path) -> Path:
    """Write the files and return the job's."""
    (folder / "parts").mkdir(exist_ok=True)
    shutil.copy(CONFIGS / "engine.csv", folder)
    for name, data in files.items():
        (folder / name).write_text(json.dumps(data), encoding="utf-8")
    return folder / "job.yaml"
