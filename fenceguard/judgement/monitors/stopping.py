"""Stopping: where the mower would stand if it braked now."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.words import Situation


def _read(situation: Situation) -> Reading:
    left_m, stopping = situation.left_ahead_m, situation.stopping
    if left_m is None or stopping is None:
        return Reading(None, "no position or no bound")
    return Reading(left_m - stopping.distance_m(situation.speed_mps))


STOPPING = Monitor("stopping", "m", "below", _read, timed=True)
