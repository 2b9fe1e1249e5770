"""Sentences as a receiver sends them (NMEA 0183)."""

from datetime import UTC, datetime
from functools import reduce
from operator import xor

from fenceguard.receiver.sentences import AccuracySentence

MPS_PER_KNOT = 1852.0 / 3600.0


def checksum(body: str) -> str:
    """Exclusive-or of all characters, as two hexadecimal digits."""
    return f"{reduce(xor, body.encode('ascii'), 0):02X}"


def sentence(body: str) -> bytes:
    """A body with its start, checksum and line end."""
    return f"${body}*{checksum(body)}\r\n".encode("ascii")


def instant(utc_s: float) -> datetime:
    """UTC of an epoch, to 10 ms."""
    return datetime.fromtimestamp(round(utc_s, 2), UTC)


def clock_text(utc_s: float) -> str:
    """UTC as hhmmss.ss."""
    moment = instant(utc_s)
    return f"{moment:%H%M%S}.{moment.microsecond // 10000:02d}"


def minutes_text(angle_deg: float, degree_digits: int, decimals: int = 7) -> str:
    """Degrees and minutes; seven decimals are 0.2 mm on the ground, five are 19 mm."""
    unit = 10**decimals
    degrees, rest = divmod(round(abs(angle_deg) * 60 * unit), 60 * unit)
    minutes, fraction = divmod(rest, unit)
    return f"{degrees:0{degree_digits}d}{minutes:02d}.{fraction:0{decimals}d}"


def position_text(lat_deg: float, lon_deg: float, decimals: int = 7) -> str:
    """Latitude and longitude with their hemispheres, in degrees and minutes."""
    return (
        f"{minutes_text(lat_deg, 2, decimals)},{'N' if lat_deg >= 0.0 else 'S'},"
        f"{minutes_text(lon_deg, 3, decimals)},{'E' if lon_deg >= 0.0 else 'W'}"
    )


def gga(
    utc_s: float,
    place: str,
    quality: int,
    satellites: int,
    hdop: float,
    height_m: float,
    separation_m: float | None,
    corrections: tuple[float, str] | None,
) -> str:
    """Body of a GGA; `corrections` are their age in s and the reference station.

    Without the geoid's separation its field is empty, and the height is said to be above the sea.
    """
    separation = "" if separation_m is None else f"{separation_m:.1f}"
    tail = "," if corrections is None else f"{corrections[0]:.1f},{corrections[1]}"
    return (
        f"GNGGA,{clock_text(utc_s)},{place},{quality},{satellites:02d},{hdop:.2f},"
        f"{height_m - (separation_m or 0.0):.4f},M,{separation},M,{tail}"
    )


def rmc(utc_s: float, place: str, mode: str, speed_mps: float, course_deg: float | None) -> str:
    """Body of an RMC; the course is empty where it is None."""
    course = "" if course_deg is None else f"{course_deg:.2f}"
    return (
        f"GNRMC,{clock_text(utc_s)},A,{place},{speed_mps / MPS_PER_KNOT:.3f},{course},"
        f"{instant(utc_s):%d%m%y},,,{mode}"
    )


def gst(utc_s: float, sigma_lat_m: float, sigma_lon_m: float, circle_m: float | None = None) -> str:
    """Body of a GST; the error ellipse, here a circle, is left empty by many receivers."""
    ellipse = ",," if circle_m is None else f"{circle_m:.4f},{circle_m:.4f},0.0"
    return (
        f"GNGST,{clock_text(utc_s)},{2.0 * sigma_lat_m:.3f},{ellipse},"
        f"{sigma_lat_m:.4f},{sigma_lon_m:.4f},{1.5 * sigma_lat_m:.4f}"
    )


def hdt(heading_deg: float) -> str:
    """Body of an HDT."""
    return f"GNHDT,{heading_deg % 360.0:.2f},T"


def own_accuracy(kind: AccuracySentence, sigma_m: float) -> str:
    """Body of a receiver's own accuracy sentence: other fields than the accuracy's are empty."""
    empty = kind.field - kind.header.count(",")
    return f"{kind.header}{',' * empty}{sigma_m / kind.sigma_m_per_unit:.4f}"
