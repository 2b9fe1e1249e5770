"""The demo: an invented lawn, and what the receiver of a mower on it would have said.

    python -m fenceguard.drill.demo config/demo

writes `lawn.geojson` and `mowing.nmea.gz` there. Everything follows from the seed.
"""

import argparse
import gzip
import json
import math
import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from pymap3d import enu2geodetic

from fenceguard.errors import BadInput
from fenceguard.simulator.nmea import checksum, gga, gst, position_text, rmc

Point = tuple[float, float]
"""Metres east and north of `ORIGIN`."""

ORIGIN = (-31.4, -123.7, 42.0)
"""Latitude and longitude in degrees and height in metres: somewhere far out in the open sea."""
LAWN = [(0.0, 0.0), (30.0, 0.0), (31.0, 12.0), (25.0, 20.0), (5.0, 20.5), (-1.0, 11.0)]
FLOWER_BED = [(6.0, 14.5), (6.0, 16.5), (11.0, 17.0), (11.5, 14.5)]
POND = [
    (24.0 + 2.0 * math.cos(k * math.pi / 4.0), 14.0 + 2.0 * math.sin(k * math.pi / 4.0))
    for k in range(8)
]

FIRST_UTC_S = datetime(2027, 5, 4, 9, 0, 0, tzinfo=UTC).timestamp()
LATENCY_S = 0.08
JITTER_S = 0.004
SENTENCE_S = 0.007
"""Time that one sentence takes on the wire at 115200 baud."""

ANTENNA_ABOVE_GROUND_M = 0.3
GEOID_SEPARATION_M = -21.5
STATION = "0042"

MOWING_MPS = 0.5
TURNING_DPS = 60.0
STRIPE_M = 0.4
FIELD_EAST_M = (4.0, 26.0)
FIELD_NORTH_M = (3.5, 9.0)
"""The part of the lawn that is mown lies far from every ring."""
CLOSEST_M = 0.5
"""How near the antenna comes to the southern fence line: the corners 0.07 m when it turns there."""
AT_FENCE_S = 6.0

FLOAT_FROM_S = 12.0
FIXED_FROM_S = 40.0
MOW_FROM_S = 45.0
EPISODES_FROM_S = 60.0
EPISODES_EVERY_S = 240.0
FLOAT_EPISODE_S = (25.0, 35.0)
"""This and the next three count from the start of each round of episodes."""
OUTAGE_S = (65.0, 89.5)
SILENCE_S = (125.0, 129.0)
APPROACH_AT_S = 175.0


class Pose(NamedTuple):
    """Where the antenna is, where the nose points (clockwise from north), and the speed."""

    east_m: float
    north_m: float
    heading_deg: float
    speed_mps: float = 0.0


PARKED = Pose(7.0, 6.5, 200.0)


class Solution(NamedTuple):
    """A kind of position solution, its errors and what it says of them; metres are per axis."""

    quality: int
    mode: str
    error_m: float
    error_time_s: float
    stated_m: float
    satellites: int
    hdop: float


SINGLE = Solution(1, "A", 0.8, 60.0, 1.4, 12, 1.1)
FLOAT = Solution(5, "F", 0.25, 6.0, 0.35, 19, 0.8)
FIXED = Solution(4, "R", 0.008, 15.0, 0.012, 24, 0.6)


def turn(pose: Pose, heading_deg: float, step_s: float) -> Iterator[Pose]:
    """Turn on the spot about the antenna, the shorter way."""
    turn_deg = (heading_deg - pose.heading_deg + 180.0) % 360.0 - 180.0
    steps = math.ceil(abs(turn_deg) / (TURNING_DPS * step_s))
    for step in range(1, steps + 1):
        yield Pose(pose.east_m, pose.north_m, (pose.heading_deg + turn_deg * step / steps) % 360.0)


def drive(pose: Pose, to: Point, step_s: float) -> Iterator[Pose]:
    """Turn to a point and drive straight to it."""
    east_m, north_m = to[0] - pose.east_m, to[1] - pose.north_m
    heading_deg = math.degrees(math.atan2(east_m, north_m)) % 360.0
    yield from turn(pose, heading_deg, step_s)
    distance_m = math.hypot(east_m, north_m)
    steps = math.ceil(distance_m / (MOWING_MPS * step_s))
    for step in range(1, steps + 1):
        share = step / steps
        yield Pose(
            pose.east_m + east_m * share,
            pose.north_m + north_m * share,
            heading_deg,
            distance_m / (steps * step_s),
        )


