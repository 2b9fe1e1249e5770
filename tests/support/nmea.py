"""Sentences as a receiver sends them (NMEA 0183), built by the tests' own means."""

import time
from functools import reduce
from operator import xor

PLACE = "5200.0000000,N,01300.0000000,E"
NOWHERE = ",,,"
"""Of a receiver that has no position."""


def checksum(text: bytes) -> int:
    """Exclusive-or of all characters."""
    return reduce(xor, text, 0)


def sentence(body: str) -> bytes:
    """A body as a receiver sends it: started, with its checksum and line end."""
    return f"${body}*{checksum(body.encode('ascii')):02X}\r\n".encode("ascii")


def tag(text: bytes, end: bytes | None = None) -> bytes:
    """A TAG block (NMEA 4.00), with its checksum unless another `end` is given."""
    return b"\\" + text + (b"*%02X" % checksum(text) if end is None else end) + b"\\"


def clock(time_s: float) -> str:
    """UTC as hhmmss.sss, from seconds since any midnight."""
    ms = round(time_s * 1000) % 86_400_000
    return f"{ms // 3_600_000:02d}{ms // 60_000 % 60:02d}{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def date(utc_s: float) -> str:
    """The day as ddmmyy, from Unix time."""
    return time.strftime("%d%m%y", time.gmtime(round(utc_s, 3)))


def place(lat_deg: float, lon_deg: float) -> str:
    """Latitude and longitude with their sides, to 0.2 mm."""
    return f"{_angle(lat_deg, 2, 'NS')},{_angle(lon_deg, 3, 'EW')}"


def _angle(angle_deg: float, degree_digits: int, sides: str) -> str:
    units = round(abs(angle_deg) * 60e7)
    whole, rest = divmod(units, 600_000_000)
    return f"{whole:0{degree_digits}d}{rest / 1e7:010.7f},{sides[angle_deg < 0.0]}"


def gga(
    clock: str,
    place: str = PLACE,
    *,
    quality: int = 4,
    satellites: int = 20,
    hdop: float = 0.7,
    altitude_m: float = 40.0,
    separation_m: float = 42.0,
    age_s: float = 1.0,
    station: str = "0001",
) -> bytes:
    """A GGA: position, solution, corrections; the altitude is over the geoid."""
    return sentence(
        f"GNGGA,{clock},{place},{quality},{satellites:02d},{hdop:.2f},{altitude_m:.1f},M,"
        f"{separation_m:.1f},M,{age_s:.1f},{station}"
    )


def rmc(
    clock: str,
    place: str = PLACE,
    *,
    knots: float = 0.0,
    course_deg: float | None = None,
    date: str = "",
    mode: str = "A",
) -> bytes:
    """An RMC: speed, course, day."""
    course = "" if course_deg is None else f"{course_deg:.1f}"
    return sentence(f"GNRMC,{clock},A,{place},{knots:.3f},{course},{date},,,{mode}")


def gst(
    clock: str,
    lat_m: float | str = "",
    lon_m: float | str = "",
    *,
    major_m: float | str = "",
    height_m: float | str = "",
) -> bytes:
    """A GST: error estimates; many receivers leave the ellipse out."""
    return sentence(f"GNGST,{clock},,{major_m},,,{lat_m},{lon_m},{height_m}")
