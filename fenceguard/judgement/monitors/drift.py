"""Drift: the position moves otherwise than the speed says."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading | None:
    value = situation.evidence.drift_m
    return None if value is None else Reading(value)


DRIFT = Monitor("drift", "m", "above", _read)
