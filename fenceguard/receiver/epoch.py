"""What the receiver says about one instant."""

import math
from datetime import UTC, datetime
from typing import NamedTuple

FIXED = 4
FLOAT = 5

QUALITY_NAMES = (
    "invalid",
    "single",
    "differential",
    "pps",
    "fixed",
    "float",
    "estimated",
    "manual",
    "simulator",
)
"""Names of the GGA quality codes 0 to 8 (NMEA 0183)."""

UNDATED_BEFORE_S = 10 * 365.25 * 86400.0
"""Epochs without a date count from 1970-01-01; no satellite positioning is that old."""


class Epoch(NamedTuple):
    """One instant of the receiver. Whatever the receiver left out or garbled is None.

    `utc_s` is seconds since 1970-01-01T00:00:00 UTC, rounded to 1 ms. Until the receiver has told
    the date it is the time of day, plus a day for each midnight passed.
    """

    utc_s: float
    lat_deg: float | None = None
    lon_deg: float | None = None
    height_m: float | None = None
    """Antenna height above the ellipsoid."""
    altitude_m: float | None = None
    """Antenna height above mean sea level."""
    digit_m: float | None = None
    """How far apart on the ground two positions are that differ in their last digit."""
    quality: int | None = None
    """GGA quality code, 0 to 9."""
    satellites: int | None = None
    hdop: float | None = None
    age_s: float | None = None
    """Age of the differential corrections."""
    station: str | None = None
    """Identifier of the reference station."""
    speed_mps: float | None = None
    course_deg: float | None = None
    """Course over ground, clockwise from true north."""
    heading_deg: float | None = None
    """Where the mower's nose points, clockwise from true north."""
    sigma_major_m: float | None = None
    sigma_lat_m: float | None = None
    sigma_lon_m: float | None = None
    sigma_height_m: float | None = None


def quality_name(quality: int | None) -> str:
    """Name of a GGA quality code; `unknown` where there is none."""
    if quality is not None and 0 <= quality < len(QUALITY_NAMES):
        return QUALITY_NAMES[quality]
    return "unknown"


def utc_text(utc_s: float) -> str:
    """ISO 8601 in UTC to 1 ms; the time of day alone while the date is not known."""
    if not math.isfinite(utc_s):
        return "unknown"
    instant = datetime.fromtimestamp(round(utc_s, 3), UTC)
    text = instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return text if utc_s >= UNDATED_BEFORE_S else text.partition("T")[2]
