"""Course: a direction that the way taken contradicts."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading | None:
    value = situation.evidence.course_off_deg
    return None if value is None else Reading(value)


COURSE = Monitor("course", "deg", "above", _read)
