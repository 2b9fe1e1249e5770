"""Silence: the mower drives on while nothing valid is heard."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading:
    return Reading(situation.silence_s, "no valid epoch yet")


SILENCE = Monitor("silence", "s", "above", _read, timed=True)