def stripes() -> Iterator[Point]:
    """The ends of the stripes, up the field and down again, for ever."""
    low_m, high_m = FIELD_NORTH_M
    up = [low_m + STRIPE_M * k for k in range(math.floor((high_m - low_m) / STRIPE_M) + 1)]
    west_m, east_m = FIELD_EAST_M
    while True:
        for north_m in up + up[::-1]:
            yield west_m, north_m
            yield east_m, north_m
            west_m, east_m = east_m, west_m


def follow(pose: Pose, points: Iterable[Point], step_s: float) -> Iterator[Pose]:
    """Drive from point to point."""
    for point in points:
        for reached in drive(pose, point, step_s):
            yield reached
            pose = reached


def approach(pose: Pose, step_s: float) -> Iterator[Pose]:
    """Leave for the southern fence line, wait there, come back and take the old heading."""
    at_fence = (pose.east_m, CLOSEST_M)
    yield from drive(pose, at_fence, step_s)
    waiting = Pose(*at_fence, 180.0)
    for _ in range(round(AT_FENCE_S / step_s)):
        yield waiting
    yield from drive(waiting, (pose.east_m, pose.north_m), step_s)
    yield from turn(Pose(pose.east_m, pose.north_m, 0.0), pose.heading_deg, step_s)


def motion(rate_hz: int, duration_s: float) -> Iterator[tuple[float, Pose]]:
    """Seconds from the start, and the mower's true pose, for each epoch."""
    step_s = 1.0 / rate_hz
    mowing = follow(PARKED, stripes(), step_s)
    detour: Iterator[Pose] = iter(())
    pose = PARKED
    for step in range(math.floor(duration_s * rate_hz)):
        time_s = step / rate_hz
        if into_round_s(time_s) == APPROACH_AT_S:
            detour = approach(pose, step_s)
        if time_s >= MOW_FROM_S:
            pose = next(detour, None) or next(mowing)
        yield time_s, pose


def into_round_s(time_s: float) -> float:
    """Seconds since the start of the present round of episodes; negative before the first."""
    since_s = time_s - EPISODES_FROM_S
    return round(since_s % EPISODES_EVERY_S, 3) if since_s >= 0.0 else since_s


def during(span_s: tuple[float, float], time_s: float) -> bool:
    """Whether an episode is going on."""
    return span_s[0] <= into_round_s(time_s) < span_s[1]


def solution_at(time_s: float) -> Solution:
    """What kind of solution the receiver has."""
    if time_s < FLOAT_FROM_S:
        return SINGLE
    if time_s < FIXED_FROM_S or during(FLOAT_EPISODE_S, time_s):
        return FLOAT
    return FIXED


def correction_age_s(time_s: float) -> float:
    """Age of the corrections: one comes every second, 0.6 s old, but for the outages."""
    since_s = into_round_s(time_s) - OUTAGE_S[0] if during(OUTAGE_S, time_s) else 0.0
    return time_s - math.floor(round(time_s - since_s, 3)) + 0.6


