"""What noise is usual: how much positions differ from reckoning where nothing is wrong."""

import math
from bisect import bisect
from collections import deque
from typing import NamedTuple

SPANS_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Ages apart by twos: from each of them to the next the noise is learned on its own."""
NOISE_M, WALK_M = 0.018, 0.018
"""Usual differences between position and reckoning: of positions, and of speeds after a second."""
LOOKS = 20.0
"""What is assumed counts as much as so many differences, each with a time of its own."""
LASTS_S = 600.0
"""What was learned counts for so long."""
WAITS_S = 64.0
"""A difference that is greater than usual is learned so much later: as long as sights are kept. If
it was the beginning of a drift, that has shown by then, and must not become usual.
"""
TIMES = 3.6
"""So many times what is usual occurs once in 400,000: exp(-13), by the Rayleigh distribution."""
MOST_TIMES = 1.5
"""So many times worse than these a receiver may be."""

ASSUMED_M2 = [NOISE_M**2 + WALK_M**2 * 1.5 * span_s for span_s in (0.0, *SPANS_S)]
"""The squares for each age, of a receiver that is like others."""
ASSUMED_S = [LOOKS * span_s for span_s in (SPANS_S[0], *SPANS_S)]


class Lesson(NamedTuple):
    """A difference that was looked at."""

    at_s: float
    level: int
    square_m2: float
    passed_s: float


class Usual:
    """What differences between position and reckoning are usual, by the age of the earlier one.

    Positions have noise, and speeds have noise that adds up with time. How much is learned, as
    receivers differ tenfold in it. One that is calmer than others from second to second is assumed
    to be calmer over minutes, too, until it was looked at for so long.
    """

    def __init__(self) -> None:
        self._means_m2 = [0.0] * len(ASSUMED_M2)
        self._learned_s = [0.0] * len(ASSUMED_M2)
        self._squares_m2 = list(ASSUMED_M2)
        self._waiting: deque[Lesson] = deque()

    def learn(self, at_s: float, age_s: float, off_m: float, passed_s: float) -> None:
        """A difference to a sight of an age; `passed_s` since the last one was learned."""
        if passed_s <= 0.0:
            return
        lesson = Lesson(at_s, bisect(SPANS_S, age_s), off_m**2, passed_s)
        if lesson.square_m2 > self._squares_m2[lesson.level]:
            self._waiting.append(lesson)
        else:
            self._take(lesson)
        while self._waiting and at_s - self._waiting[0].at_s >= WAITS_S:
            self._take(self._waiting.popleft())
        self._conclude()

    def contradicted(self) -> None:
        """Something is wrong: what was greater than usual lately is not learned."""
        self._waiting.clear()

    def _take(self, lesson: Lesson) -> None:
        level = lesson.level
        self._learned_s[level] = min(LASTS_S, self._learned_s[level] + lesson.passed_s)
        share = min(1.0, lesson.passed_s / self._learned_s[level])
        self._means_m2[level] += share * (lesson.square_m2 - self._means_m2[level])

    def _conclude(self) -> None:
        """For each age the mean of what was learned and of what is assumed by the age before."""
        calmer = 1.0
        for level, (assumed_m2, assumed_s) in enumerate(zip(ASSUMED_M2, ASSUMED_S, strict=True)):
            learned_s = self._learned_s[level]
            square_m2 = calmer * assumed_m2 * assumed_s + self._means_m2[level] * learned_s
            square_m2 = min(square_m2 / (assumed_s + learned_s), MOST_TIMES**2 * assumed_m2)
            self._squares_m2[level] = square_m2
            calmer = square_m2 / assumed_m2

    def noise_m(self, age_s: float) -> float:
        """The greatest difference that is still usual; at no age less than at a younger one."""
        longer = max(1.0, age_s / (2.0 * SPANS_S[-1]))
        square_m2 = max(self._squares_m2[: bisect(SPANS_S, age_s) + 1])
        return TIMES * math.sqrt(square_m2 * longer)
