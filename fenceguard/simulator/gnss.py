"""The simulated receiver: a true pose in, a receiver's bytes out, with the errors of the trade.

Every fault of the receiver acts here, before the first byte; nothing is injected behind.
"""

import math
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from fenceguard.lawn.frame import Frame
from fenceguard.receiver.sentences import AccuracySentence
from fenceguard.simulator.body import Pose
from fenceguard.simulator.makes import MAKES, Make
from fenceguard.simulator.nmea import gga, gst, hdt, own_accuracy, position_text, rmc, sentence
from fenceguard.simulator.state import FIXED, FLOAT, SINGLE, Kind, Offset, State, refix_s

FIRST_UTC_S = 1_809_000_000.0
DAY_S = 86400.0
LATENCY_S = 0.08
JITTER_S = 0.01
GEOID_SEPARATION_M = -21.5
ANTENNA_HEIGHT_M = 0.3
"""Where the settings do not say it."""
STATION, OTHER_STATIONS = "0042", ("0043", "0044")
"""Of the corrections where the fence does not say it; and what is none of the fence's."""
SPEED_ERROR_MPS = 0.015
"""White, per axis."""
SPEED_WANDER_MPS, SPEED_WANDER_S = 0.003, 5.0
"""The part of it that lasts, per axis, from paths that the ground and walls reflect."""
HEADING_ERROR_DEG = 0.8
AGE_GROWTH_MPS = 0.001
"""How fast the error grows once the corrections are old."""
KEEPS_FIX_S = (10.0, 60.0)
"""How old corrections get before the fix is lost."""
WALL_AHEAD_M, SHADOW_M = 4.0, 3.0
"""Where a wall is put, ahead of the mower, and how far around it the sky is blocked."""
DECIMALS = (5, 7)
"""Receivers tell minutes with so many."""
TELLS_ELLIPSE = 0.5
"""The share of receivers that fill in the error ellipse of their GST."""


class Sent(NamedTuple):
    """Bytes, when they arrive, and what is true of the epoch in them."""

    at_s: float
    data: bytes
    reported_m: Offset
    truth_m: Offset
    fixed: bool
    """What the receiver says of the solution."""
    utc_s: float
    """The same of the time."""


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


class _Motion(NamedTuple):
    """What is told of the motion."""

    speed_mps: float
    course_deg: float
    heading_deg: float


