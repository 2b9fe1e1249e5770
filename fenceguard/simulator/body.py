"""The simulated mower: a unicycle with brakes, a blade, and a controller that follows a route."""

import math
from random import Random
from typing import NamedTuple

from fenceguard.judgement.types import Grant
from fenceguard.simulator.routes import SPACING_M, Route

Point = tuple[float, float]

STEP_S = 0.05
MOWING_MPS = 0.5
SPEEDING_UP_MPS2 = 0.5
SLOWING_DOWN_MPS2 = 0.8
"""What the controller uses of its own accord."""
TURNING_RPS = math.radians(60.0)
AIM_M = 0.3
"""How far ahead on the route the controller aims."""
AIM_POINTS = round(AIM_M / SPACING_M)
TURN_ON_SPOT = math.radians(45.0)
OBEYS = 0.8
"""The share of the permitted speed that the controller uses."""
HEARING_S = 0.1
"""How late the controller hears of a grant."""


class Pose(NamedTuple):
    """Antenna, nose and speed over ground; heading in radians clockwise from north."""

    east_m: float
    north_m: float
    heading: float
    speed_mps: float


class Body:
    """Moves as granted, with the scatter of real brakes, wheels and ground.

    `ignores` may name what the controller does not obey: `slow` or `halt`.
    """

    def __init__(self, random: Random, route: Route, begin: int) -> None:
        self._route = route.points_m
        self._speeds_mps = route.speeds_mps
        self._aim = begin
        self._brake_delay_s = random.uniform(0.02, 0.15)
        self._braking_mps2 = random.uniform(1.5, 3.0) - 9.81 * math.sin(
            math.radians(random.uniform(0.0, 5.0))
        )
        self._blade_stop_s = random.uniform(0.4, 1.0)
        self._slip = random.uniform(0.0, 0.04)
        first, second = self._route[begin], self._route[(begin + 3) % len(self._route)]
        heading = math.atan2(second[0] - first[0], second[1] - first[1])
        self.pose = Pose(*first, heading, 0.0)
        self._believed = first
        self._wheel_mps = 0.0
        self._unpowered_s = 0.0
        self._blade_off_s = math.inf
        self._grants: list[tuple[float, Grant]] = []
        self.ignores: frozenset[str] = frozenset()

    @property
    def blade_turns(self) -> bool:
        """Whether the blade is driven, or has not yet come to rest."""
        return self._blade_off_s < self._blade_stop_s

    def believe(self, place: Point) -> None:
        """The controller hears where it is."""
        self._believed = place

    def step(self, now_s: float, grant: Grant) -> None:
        """Go on for `STEP_S`. The lines act at once, what is told to the controller a bit later."""
        self._grants.append((now_s, grant))
        while len(self._grants) > 1 and self._grants[1][0] <= now_s - HEARING_S:
            self._grants.pop(0)
        told = self._grants[0][1]
        self._blade_off_s = 0.0 if grant.blade else self._blade_off_s + STEP_S
        powered = grant.drive or "halt" in self.ignores
        unpowered_s = self._unpowered_s
        self._unpowered_s = 0.0 if powered else unpowered_s + STEP_S
        speed_mps = self._wheel_mps
        turn_rps = 0.0
        if powered:
            wanted_mps, turn_rps = self._steer(told)
            change = wanted_mps - speed_mps
            speed_mps += max(-SLOWING_DOWN_MPS2 * STEP_S, min(SPEEDING_UP_MPS2 * STEP_S, change))
        elif unpowered_s >= self._brake_delay_s:
            speed_mps = max(0.0, speed_mps - self._braking_mps2 * STEP_S)
        self._move(speed_mps, turn_rps)

    def _steer(self, told: Grant) -> tuple[float, float]:
        """Speed and turning rate that the controller wants."""
        limit_mps = MOWING_MPS if "slow" in self.ignores else OBEYS * told.top_speed_mps
        if "halt" in self.ignores:
            limit_mps = max(limit_mps, 0.25)
        here = self._believed
        for _ in range(len(self._route)):
            aim = self._route[self._aim % len(self._route)]
            if math.dist(here, aim) >= AIM_M:
                break
            self._aim += 1
        bearing = math.atan2(aim[0] - here[0], aim[1] - here[1])
        off = (bearing - self.pose.heading + math.pi) % (2.0 * math.pi) - math.pi
        if abs(off) > TURN_ON_SPOT:
            turning = limit_mps > 0.0 or "slow" in self.ignores
            return 0.0, math.copysign(TURNING_RPS, off) if turning else 0.0
        near = range(self._aim - 2 * AIM_POINTS, self._aim - AIM_POINTS // 2)
        planned_mps = min(self._speeds_mps[n % len(self._route)] for n in near)
        wanted_mps = min(limit_mps, planned_mps)
        rate = 2.0 * self._wheel_mps * math.sin(off) / AIM_M
        return wanted_mps, max(-TURNING_RPS, min(TURNING_RPS, rate))

    def _move(self, speed_mps: float, turn_rps: float) -> None:
        heading = self.pose.heading + turn_rps * STEP_S
        way_m = speed_mps * STEP_S
        self._wheel_mps = speed_mps
        half = (self.pose.heading + heading) / 2.0
        over_m = way_m * (1.0 - self._slip)
        east, north = math.sin(half), math.cos(half)
        self.pose = Pose(
            self.pose.east_m + over_m * east,
            self.pose.north_m + over_m * north,
            heading,
            over_m / STEP_S,
        )
        self._believed = (self._believed[0] + way_m * east, self._believed[1] + way_m * north)
