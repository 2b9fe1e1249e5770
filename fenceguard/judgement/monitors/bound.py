"""The bound: how far off the position may be."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading:
    return Reading(situation.bound_m, "no bound without a solution")


BOUND = Monitor("bound", "m", "above", _read)
