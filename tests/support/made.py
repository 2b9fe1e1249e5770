"""Short recordings, made up: a mower that stands on the lawn of `tests.support.lawns`."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.support.lawns import offset
from tests.support.nmea import sentence

BEGIN = datetime(2031, 3, 7, 6, 0, 0, tzinfo=UTC)
RATE_HZ = 5
FIXED, FLOAT = 4, 5
QUICK: dict[str, Any] = {
    "arm": {"fixed_for_s": 0.5},
    "clear_s": {"slowed": 0.5, "blade_off": 1.0, "halted": 1.0},
    "blade_delay_s": 0.5,
    "bound": {"optimism": {"float": 1.5}, "floor_m": {"float": 0.0}},
}
"""Settings with which a mower is at full within four seconds, and a float does not halt it."""


def standing(
    duration_s: float,
    quality: Callable[[float], int] = lambda _time_s: FIXED,
    begin: datetime = BEGIN,
) -> bytes:
    """GGA and RMC at 5 Hz from 5 m inside two fence lines; `quality` at each second."""
    lat_deg, lon_deg = offset(5.0, 5.0)
    place = f"{_minutes(lat_deg, 2)},N,{_minutes(lon_deg, 3)},E"
    lines = []
    for number in range(round(duration_s * RATE_HZ)):
        time_s = number / RATE_HZ
        moment = begin + timedelta(seconds=time_s)
        clock = f"{moment:%H%M%S}.{moment.microsecond // 10000:02d}"
        lines += [
            f"GNGGA,{clock},{place},{quality(time_s)},20,0.60,12.3,M,40.0,M,1.0,0007",
            f"GNRMC,{clock},A,{place},0.000,,{moment:%d%m%y},,,A",
        ]
    return b"".join(map(sentence, lines))


def with_a_float(duration_s: float = 14.0) -> bytes:
    """A recording that is fixed but for one second, six seconds after its start."""
    return standing(duration_s, lambda time_s: FLOAT if 6.0 <= time_s < 7.0 else FIXED)


def _minutes(angle_deg: float, degree_digits: int) -> str:
    degrees, minutes = divmod(angle_deg * 60.0, 60.0)
    return f"{int(degrees):0{degree_digits}d}{minutes:010.7f}"
