"""The simulated receiver: a true pose in, a receiver's bytes out, with the errors of the trade.

Every fault of the receiver acts here, before the first byte; nothing is injected behind.
"""

import math
from random import Random
from typing import NamedTuple

from fenceguard.lawn.frame import Frame
from fenceguard.simulator.body import Pose
from fenceguard.simulator.nmea import gga, gst, hdt, position_text, rmc, sentence

RATE_HZ = 5
FIRST_UTC_S = 1_809_000_000.0
LATENCY_S = 0.08
JITTER_S = 0.01
GEOID_SEPARATION_M = -21.5
ANTENNA_HEIGHT_M = 0.3
STATION, OTHER_STATION = "0042", "0043"
LOST_SENTENCE, GARBLED_SENTENCE = 0.002, 0.001
SPEED_ERROR_MPS = 0.015
"""White, per axis."""
HEADING_ERROR_DEG = 0.8
AGE_GROWTH_MPS = 0.001
"""How fast the error grows once the corrections are old."""
KEEPS_FIX_S = (10.0, 60.0)
"""How old corrections get before the fix is lost."""
SOON_S, LATER_S = (2.0, 30.0), (30.0, 300.0)
"""How long a receiver that has lost the fix takes to find it again, once it could."""
WALL_AHEAD_M, SHADOW_M = 4.0, 3.0
"""Where a wall is put, ahead of the mower, and how far around it the sky is blocked."""
DECIMALS = (5, 7)
"""Receivers tell minutes with so many."""
TELLS_ELLIPSE = 0.5
"""The share of receivers that fill in the error ellipse of their GST."""

Offset = tuple[float, float]


class Kind(NamedTuple):
    """A kind of solution: its errors per axis in m, and what it says of them."""

    quality: int
    mode: str
    white_m: float
    wander_m: float
    wander_s: float
    stated_m: float


FIXED = Kind(4, "R", 0.004, 0.007, 30.0, 0.010)
FLOAT = Kind(5, "F", 0.03, 0.5, 40.0, 0.35)
SINGLE = Kind(1, "A", 0.2, 1.2, 60.0, 2.0)


class State:
    """What can go wrong; a fault sets it, and mends it when it ends."""

    def __init__(self) -> None:
        self.kind = FIXED
        self.corrections = True
        self.wrong_m: Offset = (0.0, 0.0)
        self.wrong_up_m = 0.0
        self.drifting_mps: Offset = (0.0, 0.0)
        self.frozen = False
        self.repeats = False
        self.buffered_s = 0.0
        self.silent = False
        self.station = STATION
        self.heading = True
        self.wall = False
        self.utc_step_s = 0.0
        self.sigma_share = 1.0
        self.lost = LOST_SENTENCE
        self.garbled = GARBLED_SENTENCE


def refix_s(random: Random) -> float:
    """A time to find the fix again: after half of the losses a short one."""
    return random.uniform(*random.choice((SOON_S, LATER_S)))


class Sent(NamedTuple):
    """Bytes, when they arrive, and what is true of the epoch in them."""

    at_s: float
    data: bytes
    reported_m: Offset
    truth_m: Offset


class _Globe:
    """From the local frame back to degrees; within a kilometre of the origin exact to 1 µm."""

    def __init__(self, origin: tuple[float, float, float]) -> None:
        self._lat_deg, self._lon_deg, self.height_m = origin
        self._frame = Frame(*origin)
        self._east_m_per_deg = self._frame.to_local(self._lat_deg, self._lon_deg + 1e-4)[0] / 1e-4
        self._north_m_per_deg = self._frame.to_local(self._lat_deg + 1e-4, self._lon_deg)[1] / 1e-4

    def degrees(self, east_m: float, north_m: float) -> tuple[float, float]:
        """Latitude and longitude: a first guess and two corrections."""
        lat_deg, lon_deg = self._lat_deg, self._lon_deg
        east_off_m, north_off_m = east_m, north_m
        for _ in range(3):
            lat_deg += north_off_m / self._north_m_per_deg
            lon_deg += east_off_m / self._east_m_per_deg
            there = self._frame.to_local(lat_deg, lon_deg)
            east_off_m, north_off_m = east_m - there[0], north_m - there[1]
        return lat_deg, lon_deg


