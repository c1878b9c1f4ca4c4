"""An invented machine for the solver's own tests: belt path, belt at its points, engine, and one arm."""

from types import SimpleNamespace

import numpy as np
import pytest

from solver.belt_path import shift_path
from solver.engine import EngineCurve
from solver.grip import grip
from solver.points import along
from solver.side_load import Bushes


@pytest.fixture(scope="session")
def machine():
    """Path, belt and engine; numbers of common size."""
    half_angle, friction = np.radians(13.5), 0.35
    path = shift_path(np.linspace(0, 1, 12), 0.036, 0.090, 1.055, 0.268, half_angle)
    bushes = Bushes(drive=0.06, driven=0.08, guide=0.10, guide_radius=0.05, torque_share=0.5)
    points = along(12)  # of both branches at full torque
    return SimpleNamespace(
        half_angle=half_angle,
        friction=friction,
        path=path,
        points=points,
        belt=grip(path, half_angle, friction).at(points),
        rough=grip(path, half_angle, friction, bushes=bushes).at(points),  # sheaves that rub on their shafts
        bushes=bushes,
        engine=EngineCurve(np.linspace(200, 900, 8), np.array([38.0, 52, 61, 66, 67, 63, 52, 36])),
        steady=EngineCurve(np.linspace(200, 900, 8), np.full(8, 55.0)),  # the same torque at every speed
    )


@pytest.fixture(scope="session")
def arm():
    """A bulging face, an arc of a circle, so that its offset by the roller is an arc about the same middle."""
    bulge, start = 0.058, np.array([0.0282, -0.0099])  # m
    lean = np.linspace(0.70, 1.22, 61)  # of the contact normal, from across the arm towards its tip
    middle = start - bulge * np.array([np.sin(lean[0]), np.cos(lean[0])])
    return SimpleNamespace(
        bulge=bulge,
        middle=middle,
        travel=np.linspace(0.0, 0.023, 24),
        face={
            "profile": middle + bulge * np.column_stack([np.sin(lean), np.cos(lean)]),
            "roller_radius": 0.0075,
            "roller_outboard": 0.034,
            "roller_height": 0.002,
        },
        pivot_radius=0.047,
        mass=np.array([0.064, 0.008, 0.007, 0.009]),  # body, then three tuning masses
        along=np.array([0.035, 0.016, 0.037, 0.054]),
        across=np.array([-0.006, -0.004, -0.009, -0.014]),
    )