class Gnss:
    """A receiver on a simulated mower.

    `origin` is that of the local frame, `stations` those that the fence was surveyed with,
    `accuracy` the receiver's own accuracy sentence, where the settings name one.
    """

    def __init__(
        self,
        random: Random,
        origin: tuple[float, float, float],
        decimals: int | None = None,
        make: Make = MAKES["5hz"],
        stations: Sequence[str] = (),
        accuracy: AccuracySentence | None = None,
        antenna_height_m: float = ANTENNA_HEIGHT_M,
    ) -> None:
        self.state = State()
        self.make = make
        self._random = random
        self._globe = _Globe(origin)
        self._station = stations[0] if stations else STATION
        self._other_station = next(one for one in OTHER_STATIONS if one not in stations[:1])
        self._accuracy = accuracy
        self._antenna_height_m = antenna_height_m
        self._decimals = decimals or random.choice(DECIMALS)
        self._tells_ellipse = random.random() < TELLS_ELLIPSE
        self._wander = [self._random.gauss(0.0, FIXED.wander_m) for _ in range(3)]
        self._speed_wander_mps = [self._random.gauss(0.0, SPEED_WANDER_MPS) for _ in range(2)]
        self._kind = FIXED
        self._age_s = 0.5
        self._fix_lost_at_s = random.uniform(*KEEPS_FIX_S)
        self._wall: Offset | None = None
        self._lost = False
        self._fixed_from_s = -math.inf
        self._drifted_m = (0.0, 0.0)
        self._leant_m: Offset = (0.0, 0.0)
        self._fast_s = 0.0
        self._place = ""
        self._place_m: Offset = (0.0, 0.0)
        self._height_m = 0.0
        self._motion: _Motion | None = None
        self._last: tuple[list[bytes], Offset] | None = None
        self._free_at_s = 0.0
        self._epochs = 0
        self._utc_s = math.nan

    def epoch(self, now_s: float, pose: Pose) -> Sent | None:
        """What the receiver sends of the pose at this moment; None if nothing."""
        step_s = 1.0 / self.make.rate_hz
        state = self.state
        kind = self._solution(now_s, pose, step_s)
        self._locate(pose, self._errors_m(kind, step_s))
        self._move(pose, step_s)
        truth_m, place_m = (pose.east_m, pose.north_m), self._place_m
        sentences = self._sentences(now_s, kind, step_s)
        self._epochs += 1
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
        data = b"".join(map(self._line, sentences))
        return Sent(at_s, data, place_m, truth_m, kind is FIXED, self._utc_s)

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
                (state.wrong_m[0] + state.lean_m[0] + self._drifted_m[0] + stale_m, 1.0),
                (state.wrong_m[1] + state.lean_m[1] + self._drifted_m[1], 1.0),
                (state.wrong_up_m, 1.6),
            ]
        ):
            self._wander[axis] = kept * self._wander[axis] + random.gauss(0.0, fresh_m)
            noise_m = self._wander[axis] + random.gauss(0.0, kind.white_m)
            errors.append(wrong_m + times * state.error_times * noise_m)
        return errors

    def _locate(self, pose: Pose, error_m: list[float]) -> None:
        """The position that is told, unless it is held."""
        if self.state.place_held and self._place:
            return
        self._place_m = (pose.east_m + error_m[0], pose.north_m + error_m[1])
        lat_deg, lon_deg = self._globe.degrees(*self._place_m)
        self._place = position_text(lat_deg, lon_deg, self._decimals)
        self._height_m = self._globe.height_m + self._antenna_height_m + error_m[2]

    def _move(self, pose: Pose, step_s: float) -> None:
        """The motion that is told, unless it is held."""
        random, state = self._random, self.state
        kept = math.exp(-step_s / SPEED_WANDER_S)
        fresh_mps = SPEED_WANDER_MPS * math.sqrt(1.0 - kept * kept)
        velocity_mps = []
        for axis, true_mps in enumerate(pose.velocity_mps()):
            wander_mps = kept * self._speed_wander_mps[axis] + random.gauss(0.0, fresh_mps)
            self._speed_wander_mps[axis] = wander_mps
            leaning_mps = (state.lean_m[axis] - self._leant_m[axis]) / step_s
            noise_mps = wander_mps + random.gauss(0.0, SPEED_ERROR_MPS)
            velocity_mps.append(true_mps + leaning_mps + noise_mps)
        self._leant_m = state.lean_m
        heading_deg = math.degrees(pose.heading) + random.gauss(0.0, HEADING_ERROR_DEG)
        if state.motion_held and self._motion is not None:
            return
        self._motion = _Motion(
            math.hypot(*velocity_mps),
            math.degrees(math.atan2(*velocity_mps)) % 360.0,
            heading_deg,
        )

    def _sentences(self, now_s: float, kind: Kind, step_s: float) -> list[bytes]:
        random, state, motion = self._random, self.state, self._motion
        assert motion is not None
        self._fast_s += (state.utc_rate - 1.0) * step_s
        utc_s = FIRST_UTC_S + now_s + state.utc_step_s + self._fast_s + state.utc_ahead_s
        self._utc_s = utc_s
        date_ahead_s = DAY_S * state.date_ahead_days
        state.utc_ahead_s, state.date_ahead_days = 0.0, 0
        stated_m = state.sigma_m or state.sigma_share * kind.stated_m * random.uniform(0.9, 1.1)
        own = self._other_station if state.foreign else self._station
        bodies = [
            gga(
                utc_s,
                self._place,
                kind.quality,
                24,
                state.hdop,
                self._height_m,
                GEOID_SEPARATION_M if state.geoid else None,
                None if kind is SINGLE else (self._age_s, state.station or own),
            )
        ]
        if state.speed and self._due(self.make.speed_hz):
            course = state.course and motion.speed_mps >= self.make.course_from_mps
            course_deg = motion.course_deg if course else None
            bodies.append(
                rmc(utc_s + date_ahead_s, self._place, kind.mode, motion.speed_mps, course_deg)
            )
        if state.gst and self.make.gst:
            bodies.append(gst(utc_s, stated_m, stated_m, stated_m if self._tells_ellipse else None))
        if state.gst and self._accuracy is not None:
            bodies.append(own_accuracy(self._accuracy, stated_m))
        if state.heading and self._due(self.make.heading_hz):
            bodies.append(hdt(motion.heading_deg + state.heading_off_deg))
        return [sentence(body) for body in bodies]

    def _due(self, told_hz: int) -> bool:
        """Whether something that is told so often comes with this epoch."""
        return told_hz > 0 and self._epochs % (self.make.rate_hz // told_hz) == 0

    def _line(self, line: bytes) -> bytes:
        """A sentence as it comes through: whole, garbled or not at all."""
        chance = self._random.random()
        if chance < self.state.lost:
            return b""
        if chance < self.state.lost + self.state.garbled:
            at = self._random.randrange(len(line))
            return line[:at] + bytes([self._random.randrange(256)]) + line[at + 1 :]
        return line