class Gnss:
    """A receiver on a simulated mower. `origin` is that of the local frame."""

    def __init__(
        self, random: Random, origin: tuple[float, float, float], decimals: int | None = None
    ) -> None:
        self.state = State()
        self._random = random
        self._globe = _Globe(origin)
        self._decimals = decimals or random.choice(DECIMALS)
        self._tells_ellipse = random.random() < TELLS_ELLIPSE
        self._wander = [self._random.gauss(0.0, FIXED.wander_m) for _ in range(3)]
        self._kind = FIXED
        self._age_s = 0.5
        self._fix_lost_at_s = random.uniform(*KEEPS_FIX_S)
        self._wall: Offset | None = None
        self._lost = False
        self._fixed_from_s = -math.inf
        self._drifted_m = (0.0, 0.0)
        self._last: tuple[list[bytes], Offset] | None = None
        self._free_at_s = 0.0

    def epoch(self, now_s: float, pose: Pose) -> Sent | None:
        """What the receiver sends of the pose at this moment; None if nothing."""
        step_s = 1.0 / RATE_HZ
        state = self.state
        kind = self._solution(now_s, pose, step_s)
        error_m = self._errors_m(kind, step_s)
        truth_m = (pose.east_m, pose.north_m)
        place_m = (pose.east_m + error_m[0], pose.north_m + error_m[1])
        sentences = self._sentences(now_s, pose, kind, place_m, error_m[2])
        if state.frozen and self._last is not None:
            sentences, place_m = self._last
        self._last = sentences, place_m
        if state.silent:
            return None
        if state.repeats:
            sentences = sentences + sentences
        delay_s = LATENCY_S + abs(self._random.gauss(0.0, JITTER_S)) + state.buffered_s
        # Bytes leave the receiver in the order in which they went in.
        at_s = self._free_at_s = max(self._free_at_s, now_s + delay_s)
        return Sent(at_s, b"".join(map(self._line, sentences)), place_m, truth_m)

    def _solution(self, now_s: float, pose: Pose, step_s: float) -> Kind:
        """The kind of solution, after what old corrections and a wall do to it."""
        state = self.state
        self._age_s = (now_s % 1.0) + 0.5 if state.corrections else self._age_s + step_s
        lost = self._age_s > self._fix_lost_at_s or self._blocked(pose)
        if self._lost and not lost:
            self._fixed_from_s = now_s + refix_s(self._random)
        self._lost = lost
        if state.kind is FIXED and (lost or now_s < self._fixed_from_s):
            return FLOAT
        return state.kind

    def _blocked(self, pose: Pose) -> bool:
        """Whether a wall hides too much of the sky; it stands ahead of where the fault began."""
        if not self.state.wall:
            return False
        if self._wall is None:
            self._wall = (
                pose.east_m + WALL_AHEAD_M * math.sin(pose.heading),
                pose.north_m + WALL_AHEAD_M * math.cos(pose.heading),
            )
        return math.dist(self._wall, (pose.east_m, pose.north_m)) < SHADOW_M

    def _errors_m(self, kind: Kind, step_s: float) -> list[float]:
        """Errors towards east, north and up."""
        random, state = self._random, self.state
        better = kind.wander_m < self._kind.wander_m
        self._kind = kind
        kept = 0.0 if better else math.exp(-step_s / kind.wander_s)
        fresh_m = kind.wander_m * math.sqrt(1.0 - kept * kept)
        self._drifted_m = (
            self._drifted_m[0] + state.drifting_mps[0] * step_s,
            self._drifted_m[1] + state.drifting_mps[1] * step_s,
        )
        stale_m = AGE_GROWTH_MPS * max(0.0, self._age_s - 2.0)
        errors = []
        for axis, (wrong_m, times) in enumerate(
            [
                (state.wrong_m[0] + self._drifted_m[0] + stale_m, 1.0),
                (state.wrong_m[1] + self._drifted_m[1], 1.0),
                (state.wrong_up_m, 1.6),
            ]
        ):
            self._wander[axis] = kept * self._wander[axis] + random.gauss(0.0, fresh_m)
            errors.append(wrong_m + times * (self._wander[axis] + random.gauss(0.0, kind.white_m)))
        return errors

    def _sentences(
        self, now_s: float, pose: Pose, kind: Kind, place_m: Offset, up_m: float
    ) -> list[bytes]:
        random, state = self._random, self.state
        utc_s = FIRST_UTC_S + now_s + state.utc_step_s
        lat_deg, lon_deg = self._globe.degrees(*place_m)
        height_m = self._globe.height_m + ANTENNA_HEIGHT_M + up_m
        place = position_text(lat_deg, lon_deg, self._decimals)
        corrections = None if kind is SINGLE else (self._age_s, state.station)
        east = pose.speed_mps * math.sin(pose.heading) + random.gauss(0.0, SPEED_ERROR_MPS)
        north = pose.speed_mps * math.cos(pose.heading) + random.gauss(0.0, SPEED_ERROR_MPS)
        course_deg = math.degrees(math.atan2(east, north)) % 360.0
        stated_m = state.sigma_share * kind.stated_m * random.uniform(0.9, 1.1)
        bodies = [
            gga(
                utc_s,
                place,
                kind.quality,
                24,
                0.7,
                height_m,
                GEOID_SEPARATION_M,
                corrections,
            ),
            rmc(utc_s, place, kind.mode, math.hypot(east, north), course_deg),
            gst(utc_s, stated_m, stated_m, stated_m if self._tells_ellipse else None),
        ]
        if state.heading:
            bodies.append(hdt(math.degrees(pose.heading) + random.gauss(0.0, HEADING_ERROR_DEG)))
        return [sentence(body) for body in bodies]

    def _line(self, line: bytes) -> bytes:
        """A sentence as it comes through: whole, garbled or not at all."""
        chance = self._random.random()
        if chance < self.state.lost:
            return b""
        if chance < self.state.lost + self.state.garbled:
            at = self._random.randrange(len(line))
            return line[:at] + bytes([self._random.randrange(256)]) + line[at + 1 :]
        return line
