"""Height: an antenna that is not where the lawn would have it."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading | None:
    return None if situation.height_off_m is None else Reading(situation.height_off_m)


HEIGHT = Monitor("height", "m", "above", _read)
