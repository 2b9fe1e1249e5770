"""Room: what is left to the fence when the error is at its worst."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading:
    return Reading(situation.room_m, "no position or no bound")


ROOM = Monitor("room", "m", "below", _read)
