"""Jump: a step that the mower cannot have driven."""

from fenceguard.judgement.monitors.base import Monitor, Reading
from fenceguard.judgement.types import Situation


def _read(situation: Situation) -> Reading | None:
    value = situation.evidence.jump_m
    return None if value is None else Reading(value)


JUMP = Monitor("jump", "m", "above", _read)
