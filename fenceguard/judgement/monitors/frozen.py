"""Frozen: a receiver that goes on talking while its clock stands still or goes back."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading:
    return Reading(situation.utc_lag_s, "the receiver's UTC is missing or went back")


FROZEN = Monitor("frozen", "s", "above", _read)
