"""Satellites: with few of them a wrong fix becomes likely."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading:
    epoch = situation.epoch
    return Reading(None if epoch is None else epoch.satellites, "no satellite count")


SATELLITES = Monitor("satellites", "satellites", "below", _read)
