"""HDOP: a poor spread of the satellites magnifies every error."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading:
    epoch = situation.epoch
    return Reading(None if epoch is None else epoch.hdop, "no HDOP")


HDOP = Monitor("hdop", "", "above", _read)
