"""Pulling away: what the belt carries from engagement to lock-up."""

from __future__ import annotations

import numpy as np
import pytest

from solver.balance import DrivenSide, DriveSide, engagement_speed, engine_speed, slip_reserve
from solver.belt_grip import grip
from solver.belt_path import shift_path
from solver.engine import EngineCurve
from solver.launch import stall_speed, torque_capacity

B13 = np.radians(13)
PATH = shift_path(np.linspace(0, 1, 3), 0.034, 0.086, 0.995, 0.256, B13)
BELT = grip(PATH, B13, 0.35)
ENGINE = EngineCurve(np.array([200.0, 400, 600, 700, 800]), np.array([50.0, 64, 66, 58, 46]))


def sides(spring: float = 500.0, push: float = 0.0093, preload: float = 900.0) -> tuple[DriveSide, DrivenSide]:
    drive = DriveSide(np.full((2, 3), push), np.array([spring, spring + 300, spring + 600]))
    driven = DrivenSide(np.full((2, 3), preload), np.tile([1.45, 1.2, 0.9], (2, 1)))
    return drive, driven


@pytest.mark.invariant
def test_belt_carries_nothing_below_engagement_and_more_with_speed():
    drive, driven = sides()
    engagement = float(engagement_speed(drive))
    speeds = engagement * np.array([0.5, 0.999, 1.2, 1.6, 2.0])
    capacity = torque_capacity(speeds, drive, driven, BELT, 0.034)
    assert (capacity[:2] == 0).all()
    assert (np.diff(capacity[1:]) > 0).all()


@pytest.mark.invariant
def test_stall_speed_balances_engine_torque_and_capacity():
    drive, driven = sides()
    stall = stall_speed(drive, driven, BELT, 0.034, ENGINE)
    assert torque_capacity(stall, drive, driven, BELT, 0.034) == pytest.approx(float(ENGINE.at(stall)), rel=1e-9)
    locked = engine_speed(drive, driven, BELT, PATH.drive_radius, ENGINE, [1.0]).speed[0, 0, 0]
    assert stall < locked  # a belt that holds at the balance has locked up before it


@pytest.mark.invariant
def test_lighter_drive_spring_engages_and_stalls_lower():
    light, heavy = (stall_speed(*sides(spring), BELT, 0.034, ENGINE) for spring in (400.0, 700.0))
    assert light < heavy


@pytest.mark.invariant
def test_stall_is_infinite_where_the_belt_never_carries_the_engine():
    assert stall_speed(*sides(preload=1.0), BELT, 0.034, ENGINE) == np.inf


@pytest.mark.invariant
def test_capacity_at_the_driven_limit_has_no_reserve():
    drive, driven = sides(preload=120.0)
    capacity = torque_capacity(780.0, drive, driven, BELT, 0.034) / 0.034  # the driven sheave limits here
    pull = np.full((2, 1, 3), capacity)
    tight = (drive.thrust_per_speed2 * 780**2 - drive.spring)[:, None, :] * BELT.tight_per_thrust
    assert slip_reserve(driven, pull, tight, BELT)[1, 0, 0] == pytest.approx(0, abs=1e-9)
