"""Refix: the first fixed position after a loss is where the mower cannot be."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading | None:
    value = situation.evidence.refix_m
    return None if value is None else Reading(value)


REFIX = Monitor("refix", "m", "above", _read)
