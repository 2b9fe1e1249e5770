"""Late: what has waited in a buffer looks fresh and is not."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading | None:
    value = situation.evidence.late_s
    return None if value is None else Reading(value)


LATE = Monitor("late", "s", "above", _read)
