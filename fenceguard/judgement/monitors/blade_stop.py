"""Blade stop: where the blade would rest if its power were cut now and the mower went on."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.words import Situation


def _read(situation: Situation) -> Reading:
    left_m, stopping = situation.left_ahead_m, situation.stopping
    if left_m is None or stopping is None:
        return Reading(None, "no position or no bound")
    return Reading(left_m - stopping.blade_distance_m(situation.speed_mps))


BLADE_STOP = Monitor("blade_stop", "m", "below", _read, timed=True)
