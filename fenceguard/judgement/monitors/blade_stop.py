"""Blade stop: where the blade would rest if its power were cut now and the mower went on."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.monitors.stopping import left_after
from fenceguard.judgement.types import Situation
from fenceguard.mower.stopping import Stopping


def _read(situation: Situation) -> Reading:
    return left_after(Stopping.blade_distance_m, situation)


BLADE_STOP = Monitor("blade_stop", "m", "below", _read, timed=True)
