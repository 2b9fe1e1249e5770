"""A track that hears epochs from paths whose truth is known."""

import math
from typing import Any

import pytest

from fenceguard.judgement.track import Place, Track
from fenceguard.judgement.types import Evidence
from fenceguard.receiver.epoch import FIXED, FLOAT, Epoch
from fenceguard.settings import Settings
from tests.support.lawns import OUTLINE

UTC_S = 1_700_000_000.0
TOP_MPS = 0.5
BOUND_M = 0.05
SPEEDING_UP_MPS2 = 0.5
WAY_ERROR = 0.02
HERE: Place = (0.0, 0.0)


def close(value: float | None) -> Any:
    """Equal but for what a UTC of this size rounds away."""
    return pytest.approx(value, abs=1e-5)


class Driven:
    """A track that hears epochs at times and places which a test gives."""

    def __init__(self, **track: float) -> None:
        mower = {"outline_m": OUTLINE, "antenna_m": [0, 0], "full_mps": TOP_MPS}
        content = {"fence": "x", "outputs": "none", "mower": mower, "track": track}
        self.track = Track(Settings.model_validate(content).parameters().track)

    def at(
        self,
        passed_s: float,
        place: Place = HERE,
        *,
        quality: int = FIXED,
        speed_mps: float | None = 0.0,
        course_deg: float | None = None,
        travel_deg: float | None = None,
        bound_m: float = BOUND_M,
        late_s: float = 0.1,
    ) -> Evidence:
        """The evidence at an epoch `passed_s` after the beginning, arriving `late_s` later."""
        epoch = Epoch(UTC_S + passed_s, quality=quality, speed_mps=speed_mps, course_deg=course_deg)
        return self.track.hear(passed_s + late_s, epoch, place, bound_m, travel_deg)


def known(value: float | None) -> float:
    assert value is not None
    return value


def towards(course_deg: float, way_m: float, start: Place = HERE) -> Place:
    """The place that lies a way off in a direction, clockwise from north."""
    course = math.radians(course_deg)
    return start[0] + way_m * math.sin(course), start[1] + way_m * math.cos(course)


def moving(driven: Driven, passed_s: float, place: Place, quality: int = FIXED) -> Evidence:
    """An epoch of a mower that goes east at 0.4 m/s."""
    return driven.at(passed_s, place, quality=quality, speed_mps=0.4, course_deg=90.0)


def doubted() -> Driven:
    """A mower at rest whose fix came back 1 m off."""
    driven = Driven()
    driven.at(0.0)
    driven.at(0.5, quality=FLOAT)
    assert driven.at(1.0, (1.0, 0.0)).refix_m == close(1.0 - math.hypot(BOUND_M, BOUND_M))
    return driven