class Wander:
    """Position error along one axis: first-order Gauss-Markov."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._sigma_m = math.inf
        self._error_m = 0.0

    def step(self, sigma_m: float, time_constant_s: float, step_s: float) -> float:
        """The error a step later. A better solution starts afresh, a poorer one wanders off."""
        kept = math.exp(-step_s / time_constant_s) if sigma_m >= self._sigma_m else 0.0
        self._sigma_m = sigma_m
        self._error_m = kept * self._error_m + self._random.gauss(
            0.0, sigma_m * math.sqrt(1.0 - kept * kept)
        )
        return self._error_m


def recording(seed: int, rate_hz: int, duration_s: float) -> Iterator[bytes]:
    """The recording, line by line: a TAG block with the time of arrival, then the sentence."""
    random = Random(seed)
    east, north, up = Wander(random), Wander(random), Wander(random)
    for time_s, pose in motion(rate_hz, duration_s):
        solution = solution_at(time_s)
        wander = solution.error_m, solution.error_time_s, 1.0 / rate_hz
        lat_deg, lon_deg, height_m = to_geographic(
            (
                pose.east_m + east.step(*wander),
                pose.north_m + north.step(*wander),
                ANTENNA_ABOVE_GROUND_M + 1.5 * up.step(*wander),
            )
        )
        speed_mps = abs(pose.speed_mps + random.gauss(0.0, 0.015))
        course_deg: float | None = (pose.heading_deg + random.gauss(0.0, 1.5)) % 360.0
        stated_m = [solution.stated_m * random.uniform(0.85, 1.15) for _ in range(2)]
        arrival_s = FIRST_UTC_S + time_s + LATENCY_S + abs(random.gauss(0.0, JITTER_S))
        if during(SILENCE_S, time_s):
            continue
        place = position_text(lat_deg, lon_deg)
        utc_s = FIRST_UTC_S + time_s
        corrections = None if solution is SINGLE else (correction_age_s(time_s), STATION)
        course_deg = course_deg if pose.speed_mps else None
        sentences = (
            gga(
                utc_s,
                place,
                solution.quality,
                solution.satellites,
                solution.hdop,
                height_m,
                GEOID_SEPARATION_M,
                corrections,
            ),
            rmc(utc_s, place, solution.mode, speed_mps, course_deg),
            gst(utc_s, stated_m[0], stated_m[1]),
        )
        for number, body in enumerate(sentences):
            tag = f"c:{round((arrival_s + number * SENTENCE_S) * 1000.0)}"
            line = f"\\{tag}*{checksum(tag)}\\${body}*{checksum(body)}\r\n"
            yield line.encode("ascii")


def to_geographic(local_m: tuple[float, float, float]) -> tuple[float, float, float]:
    """Latitude and longitude in degrees and height in metres, of east, north and up."""
    lat_deg, lon_deg, height_m = enu2geodetic(*local_m, *ORIGIN)
    return float(lat_deg), float(lon_deg), float(height_m)


def lawn() -> dict[str, Any]:
    """The lawn with its flower bed and pond, as GeoJSON (RFC 7946)."""
    return {
        "type": "FeatureCollection",
        "features": [
            feature("keep_in", "lawn", [LAWN, FLOWER_BED], stations=[STATION]),
            feature("keep_out", "pond", [POND]),
        ],
    }


def feature(zone: str, name: str, rings: list[list[Point]], **more: Any) -> dict[str, Any]:
    """A zone as a GeoJSON feature, from the corners of its rings."""
    coordinates = [[_position(point) for point in (*ring, ring[0])] for ring in rings]
    return {
        "type": "Feature",
        "properties": {"zone": zone, "name": name, **more},
        "geometry": {"type": "Polygon", "coordinates": coordinates},
    }


def _position(point: Point) -> list[float]:
    lat_deg, lon_deg, height_m = to_geographic((*point, 0.0))
    return [round(lon_deg, 9), round(lat_deg, 9), round(height_m, 3)]


def write(directory: Path, seed: int, rate_hz: int, duration_s: float) -> None:
    """Write lawn and recording. Raises BadInput where that cannot be done."""
    lines = b"".join(recording(seed, rate_hz, duration_s))
    try:
        directory.mkdir(parents=True, exist_ok=True)
        (directory / "lawn.geojson").write_text(json.dumps(lawn(), indent=1) + "\n")
        (directory / "mowing.nmea.gz").write_bytes(gzip.compress(lines, mtime=0))
    except OSError as error:
        raise BadInput(
            f"{error.filename}: cannot be written: {error.strerror}; name another directory"
        ) from error


def main() -> int:
    """The command; returns the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m fenceguard.drill.demo",
        description="Writes an invented lawn (lawn.geojson) and a made-up recording of a mower on "
        "it (mowing.nmea.gz): a start, then rounds of a float episode, a correction outage, a "
        "silence and an approach to the fence. The same options give the same files.",
    )
    parser.add_argument("out", type=Path, metavar="OUT", help="directory to write to")
    parser.add_argument(
        "--seed", type=int, default=1, help="another seed, other noise (%(default)s)"
    )
    parser.add_argument(
        "--rate", type=int, default=5, choices=(1, 2, 4, 5, 10, 20), help="Hz (%(default)s)"
    )
    parser.add_argument("--duration", type=_duration, default=300.0, help="seconds (%(default)s)")
    args = parser.parse_args()
    try:
        write(args.out, args.seed, args.rate, args.duration)
    except BadInput as error:
        print(f"{parser.prog}: {error}", file=sys.stderr)
        return 2
    return 0


def _duration(text: str) -> float:
    duration_s = float(text)
    if not 1.0 <= duration_s <= 86400.0:
        raise argparse.ArgumentTypeError(f"{text} is not between 1 and 86400")
    return duration_s


if __name__ == "__main__":
    sys.exit(main())
