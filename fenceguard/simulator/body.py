"""The simulated mower: turns about its axle, with brakes, a blade, and a route to follow."""

import math
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from fenceguard.judgement.types import Grant
from fenceguard.simulator.controllers import CONTROLLERS, Controller, Speeds
from fenceguard.simulator.routes import SPACING_M, Point, Route

STEP_S = 0.05
MOWING_MPS = 0.5
SPEEDS = Speeds(MOWING_MPS, MOWING_MPS / 2.0)
"""As the settings of the demo say."""
SPEEDING_UP_MPS2 = 0.5
SLOWING_DOWN_MPS2 = 0.8
"""What the controller uses of its own accord."""
TURNING_RPS = math.radians(60.0)
AIM_M = 0.3
"""How far ahead on the route the controller aims."""
AIM_POINTS = round(AIM_M / SPACING_M)
TURN_ON_SPOT = math.radians(45.0)
HEARING_S = 0.1
"""How late the controller hears of a grant."""
BACKING_MPS = 0.2


class Pose(NamedTuple):
    """A point of the mower, its nose and its speed; heading in radians clockwise from north."""

    east_m: float
    north_m: float
    heading: float
    speed_mps: float
    """Along the nose; negative backwards."""
    left_mps: float = 0.0
    """Across it: what is off the axle swings round when the mower turns."""

    def velocity_mps(self) -> tuple[float, float]:
        """Towards east and north."""
        sin, cos = math.sin(self.heading), math.cos(self.heading)
        return (
            self.speed_mps * sin - self.left_mps * cos,
            self.speed_mps * cos + self.left_mps * sin,
        )


class Will:
    """What happens to the mower that nobody has granted."""

    def __init__(self) -> None:
        self.ignores: set[str] = set()
        """What the controller does not obey: `slow`, `halt`."""
        self.pace_mps = 0.0
        """The speed that the controller keeps whatever it is told, if above 0."""
        self.straight = False
        """The controller goes straight ahead, as fast as it is granted."""
        self.carried_mps: tuple[float, float] = (0.0, 0.0)
        """Somebody carries the mower, towards east and north."""


class Start(NamedTuple):
    """Where a mower stands at first, and what it does before it takes its route."""

    pose: Pose
    """Of the axle."""
    begin: int
    """The route's point that it then makes for."""
    backs_m: float = 0.0
    """How far it goes backwards at first."""


def along(route: Route, begin: int) -> Start:
    """A start on the route itself."""
    first, second = route.points_m[begin], route.points_m[(begin + 3) % len(route.points_m)]
    heading = math.atan2(second[0] - first[0], second[1] - first[1])
    return Start(Pose(*first, heading, 0.0), begin)


