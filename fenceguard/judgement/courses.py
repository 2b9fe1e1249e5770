"""Courses: the mean of the last ones that agree, for a mower that is told no heading.

A course is as noisy as the mower is slow: 3 degrees at half a metre per second, 17 at a tenth. With
no heading beside it that turns the outline to and fro, which costs room at its corners. Those that
agree within their noise are one direction; what the newest does not agree with is forgotten.
"""

import math
from collections import deque
from typing import NamedTuple

COURSE_NOISE_MPS = 0.03
"""Across the way; from memory, for the Doppler speed of such receivers."""
AVERAGED_S = 0.7
"""Longer, and a slow turn would lag behind by more than the noise that is averaged out."""
NOISES = 3.0
"""So many times its noise a difference must be, to be none of it."""


class Course(NamedTuple):
    """A mean course."""

    course_deg: float
    noise_deg: float
    """By how much it may be off."""
    agreeing: int
    """How many agree on it."""


class _Told(NamedTuple):
    at_s: float
    east_mps: float
    north_mps: float

    @property
    def mps(self) -> float:
        return math.hypot(self.east_mps, self.north_mps)

    @property
    def course_deg(self) -> float:
        return math.degrees(math.atan2(self.east_mps, self.north_mps))


def _agree(one: _Told, other: _Told) -> bool:
    """Whether two courses differ by no more than their noise."""
    noise_deg = math.hypot(course_noise_deg(one.mps), course_noise_deg(other.mps))
    return abs(turned_deg(one.course_deg, other.course_deg)) <= NOISES * noise_deg


class Courses:
    """The last courses of one mower."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Know none."""
        self._told: deque[_Told] = deque()

    def hear(self, at_s: float, speed_mps: float, course_deg: float) -> Course:
        """The mean with a course that was told at a time, by the receiver's own clock."""
        told = self._told
        course = math.radians(course_deg)
        newest = _Told(at_s, speed_mps * math.sin(course), speed_mps * math.cos(course))
        while told and not (0.0 < at_s - told[0].at_s <= AVERAGED_S and _agree(told[0], newest)):
            told.popleft()
        told.append(newest)
        return self._mean()

    def _mean(self) -> Course:
        count = len(self._told)
        east_mps = sum(one.east_mps for one in self._told) / count
        north_mps = sum(one.north_mps for one in self._told) / count
        mean = _Told(self._told[-1].at_s, east_mps, north_mps)
        noise_deg = course_noise_deg(mean.mps) / math.sqrt(count)
        return Course(mean.course_deg % 360.0, noise_deg, count)


def known(value: float | None) -> float | None:
    """A value that is told, and is a number."""
    return value if value is not None and math.isfinite(value) else None


def course_noise_deg(speed_mps: float) -> float:
    """By how much a course may be off at a speed."""
    return math.degrees(math.atan2(COURSE_NOISE_MPS, speed_mps))


def turned_deg(from_deg: float, to_deg: float) -> float:
    """The shorter way from one direction to another, -180 to 180, positive clockwise."""
    return (to_deg - from_deg + 180.0) % 360.0 - 180.0
