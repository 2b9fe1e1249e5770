"""Recordings read by the tests' own means, and a lawn and settings for one that has neither."""

import gzip
import json
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import shapely

LOGS = Path(__file__).parents[3] / "shared" / "logs"
SENTENCE = re.compile(rb"[$!]([A-Z][^$!*\r\n]{4,120})\*([0-9A-Fa-f]{2})")
METRES_PER_DEGREE = 111_200.0
"""Of latitude; near enough to draw a fence by, since the fence is wherever it is drawn."""


class Gga(NamedTuple):
    """What a raw GGA sentence says; the time is the time of day."""

    time_s: float
    quality: int
    age_s: float | None
    lat_deg: float
    lon_deg: float


def unpacked(log: Path) -> bytes:
    """The bytes of a recording."""
    return gzip.decompress(log.read_bytes()) if log.suffix == ".gz" else log.read_bytes()


def checked(data: bytes) -> Iterator[bytes]:
    """Bodies of all sentences whose checksum is right, whatever lies between them."""
    for match in SENTENCE.finditer(data):
        body, told = match.groups()
        total = 0
        for character in body:
            total ^= character
        if total == int(told, 16):
            yield body


def raw_gga(data: bytes) -> list[Gga]:
    """Every GGA sentence that has a time and a position."""
    found = []
    for body in checked(data):
        fields = body.decode("latin-1").split(",")
        if fields[0][2:] == "GGA" and fields[1] and fields[2] and fields[4]:
            found.append(
                Gga(
                    time_s=int(fields[1][:2]) * 3600
                    + int(fields[1][2:4]) * 60
                    + float(fields[1][4:]),
                    quality=int(fields[6]),
                    age_s=float(fields[13]) if fields[13] else None,
                    lat_deg=_degrees(fields[2], fields[3]),
                    lon_deg=_degrees(fields[4], fields[5]),
                )
            )
    return found


def _degrees(text: str, hemisphere: str) -> float:
    split = text.index(".") - 2
    value = int(text[:split]) + float(text[split:]) / 60.0
    return -value if hemisphere in "SW" else value


def write_settings(
    directory: Path, positions: list[Gga], silence_s: tuple[float, float, float], more: str = ""
) -> Path:
    """Settings for a recording, and a fence 20 m around all that it covers; returns the file.

    What moved there was no mower, so monitors that know how a mower moves only watch.
    `silence_s` are the limits for slowed, blade_off and halted; `more` is added as it is.
    """
    lat0, lon0 = positions[0].lat_deg, positions[0].lon_deg
    east_scale = METRES_PER_DEGREE * math.cos(math.radians(lat0))
    track = [
        ((p.lon_deg - lon0) * east_scale, (p.lat_deg - lat0) * METRES_PER_DEGREE) for p in positions
    ]
    ring = shapely.MultiPoint(track).convex_hull.buffer(20.0).exterior.coords
    coordinates = [[lon0 + x / east_scale, lat0 + y / METRES_PER_DEGREE] for x, y in ring]
    feature = {
        "type": "Feature",
        "properties": {"zone": "keep_in", "name": "around the recording"},
        "geometry": {"type": "Polygon", "coordinates": [coordinates]},
    }
    fence = {"type": "FeatureCollection", "features": [feature]}
    (directory / "fence.geojson").write_text(json.dumps(fence))
    settings = directory / "settings.yaml"
    slowed_s, blade_off_s, halted_s = silence_s
    settings.write_text(f"""\
fence: fence.geojson
mower:
  outline_m: [[0.35, 0.25], [0.35, -0.25], [-0.25, -0.25], [-0.25, 0.25]]
  antenna_m: [0.0, 0.0]
outputs: none
limits:
  bound: {{slowed: 5, blade_off: 10, halted: 20}}
  reach: {{watch_only: true}}
  trust: {{watch_only: true}}
  speed: {{watch_only: true}}
  course: {{watch_only: true}}
  stopping: {{watch_only: true}}
  blade_stop: {{watch_only: true}}
  silence: {{slowed: {slowed_s}, blade_off: {blade_off_s}, halted: {halted_s}}}
{more}""")
    return settings
