"""Short recordings, made up: a mower that stands on the lawn of `tests.support.lawns`."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from fenceguard.judgement.limits import Limited, limited
from fenceguard.judgement.monitors.base import PLAIN, Monitor, Reading
from fenceguard.judgement.types import Bound, Situation
from fenceguard.settings.models import Limits
from tests.support import nmea
from tests.support.lawns import offset

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


def monitor_of(
    name: str, read: Callable[[Situation], Reading], worse: str = "above", unit: str = ""
) -> Monitor:
    """A monitor that is none of the project's."""
    return Monitor(name, "nothing", unit, worse, PLAIN, (), "it was {value}, not {limit}", read)


def limited_one(monitor: str, **limits: Any) -> Limited:
    """A monitor with its default limits but for the changes."""
    given = Limits.model_validate({monitor: limits}).parameters()
    return next(one for one in limited(given) if one.monitor.name == monitor)


def bound(radius_m: float | None) -> Bound | None:
    """A bound that is all floor; None where there is none."""
    if radius_m is None:
        return None
    parts = {**dict.fromkeys(Bound._fields, 0.0), "floor_m": radius_m, "radius_m": radius_m}
    return Bound(**parts)


def standing(
    duration_s: float,
    quality: Callable[[float], int] = lambda _time_s: FIXED,
    begin: datetime = BEGIN,
) -> bytes:
    """GGA and RMC at 5 Hz from 5 m inside two fence lines; `quality` at each second."""
    lat_deg, lon_deg = offset(5.0, 5.0)
    # A last digit to and fro: a place that is the same to the last digit would be no news.
    places = nmea.place(lat_deg, lon_deg), nmea.place(lat_deg + 2e-9, lon_deg)
    lines = []
    for number in range(round(duration_s * RATE_HZ)):
        time_s = number / RATE_HZ
        utc_s = begin.timestamp() + time_s
        clock = nmea.clock(utc_s)
        lines += [
            nmea.gga(clock, places[number % 2], quality=quality(time_s), hdop=0.6),
            nmea.rmc(clock, places[number % 2], date=nmea.date(utc_s)),
        ]
    return b"".join(lines)


def with_a_float(duration_s: float = 14.0) -> bytes:
    """A recording that is fixed but for one second, six seconds after its start."""
    return standing(duration_s, lambda time_s: FLOAT if 6.0 <= time_s < 7.0 else FIXED)