class Body:
    """Moves as granted, with the scatter of real brakes, wheels and ground.

    The route is that of the axle, about which it turns; `antenna_m` says how far ahead and to the
    left of it the antenna is.
    """

    def __init__(
        self,
        random: Random,
        route: Route,
        start: Start,
        controller: Controller = CONTROLLERS["plans_ahead"],
        speeds: Speeds = SPEEDS,
        antenna_m: Point = (0.0, 0.0),
        will: Will | None = None,
    ) -> None:
        self.will = will or Will()
        self._route = route.points_m
        self._planned_mps: Sequence[float] = controller.planned_mps(route)
        self._limit_mps = controller.limit_mps
        self._speeds = speeds
        self._antenna_m = antenna_m
        self._aim = start.begin
        self._brake_delay_s = random.uniform(0.02, 0.15)
        self._braking_mps2 = random.uniform(1.5, 3.0) - 9.81 * math.sin(
            math.radians(random.uniform(0.0, 5.0))
        )
        self._blade_stop_s = random.uniform(0.4, 1.0)
        self._slip = random.uniform(0.0, 0.04)
        self.axle = start.pose
        self.pose = self._of_antenna(start.pose, 0.0)
        """Of the antenna."""
        self._believed = (start.pose.east_m, start.pose.north_m)
        self._backs_m = start.backs_m
        self._wheel_mps = self.turn_rps = 0.0
        self._unpowered_s = 0.0
        self._blade_off_s = math.inf
        self._grants: list[tuple[float, Grant]] = []

    @property
    def blade_turns(self) -> bool:
        """Whether the blade is driven, or has not yet come to rest."""
        return self._blade_off_s < self._blade_stop_s

    @property
    def wheel_mps(self) -> float:
        """How fast the wheels turn, along the nose."""
        return self._wheel_mps

    def believe(self, place: Point) -> None:
        """The controller hears where the antenna is."""
        sin, cos = math.sin(self.axle.heading), math.cos(self.axle.heading)
        ahead_m, left_m = self._antenna_m
        self._believed = (
            place[0] - ahead_m * sin + left_m * cos,
            place[1] - ahead_m * cos - left_m * sin,
        )

    def step(self, now_s: float, grant: Grant) -> None:
        """Go on for `STEP_S`. The lines act at once, what is told to the controller a bit later."""
        self._grants.append((now_s, grant))
        while len(self._grants) > 1 and self._grants[1][0] <= now_s - HEARING_S:
            self._grants.pop(0)
        told = self._grants[0][1]
        self._blade_off_s = 0.0 if grant.blade else self._blade_off_s + STEP_S
        powered = grant.drive or "halt" in self.will.ignores
        unpowered_s = self._unpowered_s
        self._unpowered_s = 0.0 if powered else unpowered_s + STEP_S
        speed_mps = self._wheel_mps
        turn_rps = 0.0
        if powered:
            wanted_mps, turn_rps = self._steer(told)
            change = wanted_mps - speed_mps
            speed_mps += max(-SLOWING_DOWN_MPS2 * STEP_S, min(SPEEDING_UP_MPS2 * STEP_S, change))
        elif unpowered_s >= self._brake_delay_s:
            slower_mps = max(0.0, abs(speed_mps) - self._braking_mps2 * STEP_S)
            speed_mps = math.copysign(slower_mps, speed_mps)
        self._move(speed_mps, turn_rps)

    def _steer(self, told: Grant) -> tuple[float, float]:
        """Speed and turning rate that the controller wants."""
        ignores = self.will.ignores
        limit_mps = self._limit_mps(told, self._speeds)
        if "slow" in ignores:
            limit_mps = MOWING_MPS
        if self.will.pace_mps:
            limit_mps = self.will.pace_mps
        if "halt" in ignores:
            limit_mps = max(limit_mps, 0.25)
        if self.will.straight:
            return limit_mps, 0.0
        if self._backs_m > 0.0:
            return -min(limit_mps, BACKING_MPS), 0.0
        here = self._believed
        for _ in range(len(self._route)):
            aim = self._route[self._aim % len(self._route)]
            if math.dist(here, aim) >= AIM_M:
                break
            self._aim += 1
        bearing = math.atan2(aim[0] - here[0], aim[1] - here[1])
        off = (bearing - self.axle.heading + math.pi) % (2.0 * math.pi) - math.pi
        if abs(off) > TURN_ON_SPOT:
            turning = limit_mps > 0.0
            return 0.0, math.copysign(TURNING_RPS, off) if turning else 0.0
        near = range(self._aim - 2 * AIM_POINTS, self._aim - AIM_POINTS // 2)
        planned_mps = min(self._planned_mps[n % len(self._route)] for n in near)
        wanted_mps = max(self.will.pace_mps, min(limit_mps, planned_mps))
        rate = 2.0 * self._wheel_mps * math.sin(off) / AIM_M
        return wanted_mps, max(-TURNING_RPS, min(TURNING_RPS, rate))

    def _move(self, speed_mps: float, turn_rps: float) -> None:
        heading = self.axle.heading + turn_rps * STEP_S
        way_m = speed_mps * STEP_S
        self._wheel_mps, self.turn_rps = speed_mps, turn_rps
        self._backs_m -= abs(min(0.0, way_m))
        half = (self.axle.heading + heading) / 2.0
        over_m = way_m * (1.0 - self._slip)
        east, north = math.sin(half), math.cos(half)
        carried_m = tuple(one * STEP_S for one in self.will.carried_mps)
        self.axle = Pose(
            self.axle.east_m + over_m * east + carried_m[0],
            self.axle.north_m + over_m * north + carried_m[1],
            heading,
            over_m / STEP_S,
        )
        self.pose = self._of_antenna(self.axle, turn_rps)
        self._believed = (self._believed[0] + way_m * east, self._believed[1] + way_m * north)

    def _of_antenna(self, axle: Pose, turn_rps: float) -> Pose:
        """The antenna's pose; what is carried goes along, and the blade's speed is the axle's."""
        ahead_m, left_m = self._antenna_m
        sin, cos = math.sin(axle.heading), math.cos(axle.heading)
        carried_east_mps, carried_north_mps = self.will.carried_mps
        return Pose(
            axle.east_m + ahead_m * sin - left_m * cos,
            axle.north_m + ahead_m * cos + left_m * sin,
            axle.heading,
            axle.speed_mps + turn_rps * left_m + carried_east_mps * sin + carried_north_mps * cos,
            -turn_rps * ahead_m - carried_east_mps * cos + carried_north_mps * sin,
        )
